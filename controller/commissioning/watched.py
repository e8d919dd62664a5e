"""What single looks at a running line add up to: its travel, and the products that passed the eye. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from controller.commissioning.eye_edges import EyeEdges, edges_of
from controller.commissioning.series import Series, dated, unwrap
from controller.detect import EDGES, Eye, edge_of
from controller.link_figures import Array
from controller.registers import BACKWARD, RING_SIZE, Capture
from controller.release import newest
from controller.spec import LineSpec

U16 = 1 << 16


@dataclass(frozen=True, slots=True)
class Look:
    """One look: our clock in s, the raw count, the I/O side's clock in µs, the drive, and the ring of captures.

    None: the line does not tell.
    """

    t_s: float
    raw: int
    sample_us: int | None = None
    running: bool | None = None
    capture_total: int | None = None
    captures: tuple[Capture, ...] = ()
    blocked: bool = False


@dataclass(frozen=True, slots=True)
class Watched:
    """The travel, and the places (in counts of it) of each product's leading edge and length; NaN: still in the eye."""

    series: Series
    leads: Array
    lengths: Array
    captures_lost: int
    """Edges that came faster than they were looked at: the products beside them are not to be trusted."""
    edges: EyeEdges
    """All that the eye told, before the line's filters."""


def watched(looks: Sequence[Look], spec: LineSpec) -> Watched:
    """Follow the looks of one line in order; the same sample seen again is left out."""
    kept = fresh(looks)
    us = [look.sample_us for look in kept if look.sample_us is not None]
    t_s = dated(us) if us and len(us) == len(kept) else [look.t_s for look in kept]
    new, lost = _new_captures(kept)
    ran = [bool(look.running) for look in kept] if any(look.running is not None for look in kept) else None
    raws = [[capture.count for capture in captures] for captures in new]
    top_counts_s = spec.top_speed_mm_s / spec.scale_mm
    series = unwrap(t_s, [look.raw for look in kept], spec.counter, top_counts_s, ran, raws)
    new = _as_configured(new, series)
    leads, lengths = _products(kept, new, series, spec)
    edges = edges_of(new, lost, series, bool(kept) and kept[0].blocked)
    return Watched(series, leads, lengths, sum(lost), edges)


def fresh(looks: Sequence[Look]) -> list[Look]:
    """Leave out the looks that only saw the sample of the look before again."""
    return [look for n, look in enumerate(looks) if n == 0 or not _same(look, looks[n - 1])]


def _same(look: Look, before: Look) -> bool:
    return look.t_s == before.t_s if look.sample_us is None else look.sample_us == before.sample_us


def _new_captures(looks: Sequence[Look]) -> tuple[list[list[Capture]], list[int]]:
    """Give the captures that each look brought, and how many were lost before. The first look is only a baseline."""
    new: list[list[Capture]] = []
    lost: list[int] = []
    before: int | None = None
    for look in looks:
        total = look.capture_total
        count = 0 if before is None or total is None else (total - before) % U16
        before = total
        lost.append(max(0, count - RING_SIZE))
        ring = newest(look.captures, total or 0, count)
        new.append([capture for capture in ring if capture.edge & ~BACKWARD in EDGES])
    return new, lost


def _as_configured(new: list[list[Capture]], series: Series) -> list[list[Capture]]:
    """Tell the edges' direction by the sense that the line is set to now.

    The I/O side tells it by the sense of the last controller it heard, if any: where the edges mostly go the other way
    than the count does, that sense was another one.
    """
    against = 0
    for n, captures in enumerate(new):
        step = series.counts[n] - series.counts[n - 1] if n else 0.0
        for capture in captures:
            if step:
                against += 1 if (step < 0.0) != bool(capture.edge & BACKWARD) else -1
    if against <= 0:
        return new
    return [[Capture(capture.edge ^ BACKWARD, capture.count) for capture in captures] for captures in new]


def _products(
    looks: Sequence[Look], new: Sequence[Sequence[Capture]], series: Series, spec: LineSpec
) -> tuple[Array, Array]:
    """Take the edges through the line's own filters."""
    eye, seen = Eye(spec.detector, spec.scale_mm), []
    for number, look in enumerate(looks):
        counts = int(series.counts[number])
        if not number:
            eye.start(look.blocked, counts)
        for capture, travel in zip(new[number], series.captured[number], strict=True):
            began = eye.see(edge_of(capture, travel), 0.0)
            if began is not None:
                seen.append(began)
        eye.settle(counts, number > 0 and counts < series.counts[number - 1])
    good = [product for product in seen if product.confirmed]
    leads = np.array([product.lead for product in good], np.float64)
    lengths = [np.nan if product.trail is None else product.trail - product.lead for product in good]
    return leads, np.array(lengths, np.float64)
