"""From the single exchanges of a measurement to the figures of the link: plain functions on arrays, no I/O.

All times are in ns of our monotonic clock; the I/O side's own clock is unwrapped and tied to ours by the bounds that
each exchange gives: its sample lies between the sending and the answer.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from controller.fit import BOUNDS, DELAYS
from controller.link_figures import Array
from controller.travel import US_MODULUS

Whole = NDArray[np.int64]
STRETCH = 50
"""So many releases make a stretch, which may be steadier or less steady than the next."""
UNSTEADY = 0.1
"""Such a share of the stretches may be less steady than what is said."""
SEEN_SHARE = 0.05
"""So large a share of exchanges asked one after the other must bring the same sample, for its scan to show."""


@dataclass(slots=True)
class Record:
    """What a measurement took down, exchange by exchange; only answered ones.

    `periodic` tells those that began with a period from those sent at an instant in between. `whole` counts failed
    exchanges too, so that neighbours can be told. `burst` has what the exchanges made without a pause brought: when,
    the I/O side's clock (None: it has none), the count.
    """

    sent_ns: list[int] = field(default_factory=list)
    got_ns: list[int] = field(default_factory=list)
    sample_us: list[int | None] = field(default_factory=list)
    periodic: list[bool] = field(default_factory=list)
    whole: list[int] = field(default_factory=list)
    late_ns: list[int] = field(default_factory=list)
    send_late_ns: list[int] = field(default_factory=list)
    burst: list[tuple[int, int | None, int]] = field(default_factory=list)
    failed: int = 0

    @property
    def exchanges(self) -> int:
        """How many were answered."""
        return len(self.sent_ns)


@dataclass(frozen=True, slots=True)
class Clocks:
    """The I/O side's clock against ours: drift in ppm (positive = fast), how far off that is, and an instant."""

    drift_ppm: float
    drift_off_ppm: float
    tie_s: float


@dataclass(frozen=True, slots=True)
class LinkTimings:
    """The measured times in s. `out` and `back`: to the I/O side's sample and from it; None where it has no clock.

    `release`: the way out of requests sent at an instant, about the median of those before; None: too few of them.
    """

    exchange: Array
    age: Array
    late: Array
    send_late: Array
    gap: Array
    out: Array | None
    release: Array | None
    back: Array | None
    clocks: Clocks | None
    io_step_s: float | None
    io_step_below_s: float | None
    largest_gap_s: float


def analyse(record: Record) -> LinkTimings:
    """Work the figures out. The record needs at least two exchanges."""
    sent, got = np.array(record.sent_ns, np.int64), np.array(record.got_ns, np.int64)
    exchange = _seconds(got - sent)
    dates = _dates(record.sample_us)
    out = back = clocks = None
    if dates is None:
        samples = (sent + got) // 2
        age = 0.5 * exchange
    else:
        offset, clocks = tie(dates, sent, got)
        samples = dates + offset
        out, back = _seconds(samples - sent), _seconds(got - samples)
        age = back
    periodic, whole = np.array(record.periodic), np.array(record.whole)
    # What waited for an instant is no gap of the link's.
    both = periodic[1:] & periodic[:-1]
    neighbours = both & (np.diff(whole) == 1)
    gaps = np.diff(samples) * 1e-9
    step_s, below_s = own_scan(record.burst)
    return LinkTimings(
        exchange=exchange,
        age=age,
        late=np.array(record.late_ns) * 1e-9,
        send_late=np.array(record.send_late_ns) * 1e-9,
        gap=gaps[neighbours] if neighbours.any() else gaps,
        out=out,
        release=None if out is None else about_before(out[~periodic]),
        back=back,
        clocks=clocks,
        io_step_s=step_s,
        io_step_below_s=below_s,
        largest_gap_s=float((np.diff(got)[both] if both.any() else np.diff(got)).max()) * 1e-9,
    )


def _seconds(times_ns: Whole) -> Array:
    return times_ns.astype(np.float64) * 1e-9


def _steps_us(clocks_us: list[int]) -> Whole:
    return np.array([(b - a) % US_MODULUS for a, b in pairwise(clocks_us)], np.int64)


def _dates(sample_us: list[int | None]) -> Whole | None:
    """The I/O side's clock unwrapped, in ns since its first sample; None where it has none."""
    known = [us for us in sample_us if us is not None]
    if len(known) < len(sample_us):
        return None
    steps = _steps_us(known)
    dates: Whole = np.concatenate(([0], np.cumsum(steps))) * 1000
    return dates


def tie(dates: Whole, sent: Whole, got: Whole) -> tuple[Whole, Clocks]:
    """Our clock less the I/O side's, for each exchange in ns: a straight line through what the bounds leave."""
    pieces = max(1, len(dates) // BOUNDS)
    middles, halves, times = [], [], []
    for piece in np.array_split(np.arange(len(dates)), pieces):
        least, most = (sent[piece] - dates[piece]).max(), (got[piece] - dates[piece]).min()
        middles.append(0.5 * (least + most))
        halves.append(0.5 * (most - least))
        times.append(dates[piece].mean())
    half_ns, span_ns = float(np.median(np.abs(halves))), times[-1] - times[0]
    slope, drift_off = 0.0, float("inf")
    if span_ns > 0:
        slope = float(np.polyfit(np.array(times) - times[0], np.array(middles), 1)[0])
        drift_off = 2e6 * half_ns / span_ns
        if abs(slope) * 1e6 < drift_off:
            slope = 0.0  # not told from none
    level = float(np.median(np.array(middles) - slope * np.array(times)))
    offset: Whole = np.round(level + slope * dates).astype(np.int64)
    return offset, Clocks(-slope * 1e6, drift_off, half_ns * 1e-9)


def about_before(outs: Array) -> Array | None:
    """By how much each way out differs from the median of those before it, in s, as a line that learns it would see it.

    What came before reaches back over a quarter of the measurement. A link is not the same all the time: what is given
    is as wide as all but a tenth of its stretches were. None where there are too few.
    """
    apart = max(1, len(outs) // (4 * DELAYS))
    back = DELAYS * apart
    if len(outs) < back + STRETCH:
        return None
    differs = np.array([outs[n] - np.median(outs[n - back : n : apart]) for n in range(back, len(outs))])
    stretches = np.array_split(np.abs(differs), max(1, len(differs) // STRETCH))
    usual = float(np.quantile(np.abs(differs), 0.95))
    wide = float(np.quantile([np.quantile(stretch, 0.95) for stretch in stretches], 1.0 - UNSTEADY))
    return differs * max(1.0, wide / usual)


def own_scan(burst: list[tuple[int, int | None, int]]) -> tuple[float | None, float | None]:
    """How often the I/O side takes its inputs, in s, where exchanges made without a pause show it.

    The first: its scan. The second: where every exchange brought a new sample, it is shorter than this. Both None where
    neither a clock nor a moving belt tells.
    """
    if len(burst) < 3:
        return None, None
    times = np.array([got_ns for got_ns, _, _ in burst])
    clocks = [us for _, us, _ in burst if us is not None]
    if len(clocks) == len(burst):
        steps_s = _steps_us(clocks) * 1e-6
        changed = steps_s > 0
    else:
        changed = np.diff(np.array([count for _, _, count in burst])) != 0
        if not changed.any():
            return None, None
        steps_s = np.diff(times) * 1e-9
    if 1.0 - changed.mean() < SEEN_SHARE:
        return None, float(np.median(np.diff(times))) * 1e-9
    if len(clocks) == len(burst):
        return float(np.median(steps_s[changed])), None
    changes = times[1:][changed]
    return (float(np.median(np.diff(changes))) * 1e-9 if len(changes) > 1 else None), None
