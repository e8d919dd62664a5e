"""The placement error to expect, for each path at each speed: before anyone marks a product.

Rules of this file: pure, with a chance of its own from a fixed seed. Each path's error is a sum of named terms, drawn
at random and added (JCGM 101), never combined as if all were normal; positive is late, towards the trailing edge. The
belt runs evenly or changes its speed evenly; a change that begins at the worst moment is in `worst_mm` only. Not in it:
scale and wheel, slip, a distance that was measured wrong, delays that nobody configured.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from controller.fit import BOUNDS, DELAYS, SAMPLES
from controller.lead import lead_time_s, scan_s
from controller.link_figures import Array, LinkFigures
from controller.looks import Looks, accel_error_mm, act_share, draw_looks, fitted, reckoned_speeds
from controller.spec import LineSpec, PlanEdge, ReleasePath, Station
from controller.timed import MARGIN_S

Mask = NDArray[np.bool_]

HISTORIES = 2000
"""Histories put through the real fit and the real speed."""
DRAWS = 40_000
"""Marks drawn for each figure: its 95 % value is then good to about a hundredth."""
SEED = 20
OF_LATE = 1 / 384
"""An order is placed by the worst exchange of the last few hundred: what this share of all exceeds."""
PITCHES = 1000
"""So many marks of a row are looked at for what rounding does to each."""
LADDER = (0.125, 0.25, 0.5, 0.75, 1.0)
"""Shares of the top speed that are looked at unless speeds are given."""


@dataclass(frozen=True, slots=True)
class Path:
    """One way from edge to mark: how the release is made and how the edge is known. `used`: as the line has it."""

    station: int
    release: ReleasePath
    captured: bool
    used: bool

    @property
    def detector(self) -> str:
        """How the edge is known, in a word."""
        return "captured" if self.captured else "sampled"


@dataclass(frozen=True, slots=True)
class Term:
    """One part of the error: 95 % of it lie within ± `half_width_mm` of its mean, all seen within `worst_mm` of 0."""

    name: str
    mean_mm: float
    half_width_mm: float
    worst_mm: float


@dataclass(frozen=True, slots=True)
class Promise:
    """The error of one path at one speed, in mm: 95 % of the marks lie within bias ± half width.

    `worst_mm` adds the worst of every term. `missed_share` of the marks come outside the permitted window and are not
    made; what is promised is said of the others.
    """

    station: str
    path: str
    detector: str
    used: bool
    speed_mm_s: float
    bias_mm: float
    half_width_95_mm: float
    worst_mm: float
    missed_share: float
    terms: tuple[Term, ...]


def paths(spec: LineSpec, *, captures: bool, samples: bool) -> list[Path]:
    """The paths that the line's points allow, station by station.

    `captures`: edges are captured; `samples`: the detector's state can be read.
    """
    releases = [ReleasePath.SCAN] if spec.plain is not None else [ReleasePath.COMPARE, ReleasePath.TIMED]
    kinds = [kind for kind, there in ((True, captures), (False, samples)) if there]
    return [
        Path(n, release, kind, station.release is release and spec.detector.captured is kind)
        for n, station in enumerate(spec.stations)
        for release in releases
        for kind in kinds
    ]


def ladder_mm_s(spec: LineSpec) -> list[float]:
    """The speeds to promise at unless others are asked for, in mm/s."""
    return [share * spec.top_speed_mm_s for share in LADDER]


def promise(
    spec: LineSpec,
    figures: LinkFigures,
    ways: Sequence[Path],
    speeds_mm_s: Sequence[float],
    spacing_mm: float | None = None,
) -> list[Promise]:
    """Work out the error of each path at each speed (mm/s, more than 0).

    `spacing_mm` is how far apart marks come on average; None: so far that no edge falls into the wait for another's
    mark.
    """
    promised = []
    for speed_mm_s in speeds_mm_s:
        drawn = _Drawn(spec, figures, speed_mm_s, spacing_mm)
        promised += [drawn.promise(way) for way in ways]
    return sorted(promised, key=lambda p: [s.name for s in spec.stations].index(p.station))


def drawn_terms(
    spec: LineSpec, figures: LinkFigures, way: Path, speed_mm_s: float, spacing_mm: float | None = None
) -> tuple[Promise, dict[str, Array]]:
    """The promise of one path at one speed, and the marks it is drawn from: each term's part of each mark, in mm.

    Marks outside the permitted window are left out.
    """
    drawn = _Drawn(spec, figures, speed_mm_s, spacing_mm)
    terms, permitted = drawn.terms(way)
    made = _made(permitted)
    parts = {name: values[made] * spec.scale_mm for name, values in terms}
    return drawn.summed(way, terms, permitted), parts


def _made(permitted: Mask) -> Mask:
    """The marks to say something of: those that are permitted; all, where none is."""
    return permitted if permitted.any() else ~permitted


class _Drawn:
    """Histories at one speed, and the errors that come of them. Errors here are counts of travel, positive = late."""

    def __init__(
        self, spec: LineSpec, figures: LinkFigures, speed_mm_s: float, spacing_mm: float | None
    ) -> None:  # fmt: skip
        self.orders_s = 0.0 if spacing_mm is None else speed_mm_s / spacing_mm
        """Marks a second."""
        self.spec, self.figures, self.speed_mm_s = spec, figures, speed_mm_s
        self.speed = speed_mm_s / spec.scale_mm
        self.chance = np.random.default_rng(SEED)
        self.looks: Looks = draw_looks(spec, figures, self.chance, HISTORIES)
        self.phases = self.chance.random(HISTORIES)
        self.rows = self.chance.integers(0, HISTORIES, DRAWS)
        responses = spec.detector.response_s, *(s.response_s for s in spec.stations)
        self.speeds_off = np.zeros(HISTORIES), np.zeros(HISTORIES)
        if any(responses):
            self.speeds_off = reckoned_speeds(spec, self.looks, self.speed, self.phases)

    def promise(self, way: Path) -> Promise:
        """Put the terms of one path together."""
        return self.summed(way, *self.terms(way))

    def terms(self, way: Path) -> tuple[list[tuple[str, Array]], Mask]:
        """Draw the terms of one path, and which of the marks come within the permitted window."""
        station = self.spec.stations[way.station]
        edge = self._edge(way)
        if way.release is ReleasePath.COMPARE:
            terms, permitted = list(self._compare(station, edge, way.captured)), np.ones(DRAWS, np.bool_)
        else:
            terms = [("edge within its count" if way.captured else "edge between two looks", edge)]
            sends = list(self._sent(way))
            reach = station.window_mm / self.spec.scale_mm + 1.0
            held = sum((values for _, values in sends), np.zeros(DRAWS)) - self._read_before()
            permitted = np.abs(held) <= reach
            terms += sends
            response = self._edge_response()
            terms += [("detector's response at the speed reckoned", response)] if response.any() else []
        return terms, permitted

    def summed(self, way: Path, terms: Sequence[tuple[str, Array]], permitted: Mask) -> Promise:
        """Add the terms of one path up, mark by mark."""
        station, scale = self.spec.stations[way.station], self.spec.scale_mm
        total = sum((values for _, values in terms), np.zeros(DRAWS))[_made(permitted)] * scale
        bias = float(total.mean())
        parts = [self._term(name, values * scale) for name, values in terms]
        accel = self._accel_mm(way, station)
        parts += [Term("speed begins to change at the worst moment (worst only)", 0.0, 0.0, accel)] if accel else []
        worst = sum(part.worst_mm for part in parts)
        if way.release is not ReleasePath.COMPARE:
            # What comes outside the window is not marked.
            worst = min(worst, parts[0].worst_mm + station.window_mm + scale)
        return Promise(
            station=station.name,
            path=str(way.release),
            detector=way.detector,
            used=way.used,
            speed_mm_s=self.speed_mm_s,
            bias_mm=bias,
            half_width_95_mm=float(np.quantile(np.abs(total - bias), 0.95)),
            worst_mm=max(worst, float(np.abs(total).max())),
            missed_share=1.0 - float(permitted.mean()),
            terms=tuple(parts),
        )

    @staticmethod
    def _term(name: str, values_mm: Array) -> Term:
        mean = float(values_mm.mean())
        half = float(np.quantile(np.abs(values_mm - mean), 0.95))
        return Term(name, mean, half, float(np.abs(values_mm).max()))

    def _read_before(self) -> float:
        """How much belt passes between the count that the window is held against and the act, in counts."""
        plain = self.spec.plain
        if plain is None:
            return 0.0
        return self.speed * (self.figures.exchange.at(0.5) / plain.requests + plain.io_scan_s)

    # The edge.

    def _edge(self, way: Path) -> Array:
        """How far beyond the edge its place is put: the middle of its count, or of the belt between two looks."""
        if way.captured:
            return 0.5 - self.chance.random(DRAWS)
        looks, last = self.looks, self.looks.deciding
        apart = np.abs(looks.seen[:, last] - looks.seen[:, last - 1])
        # An edge falls between two looks the more often, the further they are apart.
        rows = self.chance.choice(HISTORIES, DRAWS, p=apart / apart.sum())
        acts = looks.got[:, last]
        _, middles_off = fitted(self.spec, looks, self.speed, self.phases, acts)
        middles_off = np.where(np.isnan(middles_off), 0.0, middles_off)
        between = apart[rows]
        if way.release is ReleasePath.TIMED:
            # While an order waits for its instant nobody looks: some edges fall into such a wait.
            waits = looks.got[:, last] - looks.seen[:, last] + np.maximum(0.0, self._left()) + self._reckoned_s()
            waiting = min(0.9, self.orders_s * float(waits.mean()))
            longer = waits[self.chance.choice(HISTORIES, DRAWS, p=waits / waits.sum())]
            between = np.where(self.chance.random(DRAWS) < waiting, longer, between)
        return middles_off[rows] + self.speed * between * (self.chance.random(DRAWS) - 0.5)

    def _edge_response(self) -> Array:
        """The belt that passes during the detector's response is taken off at the speed reckoned: error of that."""
        now = self.speeds_off[0][self.chance.integers(0, HISTORIES, DRAWS)]
        return -now * self.spec.detector.response_s

    # Compare.

    def _compare(self, station: Station, edge: Array, captured: bool) -> Iterator[tuple[str, Array]]:
        """A target in whole counts: the edge's place, the responses' speeds, and what rounding adds."""
        spec = self.spec
        yield ("edge within its count" if captured else "edge between two looks"), edge
        response = self._edge_response()
        later = self.speeds_off[1][self.chance.integers(0, HISTORIES, DRAWS)] * station.response_s
        if response.any():
            yield "detector's response at the speed reckoned", response
        if later.any():
            yield "marker's response at the speed predicted", -later
        # Where the edge really is within its count decides how the due place is rounded.
        # The edge is captured as the count then standing; the middle of that count less the response is its place.
        at_count = 0.5 - edge - self.speed * spec.detector.response_s
        true = at_count if captured else self.chance.random(DRAWS)
        ahead = self._ahead_counts(station)
        due = true + edge + response + ahead - self.speed * station.response_s - later
        yield "rounding to a whole count", np.rint(due) - due

    def _ahead_counts(self, station: Station) -> Array:
        """From the edge to the mark, in counts, for marks of the row drawn evenly."""
        plan, scale = station.plan, self.spec.scale_mm
        forward = 1.0 if plan.edge is PlanEdge.LEADING else -1.0
        marks = PITCHES if plan.count is None else min(plan.count, PITCHES)
        number = self.chance.integers(0, marks, DRAWS) if plan.pitch_mm else np.zeros(DRAWS)
        return np.asarray(
            (station.distance_mm + forward * (plan.offset_mm + number * plan.pitch_mm)) / scale, np.float64
        )

    # Release in time.

    def _sent(self, way: Path) -> Iterator[tuple[str, Array]]:
        """A release sent at an instant, or with the nearest scan: all that makes it come early or late."""
        figures, looks, last, speed = self.figures, self.looks, self.looks.deciding, self.speed
        reckoned = self._reckoned_s()
        if way.release is ReleasePath.SCAN:
            # At one exactly steady speed this is a constant within half a scan; no belt holds its speed that exactly.
            nominal = np.maximum(looks.got[:, last], looks.begun[:, last] + self.spec.period_s)
            usual = scan_s(self.spec.period_s, figures.exchange.at(0.5))
            apart = looks.begun[:, last + 1] - looks.begun[:, last]
            wanted = nominal + 0.5 * usual - apart * self.chance.random(HISTORIES)
            yield "the nearest scan", (speed * (looks.begun[:, last + 1] - wanted))[self.rows]
        else:
            left = self._left()
            wanted = looks.got[:, last] + left
            late = np.maximum(0.0, -left)[self.rows] + figures.send_late.draw(self.chance, DRAWS)
            yield "send lateness", speed * late
        dated_late, _ = fitted(self.spec, looks, speed, self.phases, wanted + reckoned)
        known = ~np.isnan(dated_late)
        rows = self.chance.choice(np.flatnonzero(known), DRAWS) if known.any() else self.rows
        yield "prediction by the fit", speed * (dated_late[rows] - self._shift_s)
        yield from self._way_out(reckoned)

    def _left(self) -> Array:
        """How long before its sending an order is placed, in s: by what the next scan may take at the worst of late."""
        looks, last = self.looks, self.looks.deciding
        worst_s = self.figures.exchange.at(1.0 - OF_LATE)
        by = scan_s(self.spec.period_s, worst_s) + worst_s + MARGIN_S
        left: Array = by - (looks.got[:, last + 1] - looks.got[:, last]) * self.chance.random(HISTORIES)
        return left

    @property
    def _shift_s(self) -> float:
        """By how much looks are dated too late on average; what is learnt of the delay makes up for it."""
        return 0.0 if self.looks.clocked else float((self.looks.dated - self.looks.seen).mean())

    def _reckoned_s(self) -> float:
        """The outbound delay that the line comes to reckon with, in s: learnt, or by a plain device's requests."""
        plain = self.spec.plain
        if plain is None:
            return float(np.median(self.figures.ways(self.chance, (DRAWS,))[0]))
        out, back = self.figures.ways(self.chance, (DRAWS,))
        return float(np.median(out + back)) * plain.act_share + 0.5 * plain.io_scan_s - self._shift_s

    def _way_out(self, reckoned: float) -> Iterator[tuple[str, Array]]:
        plain, speed, figures = self.spec.plain, self.speed, self.figures
        out, back = figures.ways(self.chance, (DRAWS,))
        if plain is not None:
            act = (out + back) * act_share(plain.requests) + plain.io_scan_s * self.chance.random(DRAWS)
            yield "way out and the device's own scan", speed * (act - reckoned)
            return
        if figures.release is not None:
            yield "way out, about what was learnt", speed * figures.release.draw(self.chance, DRAWS)
        else:
            yield "way out, about what is usual", speed * (out - reckoned)
            past, _ = figures.ways(self.chance, (HISTORIES, DELAYS))
            yield "delay learnt from few releases", -speed * (np.median(past, axis=1) - reckoned)[self.rows]
        if self.looks.clocked:
            ahead, behind = figures.ways(self.chance, (HISTORIES, BOUNDS))
            tie = 0.5 * (behind.min(axis=1) - ahead.min(axis=1))
            yield "the two clocks", speed * (tie - np.median(tie))[self.rows]

    # A change of speed that nobody could foresee.

    def _accel_mm(self, way: Path, station: Station) -> float:
        spec, worst_s = self.spec, self.figures.exchange.worst_s
        scan = scan_s(spec.period_s, worst_s)
        if way.release is ReleasePath.COMPARE:
            # The speed is known as it was in the middle of a row of looks, and for a release it is needed a lead ahead.
            ahead_s = lead_time_s(spec.period_s, max(worst_s, spec.exchange_s), spec.limits.least_lead_s)
            known_s = 0.5 * SAMPLES * scan
            lag_s = station.response_s * (ahead_s + known_s) + spec.detector.response_s * known_s
            return spec.max_accel_mm_s2 * lag_s
        spacing_s = scan_s(spec.period_s, self.figures.exchange.at(0.5))
        horizon_s = scan + 2.0 * worst_s + MARGIN_S
        return accel_error_mm(spec, self.speed_mm_s, spacing_s, horizon_s)
