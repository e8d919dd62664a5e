"""Histories of a line as the controller would see it: looks at an evenly running belt, over a link of drawn times.

What the promise hangs on is not worked out a second time here: each history goes through the very fit and the very
speed that decide on the line. Times in s, places in counts; pure, chance is handed in.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from controller.fit import SAMPLES, Fit
from controller.lead import lead_mm, lead_time_s
from controller.link_figures import Array, LinkFigures
from controller.spec import LineSpec
from controller.travel import US_MODULUS, WINDOW, Travel

LOOKS = max(SAMPLES, WINDOW)
"""So many looks are what the fit and the speed remember."""
FINE = 1000
"""For what the fit makes of a change of speed, counts are taken so much finer, that their steps do not show."""


@dataclass(frozen=True, slots=True)
class Looks:
    """Many histories side by side, one a row; the last column is the look after the deciding one.

    `begun`, `got`: an exchange's two ends. `seen`: the instant at which the belt was as the count says. `dated`: what
    the fit takes for it.
    """

    begun: Array
    got: Array
    seen: Array
    dated: Array
    clocked: bool

    @property
    def deciding(self) -> int:
        """The column of the look that the order is decided on."""
        return int(self.begun.shape[1]) - 2


def draw_looks(spec: LineSpec, figures: LinkFigures, chance: np.random.Generator, histories: int) -> Looks:
    """Draw histories of exchanges as the loop makes them: at absolute deadlines, or one after another where it must."""
    shape = (histories, LOOKS + 1)
    out, back = figures.ways(chance, shape)
    took, late = out + back, figures.late.draw(chance, shape)
    begun, got = np.empty(shape), np.empty(shape)
    deadline = np.zeros(histories)
    before = np.zeros(histories)
    for n in range(shape[1]):
        begun[:, n] = np.where(before <= deadline, deadline + late[:, n], before)
        before = got[:, n] = begun[:, n] + took[:, n]
        deadline = deadline + spec.period_s
        deadline += np.maximum(0.0, np.floor((before - deadline) / spec.period_s)) * spec.period_s
    clocked = figures.out is not None
    plain = spec.plain
    if plain is None:
        seen = begun + out
    else:
        # The count comes in the request before the last; it is as old as the device's own scan lets it be.
        seen = begun + took * _share(plain.requests, -0.5) - plain.io_scan_s * chance.random(shape)
    io_scan_s = 0.0 if plain is None else plain.io_scan_s
    dated = seen if clocked else 0.5 * (begun - io_scan_s + got)
    return Looks(begun, got, seen, dated, clocked)


def _share(requests: int, beyond: float) -> float:
    """The part of an exchange with a plain device at which something happens, by requests from its last read's end."""
    return (requests - 1.0 + beyond) / requests


def act_share(requests: int) -> float:
    """When, in exchanges after its sending, a plain device takes a trigger up: in the middle of the last request."""
    return _share(requests, 0.5)


def fitted(spec: LineSpec, looks: Looks, speed_counts_s: float, phases: Array, acts: Array) -> tuple[Array, Array]:
    """What the fit makes of each history: two errors, one a row.

    First, by how much it dates the crossing of the belt's place at `acts` (s) too late, in s. Second, by how much it
    puts the middle of the belt between the last two looks too far ahead, in counts. `phases` is where within its count
    the belt begins.
    """
    histories, last = looks.begun.shape[0], looks.deciding
    first = last + 1 - SAMPLES
    late, ahead = np.empty(histories), np.empty(histories)
    limit = spec.max_accel_mm_s2 / spec.scale_mm
    counts = np.floor(phases[:, None] + speed_counts_s * looks.seen).astype(np.int64)
    # Handed over as the two ends of an exchange that would be dated so; the clocks' tie is a term of its own.
    dated_ns = np.round(looks.dated * 1e9).astype(np.int64)
    places = phases + speed_counts_s * acts
    middles = phases + speed_counts_s * 0.5 * (looks.seen[:, last] + looks.seen[:, last - 1])
    for row in range(histories):
        fit = Fit(limit, spec.period_s)
        for n in range(first, last + 1):
            fit.take(int(counts[row, n]), None, int(dated_ns[row, n]), int(dated_ns[row, n]))
        date_ns, middle = fit.crossing(float(places[row])), fit.between_looks()
        late[row] = np.nan if date_ns is None else date_ns * 1e-9 - acts[row]
        ahead[row] = np.nan if middle is None else middle - middles[row]
    return late, ahead


def reckoned_speeds(spec: LineSpec, looks: Looks, speed_counts_s: float, phases: Array) -> tuple[Array, Array]:
    """How far off, in counts/s, each history has the speed: that of the moment, and that predicted for a release.

    The release is as far ahead as a target is sent.
    """
    histories, last = looks.begun.shape[0], looks.deciding
    first = last + 1 - WINDOW
    now, later = np.empty(histories), np.empty(histories)
    limit = spec.max_accel_mm_s2 / spec.scale_mm
    lead_s = lead_time_s(spec.period_s, spec.exchange_s, spec.limits.least_lead_s)
    away = lead_mm(speed_counts_s, limit, lead_s)
    counts = np.floor(phases[:, None] + speed_counts_s * looks.seen).astype(np.int64)
    sent_ns, got_ns = (np.round(ends * 1e9).astype(np.int64) for ends in (looks.begun, looks.got))
    us = np.round(looks.seen * 1e6).astype(np.int64) % US_MODULUS
    for row in range(histories):
        travel = Travel(spec.counter, spec.top_speed_mm_s / spec.scale_mm, spec.period_s)
        for n in range(first, last + 1):
            raw = spec.counter.sense * int(counts[row, n]) % spec.counter.modulus
            clock = int(us[row, n]) if looks.clocked else None
            travel.update(raw, clock, int(sent_ns[row, n]), int(got_ns[row, n]))
        now[row] = travel.speed_counts_s - speed_counts_s
        later[row] = travel.speed_after(away, limit) - speed_counts_s
    return now, later


def accel_error_mm(spec: LineSpec, speed_mm_s: float, spacing_s: float, horizon_s: float) -> float:
    """How far off a mark can be where the belt changes its speed as hard as it can from the worst moment on, in mm.

    The fit has looks `spacing_s` apart, and the mark comes `horizon_s` after the last of them. A change after the last
    look costs ½·a·t²; one within the looks is half seen.
    """
    accel = spec.max_accel_mm_s2
    worst_mm = 0.0
    for begins_s in np.linspace(-(SAMPLES - 1) * spacing_s, horizon_s, 41)[:-1]:
        for sign in (1.0, -1.0):

            def place_mm(t_s: float, begins_s: float = begins_s, sign: float = sign) -> float:
                for_s = max(0.0, t_s - begins_s)
                return speed_mm_s * t_s + 0.5 * sign * accel * for_s * for_s

            fit = Fit(FINE * accel, spacing_s)
            for n in range(SAMPLES):
                t_s = (n + 1 - SAMPLES) * spacing_s
                date_ns = round((t_s + 10.0) * 1e9)
                fit.take(round(FINE * place_mm(t_s) - 0.5), None, date_ns, date_ns)
            predicted_mm = fit.place_at((horizon_s + 10.0) * 1e9) / FINE
            worst_mm = max(worst_mm, float(abs(place_mm(horizon_s) - predicted_mm)))
    return worst_mm
