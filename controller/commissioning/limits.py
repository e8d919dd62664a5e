"""How fast a line may run: the speed that each thing on it allows, the least of them, and what is in hand.

Rules of this file: pure. The line's own `top_speed` is a setting and no limit; each limit is worked out as if the
line's top speed were the limit itself, with the arithmetic of `controller.needs`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from controller.lead import lead_mm
from controller.needs import (
    LEAD_SHARE,
    LinkNeeds,
    feasible,
    known_after_mm,
    least_window_mm,
    ordering_s,
    product_spacing_mm,
)
from controller.registers import RING_SIZE
from controller.spec import LineSpec, Station
from controller.units import Display


@dataclass(frozen=True, slots=True)
class Limit:
    """The speed in mm/s up to which one thing serves, and why in a line. `station` is empty for the whole line."""

    name: str
    speed_mm_s: float
    why: str
    station: str = ""


@dataclass(frozen=True, slots=True)
class Unknown:
    """A limit that cannot be told: why, and what it needs."""

    what: str
    why: str
    needs: str


@dataclass(frozen=True, slots=True)
class Limits:
    """All limits of a line, the least first, and those that cannot be told."""

    limits: tuple[Limit, ...]
    unknown: tuple[Unknown, ...]

    @property
    def least(self) -> Limit | None:
        """What limits the line; None where nothing that is known does."""
        return self.limits[0] if self.limits else None


def limits(spec: LineSpec, display: Display, pitch_mm: float | None = None) -> Limits:
    """Work out what limits the line's speed; words are in the units of `display`.

    `pitch_mm` is from one product's leading edge to the next at the closest; None: as close as the filters let them.
    """
    product_mm = product_spacing_mm(spec.detector) if pitch_mm is None else pitch_mm
    line = _Line(spec, feasible(spec), product_mm, pitch_mm is not None, display)
    found: list[Limit] = []
    unknown: list[Unknown] = []
    for each in (*(x for station in spec.stations for x in line.of_station(station)), *line.of_link(), *line.of_eye()):
        if isinstance(each, Limit):
            found.append(each)
        else:
            unknown.append(each)
    return Limits(tuple(sorted(found, key=lambda limit: limit.speed_mm_s)), tuple(unknown))


def mark_spacing_mm(station: Station, product_mm: float | None, given: bool) -> float | None:
    """The closest that two marks of a station follow each other, in mm, with products `product_mm` apart.

    `given`: that is the products' real pitch, no mere bound, so that the last mark of one and the first of the next
    can be nearer than the marks of one. None: nothing says so.
    """
    plan = station.plan
    if (plan.count is None or plan.count > 1) and plan.pitch_mm > 0:
        if plan.count is None or product_mm is None or not given:
            return plan.pitch_mm
        between = product_mm - (plan.count - 1) * plan.pitch_mm
        return plan.pitch_mm if between <= 0.0 else min(plan.pitch_mm, between)
    return product_mm


@dataclass(frozen=True, slots=True)
class _Line:
    spec: LineSpec
    needs: LinkNeeds
    product_mm: float | None
    given: bool
    show: Display

    def of_station(self, station: Station) -> Iterator[Limit | Unknown]:
        name = station.name if len(self.spec.stations) > 1 else ""
        yield from self._pitch(station, name)
        yield from self._window(station, name)
        if station.max_speed_mm_s is not None:
            yield Limit("max_speed", station.max_speed_mm_s, "stations.max_speed, as the line file states it", name)
        yield from self._lead(station, name)
        plain = self.spec.plain
        if plain is not None:
            at_top_mm, show = least_window_mm(self.spec, plain), self.show
            speed = self.spec.top_speed_mm_s * station.window_mm / at_top_mm
            why = f"a release in the nearest scan comes within the window of {show.length(station.window_mm)}"
            yield Limit("release_window", speed, why, name)

    def _pitch(self, station: Station, name: str) -> Iterator[Limit | Unknown]:
        spacing, show = mark_spacing_mm(station, self.product_mm, self.given), self.show
        service_s = station.mark_time_s + station.rearm_s
        if spacing is not None and service_s > 0.0:
            closest = "apart" if self.given else "apart at the closest that the line's filters allow"
            yield Limit(
                "pitch", spacing / service_s,
                f"marks {show.length(spacing)} {closest}, {show.time(station.mark_time_s)} mark time + "
                f"{show.time(station.rearm_s)} rearm", name,
            )  # fmt: skip
        elif spacing is None:
            yield Unknown("pitch", "nothing says how close marks come", "--pitch, or detector.least_length")
        else:
            yield Unknown("pitch", "how long the marker takes is not known", "stations.mark_time and stations.rearm")

    def _window(self, station: Station, name: str) -> Iterator[Limit | Unknown]:
        speed, window_mm, show = station.window_speed_mm_s, station.mark_window_mm, self.show
        if speed is not None and window_mm is not None:
            why = (
                f"a mark takes {show.time(station.mark_time_s)} and must be finished within {show.length(window_mm)} "
                "of belt; faster, it is cut off"
            )
            yield Limit("window", speed, why, name)
        else:
            needs = "stations.mark_window" + ("" if station.mark_time_s > 0.0 else " and stations.mark_time")
            yield Unknown("window", "how much belt may pass while one mark is made is not known", needs)

    def _lead(self, station: Station, name: str) -> Iterator[Limit | Unknown]:
        known_mm = known_after_mm(self.spec.detector, station.plan)
        if known_mm is None:
            yield Unknown("lead", "how long a product is at the most is not known", "detector.jam_length")
            return
        needed_s = ordering_s(self.spec, station, self.needs.lead_s)
        left_mm = station.distance_mm - known_mm - lead_mm(0.0, self.spec.max_accel_mm_s2, needed_s)
        why = f"a mark is ordered {self.show.time(needed_s)} ahead, on the way from the eye to the marker"
        yield Limit("lead", max(0.0, left_mm / needed_s), why, name)

    def of_link(self) -> Iterator[Limit | Unknown]:
        spec, needs, show, gap_s = self.spec, self.needs, self.show, self.needs.sample_gap_s
        spacings = [mark_spacing_mm(station, self.product_mm, self.given) for station in spec.stations]
        known = [spacing for spacing in spacings if spacing is not None]
        looks = f"between two looks ({show.time(gap_s)})"
        if known:
            why = f"the link carries {needs.orders_per_s:.4g} orders a second"
            yield Limit("orders", needs.orders_per_s / sum(1.0 / spacing for spacing in known), why)
            why = f"the ring holds {RING_SIZE} releases {looks}"
            yield Limit("releases", _most_releases(known, gap_s), why)
        if spec.detector.captured and self.product_mm is not None:
            # Two edges a product: floor(belt ÷ spacing) + 1 products fit into a piece of belt.
            why = f"the ring holds {RING_SIZE} captured edges {looks}, two a product"
            yield Limit("captures", self.product_mm * (RING_SIZE // 2) / gap_s, why)
        lead_s = needs.lead_s
        share_mm = spec.counter.modulus / LEAD_SHARE * spec.scale_mm - lead_mm(0.0, spec.max_accel_mm_s2, lead_s)
        half_mm = spec.counter.modulus / 2 * spec.scale_mm
        why = f"the counter has {spec.counter.modulus} values"
        yield Limit("counter_range", max(0.0, min(share_mm / lead_s, half_mm / gap_s)), why)
        rate = spec.counter.greatest_counts_s
        if rate is None:
            why = "what the counter input takes is not known"
            yield Unknown("counter_frequency", why, "encoder.greatest_frequency")
        else:
            yield Limit("counter_frequency", rate * spec.scale_mm, f"the counter takes {rate:.6g} counts a second")

    def of_eye(self) -> Iterator[Limit | Unknown]:
        """What the filters let pass must be seen: an eye's output that takes its time shows nothing shorter."""
        detector, show = self.spec.detector, self.show
        blind_s = detector.response_s if detector.captured else self.needs.sample_gap_s
        how = "the eye's response" if detector.captured else "between two looks"
        if blind_s <= 0.0:
            return
        for name, what, least_mm in (("detector_length", "product", detector.least_length_mm),
                                     ("detector_gap", "gap", detector.least_gap_mm)):  # fmt: skip
            if least_mm > 0.0:
                why = f"a {what} of {show.length(least_mm)} must be longer than {show.time(blind_s)} ({how})"
                yield Limit(name, least_mm / blind_s, why)


def _most_releases(spacings_mm: Sequence[float], gap_s: float) -> float:
    """Up to which speed no more releases than the ring holds come within the gap: floor(v·gap ÷ spacing) + 1 each."""
    steps = sorted(k * spacing / gap_s for spacing in spacings_mm for k in range(1, RING_SIZE + 1))
    for speed in steps:
        # At a step itself one more fits in; the tolerance is for the division only.
        if sum(math.floor(speed * gap_s / spacing * (1.0 + 1e-12)) + 1 for spacing in spacings_mm) > RING_SIZE:
            return speed
    return steps[-1]


def erlang_b(load: float, servers: int) -> float:
    """The share of random arrivals that find all servers busy, by Erlang; `load` is arrivals × mean service time."""
    if load < 0.0 or servers < 0:
        raise ValueError("load and servers are 0 or more")
    blocked = 1.0
    for n in range(1, servers + 1):
        blocked = load * blocked / (n + load * blocked)
    return blocked


def missed_regular(apart_s: float, service_s: float) -> float:
    """The share of marks exactly `apart_s` apart that find a marker busy which takes `service_s` for each."""
    if not apart_s > 0.0:
        raise ValueError("marks are more than 0 s apart")
    # Each mark that is made keeps the marker busy for the next ceil(service ÷ apart) − 1; a tie is just in time.
    each = max(1, math.ceil(service_s / apart_s * (1.0 - 1e-12)))
    return 1.0 - 1.0 / each


@dataclass(frozen=True, slots=True)
class Busy:
    """The share of a station's marks that would find it busy at a speed, for regular and for random arrivals.

    Real lines lie between the two.
    """

    station: str
    apart_s: float
    service_s: float
    regular: float
    random: float


def busy(spec: LineSpec, speed_mm_s: float, pitch_mm: float | None = None) -> list[Busy]:
    """What busy misses to expect of each station at a speed; nothing of one whose figures are not known."""
    product_mm = product_spacing_mm(spec.detector) if pitch_mm is None else pitch_mm
    found = []
    for station in spec.stations:
        spacing = mark_spacing_mm(station, product_mm, pitch_mm is not None)
        service_s = station.mark_time_s + station.rearm_s
        if spacing is None or service_s <= 0.0:
            continue
        apart_s = spacing / speed_mm_s
        missed = missed_regular(apart_s, service_s)
        found.append(Busy(station.name, apart_s, service_s, missed, erlang_b(service_s / apart_s, 1)))
    return found


def cut_off_text(station: Station, speed_mm_s: float, show: Display) -> str:
    """What a mark that is cut off at high speed only means at this station, in words."""
    limit = station.window_speed_mm_s
    if limit is None or station.mark_window_mm is None:
        return (
            "a mark that is cut off at high speed only: the marker is too slow for its window; set mark_window (and "
            "mark_time) of the station to see up to which speed it is not"
        )
    moved = show.length(speed_mm_s * station.mark_time_s, 4)
    at = f"at {show.speed(speed_mm_s)} the belt moves {moved} while a mark is made"
    window = f"the window is {show.length(station.mark_window_mm)}"
    if speed_mm_s <= limit:
        return f"{at}, {window}: no mark is cut off up to {show.speed(limit)}"
    return (
        f"{at}, {window}: the marker is too slow for the window, and marks are cut off above {show.speed(limit)} only. "
        "Distance and delay are not the cause: run slower, shorten the mark or its mark time, or widen the window"
    )
