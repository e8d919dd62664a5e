"""The simulated line made from a line and a scenario: everything true, and the device that it is wired to."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterator

from controller.model import Call
from controller.plain import PlainSide
from controller.spec import LineSpec, Pacing, Station
from sim.belt import Belt, Hunting, Ramp, Segment, Slip, Steady
from sim.detector import EyeSpec
from sim.device import Device
from sim.device_spec import DeviceSpec
from sim.encoder import Encoder
from sim.marker import MarkerSpec, MarkTruth
from sim.plain import PlainDevice, PlainDeviceSpec, PlainLine
from sim.products import Flow, Product, Vary, Web, products
from sim.scenario import (
    BeltSection,
    EventSection,
    MomentSection,
    ProductsSection,
    Scenario,
    SegmentSection,
    TrueEncoderSection,
    TrueMarkerSection,
)
from sim.script import Happening, Kind


def ns(seconds: float) -> int:
    """Whole nanoseconds of a time in s."""
    return round(seconds * 1e9)


def build_device(
    spec: LineSpec, scenario: Scenario, seed: int | None = None, *,
    on_product: Callable[[Product], None] | None = None, on_mark: Callable[[MarkTruth], None] | None = None,
) -> Device:  # fmt: skip
    """Make the device with its world. `seed` None is the scenario's own. Raises ValueError in one line.

    `on_product` is called as a leading edge first comes to the eye, `on_mark` as a mark really begins.
    """
    seed = scenario.seed if seed is None else seed
    belt, encoder, supply, eye, happenings = _wired_to(spec, scenario, seed)
    chance = random.Random(f"{seed}/io")
    interlocks = sum(1 << bit for bit in spec.interlocks)
    device = DeviceSpec(
        boot_id=chance.randint(1, 0xFFFF), interlocks=interlocks, lease_limit_ns=ns(scenario.io.lease_limit),
        rules_off=frozenset(scenario.rules_off), sample_us=chance.getrandbits(32),
        restart_raw=scenario.io.restart_count,
    )  # fmt: skip
    return Device(
        device, belt, encoder, supply, true_markers(spec, scenario), eye=eye, happenings=happenings,
        on_product=on_product or _ignore, on_mark=on_mark or _ignore,
    )  # fmt: skip


def build_plain_device(
    spec: LineSpec, scenario: Scenario, seed: int | None = None, *,
    on_product: Callable[[Product], None] | None = None, on_mark: Callable[[MarkTruth], None] | None = None,
    on_output: Callable[[int, str, bool], None] | None = None,
) -> PlainDevice:  # fmt: skip
    """Make a plain device with its world, with the watchdog and the scan that the line says it has.

    `on_output` is called as an output really changes. Raises ValueError in one line.
    """
    plain = spec.plain
    if plain is None:
        raise ValueError("the line's I/O side is no plain device")
    belt, encoder, supply, eye, happenings = _wired_to(spec, scenario, scenario.seed if seed is None else seed)
    device = PlainDeviceSpec(
        interlocks=sum(1 << bit for bit in spec.interlocks),
        io_scan_ns=ns(plain.io_scan_s),
        watchdog_ns=None if plain.watchdog_s is None or scenario.io.no_watchdog else ns(plain.watchdog_s),
        one_shot_ns=ns(min(s.width_s for s in plain.stations)) if plain.one_shot else None,
        has_enable=plain.has_enable,
        restart_raw=scenario.io.restart_count,
    )
    return PlainDevice(
        device, belt, encoder, supply, true_markers(spec, scenario), eye=eye, happenings=happenings,
        on_product=on_product or _ignore, on_mark=on_mark or _ignore, on_output=on_output or _ignore,
    )  # fmt: skip


def build_side(
    spec: LineSpec, scenario: Scenario, seed: int | None = None, *,
    on_product: Callable[[Product], None] | None = None, on_mark: Callable[[MarkTruth], None] | None = None,
) -> Device | PlainLine:  # fmt: skip
    """Make what a controller exchanges with: the field block's I/O side, or a plain device with its rules played."""
    if spec.plain is None:
        return build_device(spec, scenario, seed, on_product=on_product, on_mark=on_mark)
    device = build_plain_device(spec, scenario, seed, on_product=on_product, on_mark=on_mark)
    boot_id = random.Random(f"{scenario.seed if seed is None else seed}/side").randint(1, 0xFFFF)
    return PlainLine(device, PlainSide(spec, boot_id))


def _wired_to(
    spec: LineSpec, scenario: Scenario, seed: int
) -> tuple[Belt, Encoder, Iterator[Product], EyeSpec, list[Happening]]:
    """Make what any device is wired to, and what happens to it."""
    belt = build_belt(scenario.belt)
    true = scenario.encoder
    slip = Slip(true.slip_starting, true.slip_stopping)
    wheel = build_belt(scenario.belt, slip) if slip.greatest else belt
    sense = {"counts up": 1, "counts down": -1, None: spec.counter.sense}[true.forward]
    encoder = Encoder(
        wheel, spec.scale_mm * true.circumference_factor, slip=true.slip, start=true.start_count,
        modulus=spec.counter.modulus, sense=sense, uneven=true.uneven, turn_mm=true.turn or math.inf,
    )  # fmt: skip
    supply = products([_flow(s) for s in scenario.products], random.Random(f"{seed}/products"))
    eye = scenario.detector
    response_s = spec.detector.response_s if eye.response is None else eye.response
    seeing = EyeSpec(ns(response_s), eye.bounces, eye.bounce_within, ns(eye.bounce_time))
    return belt, encoder, supply, seeing, [_happening(spec, e) for e in scenario.events]


def _ignore(*_: object) -> None:
    return None


def build_belt(section: BeltSection, slip: Slip | None = None) -> Belt:
    """Make the belt, or with `slip` as a slipping wheel goes over it. Raises ValueError for a profile without sense."""
    segments: list[Segment] = []
    speed_mm_s = 0.0
    for number, written in enumerate(section.segments, start=1):
        segment = _segment(written, speed_mm_s, number)
        segments.append(segment)
        match segment:
            case Steady(speed_mm_s=steady):
                speed_mm_s = steady
            case Ramp(to_mm_s=to):
                speed_mm_s = to
            case Hunting(mean_mm_s=mean):
                speed_mm_s = mean  # an acceleration after hunting is reckoned from its mean
    return Belt(segments, repeat=section.repeat, start_ns=0 if section.starts == "at once" else None, slip=slip)


def _segment(written: SegmentSection, before_mm_s: float, number: int) -> Segment:
    speed = written.speed or 0.0
    duration_s = written.duration
    if written.distance is not None:
        duration_s = written.distance / speed
    if written.kind == "ramp":
        to = written.to or 0.0
        if written.acceleration is not None:
            duration_s = abs(to - before_mm_s) / written.acceleration
        if not duration_s:
            raise ValueError(f"belt.segments#{number}: a ramp to the speed that the belt has already; remove it")
        return Ramp(to, ns(duration_s))
    if written.kind == "hunting":
        return Hunting(speed, written.amplitude or 0.0, 1.0 / (written.period or 1.0), ns(duration_s or 0.0))
    if written.kind == "back_up":
        speed = -speed
    return Steady(speed, None if duration_s is None else ns(duration_s))


def _flow(section: ProductsSection) -> Flow | Web:
    if section.kind == "web":
        return Web(section.first or 0.0)
    space_mm = section.gap if section.pitch is None else section.pitch
    return Flow(
        Vary(section.length, section.length_spread, section.length_varies),
        Vary(space_mm or 0.0, section.spread, section.varies),
        section.spacing, section.first, section.count, section.until, section.missing, section.touching,
    )  # fmt: skip


def true_markers(spec: LineSpec, scenario: Scenario) -> list[MarkerSpec]:
    """Give the markers as they really are, in the order of the stations."""
    made: list[MarkerSpec] = []
    for station in spec.stations:
        written = next((m for m in scenario.markers if m.station in (None, station.name)), None)
        true = TrueMarkerSection() if written is None else written
        distance_mm = station.distance_mm if true.distance is None else true.distance
        response_s = station.response_s if true.response is None else true.response
        mark_s = station.mark_time_s if true.mark_time is None else true.mark_time
        rearm_s = station.rearm_s if true.rearm is None else true.rearm
        times_ns = ns(response_s), ns(mark_s), ns(rearm_s)
        length_mm = _true_length_mm(station, true, scenario.encoder)
        window_mm = station.mark_window_mm if true.mark_window is None else true.mark_window
        busy_marks = true.busy == "while marking"
        made.append(MarkerSpec(distance_mm, *times_ns, true.depth, length_mm, window_mm, busy_marks))
    return made


def _true_length_mm(station: Station, true: TrueMarkerSection, encoder: TrueEncoderSection) -> float | None:
    """Give the real length of one mark where travel paces it; None where a time does."""
    if true.pacing is Pacing.OWN_TIME_BASE:
        return None
    if true.pacing is Pacing.OWN_ENCODER:
        return station.plan.length_mm * true.own_scale
    return station.plan.length_mm * encoder.circumference_factor / (1.0 - encoder.slip)


def _happening(spec: LineSpec, event: EventSection) -> Happening:
    number = 0
    if event.kind in (Kind.INTERLOCK_OPEN, Kind.INTERLOCK_CLOSE):
        number = next(bit for bit, name in spec.interlocks.items() if event.interlock in (None, name))
    elif event.kind is Kind.JOB_LOADED:
        number = event.job or 0
    elif event.station is not None:
        number = next(n for n, s in enumerate(spec.stations) if s.name == event.station)
    at_ns = None if event.at is None else ns(event.at)
    duration_ns = None if event.duration is None else ns(event.duration)
    return Happening(event.kind, at_ns, event.at_travel, duration_ns, number, event.on)


def scheduled_calls(scenario: Scenario, belt: Belt) -> list[tuple[int, Call]]:
    """Give the scenario's calls with their times of the clock, in order; the belt's profile must have begun.

    Those at a travel that the belt never reaches are left out. Raises ValueError before the profile has begun.
    """
    zero_ns = belt.zero_ns
    if zero_ns is None:
        raise ValueError("the belt's profile has not begun")
    made: list[tuple[int, Call]] = []
    for call in scenario.calls:
        t_ns = _moment_ns(call, belt, zero_ns)
        if t_ns is not None:
            made.append((t_ns, Call(call.verb, "bench", argument=call.argument)))
    return sorted(made, key=lambda item: item[0])


def _moment_ns(moment: MomentSection, belt: Belt, zero_ns: int) -> int | None:
    if moment.at is not None:
        return zero_ns + ns(moment.at)
    return belt.next_reach_ns(moment.at_travel or 0.0, zero_ns, 1)
