"""Contact: does the wheel turn steadily with the belt. Pure.

Four looks at it: the count's rate against the drive's own display; unevenness once a turn of the wheel, as a lifted or
dirty wheel shows; counts from one repeated product to the next; and counts lost where the belt stopped in between.
Counts are forward travel, times in s.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import special

from controller.commissioning.least_squares import fit, student
from controller.commissioning.series import Series, steady
from controller.link_figures import Array

BLOCKS = 8
"""A rate's uncertainty is that of so many stretches, which also sees what swings slowly."""
TURNS, LOOKS_A_TURN = 6, 5
"""Fewer turns, or looks a turn, tell no unevenness."""
NEIGHBOURS = 6
"""So many frequencies on either side tell what is chance."""
TURN_P = 0.01
"""An unevenness once a turn that comes by chance more often is none."""
ALIKE_PART = 0.2
"""Intervals between products that differ by more from the middle had a product missing, or one too many."""
STOPPED_PART, SLOW_PART = 0.2, 0.9
"""Slower than the first part of the usual speed the belt stopped; slower than the second, it was about to or had."""
LEAST_INTERVALS = 4


@dataclass(frozen=True, slots=True)
class Rate:
    """The speed over the steadiest stretch, in counts/s, with its standard uncertainty and degrees of freedom."""

    counts_s: float
    u: float
    dof: float
    seconds: float


def rate(series: Series, counts_per_turn: float = 0.0) -> Rate | None:
    """Take the rate of the longest steady stretch; None: the belt never ran evenly for long enough to tell."""
    part = steady(series, counts_per_turn)
    if len(part) < 2 * BLOCKS:
        return None
    at = np.linspace(0, len(part) - 1, BLOCKS + 1).round().astype(int)
    speeds = np.diff(part.counts[at]) / np.diff(part.t_s[at])
    whole = float(part.counts[-1] - part.counts[0]) / part.seconds
    least = 1.0 / math.sqrt(6.0) / part.seconds
    return Rate(whole, max(float(np.std(speeds, ddof=1)) / math.sqrt(BLOCKS), least), BLOCKS - 1.0, part.seconds)


@dataclass(frozen=True, slots=True)
class Shown:
    """The speed by the count against a speed that is shown elsewhere: relative difference with its 95 % half width."""

    difference: float
    half_width: float

    @property
    def differs(self) -> bool:
        """Whether by more than chance and the display's step."""
        return abs(self.difference) > self.half_width


def against_shown(found: Rate, scale_mm: float, shown_mm_s: float, step_mm_s: float) -> Shown:
    """Hold a rate against the drive's display, which shows whole steps of `step_mm_s`."""
    by_count = abs(found.counts_s) * scale_mm
    chance = student(found.dof) * found.u * scale_mm
    return Shown(by_count / shown_mm_s - 1.0, math.hypot(chance, 0.5 * step_mm_s) / shown_mm_s)


@dataclass(frozen=True, slots=True)
class Turn:
    """Unevenness once a turn: by so many counts the wheel is ahead or behind at most, and how likely that is chance.

    `share` is how much faster or slower than usual the count runs at most, as a part.
    """

    counts: float
    u: float
    p: float
    share: float
    turns: int

    @property
    def shows(self) -> bool:
        """Whether it is there at all."""
        return self.p < TURN_P


@dataclass(frozen=True, slots=True)
class NotTold:
    """Why something cannot be told from what was seen, and what would tell it."""

    why: str
    needs: str


def once_a_turn(series: Series, counts_per_turn: float) -> Turn | NotTold:
    """Look for what repeats with the wheel, by least squares on the harmonic, while the belt runs at one speed.

    The belt's own speed may swing too: what the wheel does stands out from the frequencies beside its own.
    """
    part = steady(series, counts_per_turn)
    needs = f"{TURNS} turns or more at one speed, looked at {LOOKS_A_TURN} times a turn or more often"
    if len(part) < 3:
        return NotTold("the belt did not run at one speed", needs)
    travel = np.abs(part.counts - part.counts[0])
    turns = int(travel[-1] // counts_per_turn)
    if turns < TURNS:
        return NotTold(f"only {travel[-1] / counts_per_turn:.1f} turns at one speed", needs)
    inside = travel <= turns * counts_per_turn
    if np.count_nonzero(inside) < LOOKS_A_TURN * turns:
        return NotTold("the wheel turns too fast to be seen several times a turn", f"{needs}: run slower")
    angle = 2.0 * math.pi * travel[inside] / counts_per_turn
    # When each count was there, against the count: a belt at one speed makes a straight line of it, slowly bent.
    along = 2.0 * travel[inside] / travel[inside][-1] - 1.0
    smooth = np.column_stack([np.ones_like(along), along, along**2])
    counts_s = travel[inside][-1] / (part.t_s[inside][-1] - part.t_s[inside][0])
    ahead = (part.t_s[inside] - part.t_s[0]) * counts_s

    def amplitude(times_a_turn: float) -> float:
        wave = np.column_stack([np.cos(times_a_turn * angle), np.sin(times_a_turn * angle)])
        found = np.linalg.lstsq(np.column_stack([smooth, wave]), ahead, rcond=None)[0]
        return float(math.hypot(found[-2], found[-1]))

    own = amplitude(1.0)
    # Over whole turns these do not overlap with the wheel's own; the lowest are left to the belt's slow changes.
    beside = [turns + sign * n for n in range(1, NEIGHBOURS + 1) for sign in (1, -1)]
    others = np.array([amplitude(n / turns) for n in beside if n >= 3 and n % turns])
    power = float(np.mean(others**2))
    p = float(special.fdtrc(2, 2 * len(others), own**2 / power)) if power > 0.0 else float(own == 0.0)
    return Turn(own, math.sqrt(power / 2.0), p, own * 2.0 * math.pi / counts_per_turn, turns)


@dataclass(frozen=True, slots=True)
class Repeats:
    """Counts from one repeated product to the next: their mean and scatter, and what they lose with speed and stops.

    `with_speed` is the relative change of the counts from the slowest to the fastest interval, `lost` the counts lost
    for each stop in between, each with its 95 % half width; None: there was nothing to tell it from.
    """

    intervals: int
    left_out: int
    mean_counts: float
    sd_counts: float
    with_speed: tuple[float, float] | None
    lost: tuple[float, float] | None
    stops: int


def repeats(series: Series, leads: Array) -> Repeats | NotTold:
    """Judge products that come at one distance on the belt, by their leading edges; four intervals or more."""
    needs = f"{LEAST_INTERVALS + 1} products or more, at one distance from one another on the belt"
    if len(leads) <= LEAST_INTERVALS:
        return NotTold(f"{len(leads)} products were seen", needs)
    counts = np.diff(leads)
    like = np.abs(counts - np.median(counts)) <= ALIKE_PART * np.median(counts)
    if np.count_nonzero(like) < LEAST_INTERVALS:
        return NotTold("the distances from product to product differ too much", needs)
    # A belt that stood has one count at many times: the last of them is when it went on.
    came_s = np.interp(leads, series.counts, series.t_s)
    speeds = counts / np.maximum(np.diff(came_s), 1e-9)
    halts = _halts(series, leads)
    ran = like.copy()
    for halt in halts:
        ran[max(0, halt.first) : halt.end] = False
    whole = [h for h in halts if h.first >= 0 and h.end <= len(counts) and like[h.first : h.end].all()]
    base = counts[ran]
    if len(base) < LEAST_INTERVALS:
        return NotTold("the belt stopped between nearly all products", f"{needs}, passing without a stop")
    return Repeats(
        len(base) + sum(halt.end - halt.first for halt in whole),
        int(np.count_nonzero(~like)),
        float(base.mean()),
        float(np.std(base, ddof=1)),
        _with_speed(base, speeds[ran]),
        _lost(base, counts, whole),
        sum(halt.stops for halt in whole),
    )


@dataclass(slots=True)
class _Halt:
    """Intervals `first` up to, not including, `end`, over which the belt slowed down, stood and went on, `stops` times.

    A product may pass the eye while the belt slows down: what is lost then lies in two intervals.
    """

    first: int
    end: int
    stops: int = 1


def _halts(series: Series, leads: Array) -> list[_Halt]:
    """The stops between products, or before the first and behind the last, in order."""
    speeds = np.diff(series.counts) / np.diff(series.t_s)
    usual = float(np.median(speeds[speeds > 0.0])) if (speeds > 0.0).any() else 0.0
    slow, halted = speeds < SLOW_PART * usual, speeds < STOPPED_PART * usual
    turns = np.flatnonzero(np.diff(np.concatenate([[False], slow, [False]])))
    found: list[_Halt] = []
    for begin, end in zip(turns[::2], turns[1::2], strict=True):
        if not halted[begin:end].any():
            continue
        first, last = (int(np.searchsorted(leads, series.counts[n], side="right")) - 1 for n in (begin, end))
        if found and first < found[-1].end:
            found[-1] = _Halt(found[-1].first, max(found[-1].end, last + 1), found[-1].stops + 1)
        else:
            found.append(_Halt(first, last + 1))
    return found


def _with_speed(counts: Array, speeds: Array) -> tuple[float, float] | None:
    """How much the counts change from the slowest to the fastest; None where all passed at about one speed."""
    spread = float(np.ptp(speeds))
    if spread < ALIKE_PART * float(np.median(speeds)):
        return None
    line = fit(np.column_stack([np.ones_like(speeds), (speeds - speeds.mean()) / spread]), counts, least_sd=0.5)
    mean = float(counts.mean())
    return line.value([0.0, 1.0]) / mean, line.half_width([0.0, 1.0]) / mean


def _lost(base: Array, counts: Array, halts: list[_Halt]) -> tuple[float, float] | None:
    """Counts that a stop loses on average, with the half width by the scatter of intervals without one."""
    stops, many = sum(halt.stops for halt in halts), sum(halt.end - halt.first for halt in halts)
    if not stops:
        return None
    sd = max(float(np.std(base, ddof=1)), 1.0 / math.sqrt(6.0))
    half = student(len(base) - 1.0) * sd * math.sqrt(many + many * many / len(base)) / stops
    passed = sum(float(counts[halt.first : halt.end].sum()) for halt in halts)
    return (many * float(base.mean()) - passed) / stops, half
