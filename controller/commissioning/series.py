"""What was looked at while the belt ran: instants, and the count unwrapped to forward travel. Pure.

The unwrapping is that of production (`controller.travel`), so that wrap and sense are told here as they are there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from controller.link_figures import Array
from controller.spec import Counter
from controller.travel import JUMP_MARGIN, JUMP_SLACK_COUNTS, US_MODULUS, Step, Travel

TRUST = 8.0
"""A scale not yet proven may be wrong by the decoding or by π: so many times the top speed may still be the belt."""
BLOCK_S = 0.5
"""Speeds are looked at over so long."""
STEADY_PART = 0.1
"""Speeds that differ by less than this part of them are one steady speed."""


@dataclass(frozen=True, slots=True)
class Series:
    """Looks at one counter: instants in s, forward travel in counts as it is configured, whether the drive ran."""

    t_s: Array
    counts: Array
    running: NDArray[np.bool_] | None = None
    """None: the line does not tell."""
    jumps: int = 0
    """How often the count moved as no belt can, or may have wrapped unseen; travel does not go on there."""
    captured: tuple[tuple[int, ...], ...] = ()
    """The travels of what was captured since the look before, for each look."""

    def __len__(self) -> int:
        return len(self.t_s)

    @property
    def seconds(self) -> float:
        """From the first look to the last."""
        return float(self.t_s[-1] - self.t_s[0]) if len(self) else 0.0

    def part(self, first: int, end: int) -> Series:
        """The looks from `first` up to, not including, `end`."""
        ran = None if self.running is None else self.running[first:end]
        return Series(self.t_s[first:end], self.counts[first:end], ran, self.jumps, self.captured[first:end])


def unwrap(
    t_s: Sequence[float], raws: Sequence[int], counter: Counter, top_counts_s: float,
    running: Sequence[bool] | None = None, captured: Sequence[Sequence[int]] = (),
) -> Series:  # fmt: skip
    """Follow raw counts 0 … modulus − 1, and those captured meanwhile. The same sample seen again is left out.

    Raises ValueError for looks that do not go forward in time.
    """
    keep = [n for n in range(len(t_s)) if n == 0 or t_s[n] != t_s[n - 1]]
    times = np.array([t_s[n] for n in keep], np.float64)
    gaps = np.diff(times)
    if (gaps < 0.0).any():
        raise ValueError("looks must go forward in time")
    longest_s = float(gaps.max()) if len(gaps) else 0.0
    top = TRUST * top_counts_s
    if longest_s > 0.0:
        room = (counter.modulus // 2 - JUMP_SLACK_COUNTS - 1) / (JUMP_MARGIN * longest_s)
        top = max(top_counts_s, min(top, room))
    travel = Travel(counter, top, longest_s or 1.0)
    counts: list[int] = []
    edges: list[tuple[int, ...]] = []
    jumps = 0
    for n, t in zip(keep, times, strict=True):
        at_ns = round(float(t) * 1e9)
        jumps += travel.update(raws[n], None, at_ns, at_ns) not in (Step.FIRST, Step.GOOD)
        counts.append(travel.counts)
        edges.append(tuple(travel.travel_of(raw) for raw in captured[n]) if captured else ())
    ran = None if running is None else np.array([running[n] for n in keep], bool)
    return Series(times, np.array(counts, np.float64), ran, jumps, tuple(edges))


def dated(sample_us: Sequence[int]) -> list[float]:
    """Give instants in s from the first on, by the I/O side's own clock, which wraps."""
    steps = [(b - a) % US_MODULUS for a, b in pairwise(sample_us)]
    return [float(t) * 1e-6 for t in np.cumsum([0, *steps])]


def blocks_of(series: Series, block_s: float = BLOCK_S) -> list[tuple[int, int]]:
    """Cut the looks into stretches of about so long, from look to look (the last of one is the first of the next)."""
    if len(series) < 2:
        return []
    wanted = np.arange(series.t_s[0], series.t_s[-1], block_s)
    at = np.unique(np.append(np.searchsorted(series.t_s, wanted), len(series) - 1))
    return [(int(a), int(b)) for a, b in pairwise(at)]


def speeds_of(series: Series, blocks: Sequence[tuple[int, int]]) -> Array:
    """Give the speed over each stretch, in counts/s, positive forward."""
    t, c = series.t_s, series.counts
    return np.array([(c[b] - c[a]) / (t[b] - t[a]) for a, b in blocks], np.float64)


def steady(series: Series, counts_per_turn: float = 0.0) -> Series:
    """Give the longest stretch at one speed; no looks where the belt never ran evenly.

    Speeds are looked at over a turn of the wheel or longer, since a bad wheel has no one speed within a turn.
    """
    blocks = blocks_of(series)
    speeds = speeds_of(series, blocks)
    if len(speeds) and counts_per_turn and (usual := float(np.median(np.abs(speeds)))) > 0.0:
        blocks = blocks_of(series, max(BLOCK_S, counts_per_turn / usual))
        speeds = speeds_of(series, blocks)
    if not len(speeds) or not np.abs(speeds).max() > 0.0:
        return series.part(0, 0)
    best, first = (0, 0), 0
    for n in range(len(speeds)):
        while np.ptp(speeds[first : n + 1]) > STEADY_PART * float(np.abs(speeds[first : n + 1]).min()):
            first += 1
        if first <= n and abs(speeds[n]) > 0.0:
            a, b = blocks[first][0], blocks[n][1]
            best = max(best, (a, b), key=lambda ends: series.t_s[ends[1]] - series.t_s[ends[0]])
    return series.part(best[0], best[1] + 1) if best != (0, 0) else series.part(0, 0)
