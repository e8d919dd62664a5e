"""One product jogged from the eye to the marker: how far it went by the count, or why the pass tells nothing. Pure.

A pass is good only where the count followed the belt all the way: forward, without a jump, with the wheel turning
whenever the drive ran, and with one product in it. Counts are forward travel.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from controller.commissioning.contact import NotTold
from controller.commissioning.eye_edges import speed_at
from controller.commissioning.series import Series
from controller.commissioning.watched import Look, Watched, fresh, watched
from controller.detect import HALF, Eye
from controller.link_figures import Array
from controller.spec import LineSpec

BACK_COUNTS = 3
"""A belt at rest may tremble by so much; more is running back."""
LEAST_COUNTS = 100
"""Less travel in a pass is a belt that was not jogged."""
STOP_S = 0.3
"""A count that stands for so long on the way was a stop."""
AGAIN = "the product before the eye again, then the pass anew"


@dataclass(frozen=True, slots=True)
class Pass:
    """One good pass, in counts: from the leading edge, as the eye told it, to where the belt stood at the end.

    The edge is known within ± `edge_within`; the belt ran at `speed_counts_s` as it passed; `stops` were made between.
    None: not known, since the pass was typed.
    """

    counts: float
    edge_within: float = HALF
    speed_counts_s: float | None = None
    stops: int | None = None


def jogged(looks: Sequence[Look], spec: LineSpec) -> Pass | NotTold:
    """Judge one pass by all looks at it: from rest, the product before the eye, to rest with its edge at the marker."""
    kept = fresh(looks)
    seen = watched(kept, spec)
    series = seen.series
    if len(series) < 2:
        return NotTold("the I/O side was not read often enough", "a link that answers")
    if series.jumps or seen.captures_lost:
        what = "the count jumped as no belt does" if series.jumps else "edges came faster than they were looked at"
        return NotTold(f"{what}, so that counts may be lost", f"beltcue commission sense, {AGAIN}")
    if kept[0].blocked:
        return NotTold("something was before the eye as the pass began", "the product upstream of it")
    if float(series.counts[-1] - series.counts[0]) < -LEAST_COUNTS:
        return NotTold("the count went backward as the belt was jogged", "beltcue commission sense, before this step")
    if float(np.ptp(series.counts)) < LEAST_COUNTS:
        return NotTold(
            "the count hardly moved: the belt was not jogged, or the wheel does not touch it", "a belt that turns it"
        )
    leads = _captured(seen) if spec.detector.captured else _sampled(kept, series, spec)
    if not leads:
        return NotTold(*_nothing(seen, spec))
    if len(leads) > 1:
        return NotTold(
            f"the eye saw {len(leads)} products, and which of them stands at the marker cannot be told",
            "one product alone on the belt, or products farther apart than the marker is from the eye",
        )
    place, within, look = leads[0]
    way = series.part(look, len(series))
    back = float(np.max(np.maximum.accumulate(way.counts) - way.counts))
    if back > BACK_COUNTS:
        return NotTold(
            f"the belt ran back by {back:.0f} counts on the way: play and slip of the wheel are in the travel then",
            f"{AGAIN}, forward only; after an overshoot begin again instead of jogging back",
        )
    if _stalled(way, spec.limits.stall_s):
        return NotTold("the drive ran and the count stood: the wheel slips or lifts", "beltcue commission contact")
    return Pass(float(series.counts[-1]) + HALF - place, within, speed_at(series, look), _stops(way))


def _captured(seen: Watched) -> list[tuple[float, float, int]]:
    """Give each product's leading edge, what it is known within, and the look that brought it."""
    counts = seen.series.counts
    looks = [min(int(np.searchsorted(counts, lead)), len(counts) - 1) for lead in seen.leads]
    return [(float(lead), HALF, look) for lead, look in zip(seen.leads, looks, strict=True)]


def _sampled(looks: Sequence[Look], series: Series, spec: LineSpec) -> list[tuple[float, float, int]]:
    """The same where the eye is only looked at: an edge lies anywhere in what passed between two looks."""
    eye, found = Eye(spec.detector, spec.scale_mm), []
    eye.start(looks[0].blocked, int(series.counts[0]))
    for n in range(1, len(series)):
        before, travel = int(series.counts[n - 1]), int(series.counts[n])
        edge = eye.sample(looks[n].blocked, before, travel)
        began = None if edge is None else eye.see(edge, 0.0)
        if began is not None:
            found.append((began, (travel - before + 1) / 2, n))
        eye.settle(travel, travel < before)
    return [(product.lead, within, n) for product, within, n in found if product.confirmed]


def _nothing(seen: Watched, spec: LineSpec) -> tuple[str, str]:
    """Why no product was seen, and what would show one."""
    if len(seen.edges):
        return (
            "the eye told edges, but no product by the line's filters: too short, or it has only just come to the eye",
            "a product longer than detector.least_length; see beltcue commission detector",
        )
    stays = " or stays covered" if spec.detector.captured else ", or it passed between two looks"
    return f"the eye saw no product: it passed beside it, the eye is not wired{stays}", (
        "the eye's lamp watched as the product passes, and beltcue points LINE.toml --only bits"
    )


def _stalled(way: Series, stall_s: float) -> bool:
    """Whether the drive ran for so long without a count."""
    if way.running is None:
        return False
    return any(bool(way.running[a : b + 1].all()) and float(way.t_s[b] - way.t_s[a]) > stall_s for a, b in _stands(way))


def _stops(way: Series) -> int:
    """How often the belt stood on the way; where it stands at the end is none."""
    last = float(way.counts[-1])
    stands = [(a, b) for a, b in _stands(way) if last - float(way.counts[a]) > BACK_COUNTS]
    return sum(float(way.t_s[b] - way.t_s[a]) > STOP_S for a, b in stands)


def _stands(way: Series) -> list[tuple[int, int]]:
    """The stretches in which the count stood, from first look to last."""
    moved: Array = np.flatnonzero(np.diff(way.counts)).astype(np.float64)
    ends = [-1, *(int(n) for n in moved), len(way) - 1]
    return [(a + 1, b) for a, b in pairwise(ends) if b > a + 1]
