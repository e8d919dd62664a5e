"""A bench scenario as it is written: the belt's speed, what lies on it, how true things are, and what goes wrong.

Whatever a scenario does not say is as the line configures it. Times of events and calls count from the zero of the
speed profile.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from controller.settings.base import SettingsError, Strict, load_toml, problem
from controller.settings.quantities import (
    DurationS,
    LengthMm,
    PositiveAccelMmS2,
    PositiveDurationS,
    PositiveLengthMm,
    PositiveSpeedMmS,
    SignedLengthMm,
    SpeedMmS,
)
from controller.spec import LineSpec, Pacing
from sim.device_spec import RULES
from sim.products import Spacing, Spread
from sim.script import Kind

Chance = Annotated[float, Field(ge=0.0, le=1.0)]
Lost = Annotated[float, Field(gt=-1.0, lt=1.0)]
"""A part of the belt's travel."""

SEGMENT_KEYS = {
    "constant": ({"speed"}, {"duration", "distance"}),
    "creep": ({"speed"}, {"duration", "distance"}),
    "back_up": ({"speed"}, {"duration", "distance"}),
    "stop": (set(), {"duration"}),
    "ramp": ({"to"}, {"duration", "acceleration"}),
    "hunting": ({"speed", "amplitude", "period"}, {"duration"}),
}
"""For each kind of segment the keys it must have, and those of which it must have one."""


class SegmentSection(Strict):
    """One stretch of the speed profile. Only the last may be without duration and distance: it never ends."""

    kind: Literal["constant", "ramp", "stop", "creep", "back_up", "hunting"]
    speed: PositiveSpeedMmS | None = Field(default=None, description="speed; for hunting its mean")
    to: SpeedMmS | None = Field(default=None, description="ramp: the speed at its end")
    amplitude: SpeedMmS | None = Field(default=None, description="hunting: how far the speed swings each way")
    period: PositiveDurationS | None = Field(default=None, description="hunting: time of one swing")
    duration: PositiveDurationS | None = None
    distance: PositiveLengthMm | None = Field(default=None, description="instead of the duration")
    acceleration: PositiveAccelMmS2 | None = Field(default=None, description="ramp: instead of the duration")

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        needed, choice = SEGMENT_KEYS[self.kind]
        given = {name for name in type(self).model_fields if name != "kind" and getattr(self, name) is not None}
        for name in sorted(needed - given):
            raise problem(name, f'is missing; kind = "{self.kind}" needs it')
        for name in sorted(given - needed - choice):
            raise problem(name, f'does not belong to kind = "{self.kind}"; remove it')
        if len(given & choice) > 1:
            raise problem(sorted(given & choice)[1], f"give {' or '.join(sorted(choice))}, one of the two")
        if not given & choice and self.kind in ("ramp", "hunting"):
            raise problem("duration", f'is missing; kind = "{self.kind}" needs it, e.g. duration = "10 s"')
        return self


class BeltSection(Strict):
    """The speed profile."""

    starts: Literal["at once", "with running"] = Field(
        default="at once", description="when the profile begins: with the bench, or when the line first runs"
    )
    repeat: bool = Field(default=False, description="begin the segments again when they have ended")
    segments: list[SegmentSection] = Field(min_length=1)

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        for number, segment in enumerate(self.segments, start=1):
            ends = segment.duration or segment.distance or segment.acceleration
            if not ends and (self.repeat or number < len(self.segments)):
                raise problem(f"segments#{number}.duration", "is missing; only the last segment may go on for ever")
        return self


class TrueEncoderSection(Strict):
    """How the wheel really is."""

    circumference_factor: float = Field(default=1.0, gt=0.5, lt=2.0, description="true ÷ configured circumference")
    slip: float = Field(default=0.0, ge=0.0, lt=1.0, description="part of the belt's travel that the wheel loses")
    slip_starting: Lost = Field(default=0.0, description="the same while a ramp gains speed; negative: it runs ahead")
    slip_stopping: Lost = Field(default=0.0, description="the same while a ramp loses speed")
    start_count: int = Field(default=0, ge=0, le=(1 << 32) - 1, description="the counter's value at the beginning")
    forward: Literal["counts up", "counts down"] | None = Field(
        default=None, description="what forward travel really does; default: as the line has it"
    )
    uneven: float = Field(
        default=0.0, ge=0.0, lt=0.5, description="by this part of it the belt for one count swings, once a turn"
    )
    turn: PositiveLengthMm | None = Field(default=None, description="belt for one turn of the wheel; for uneven")

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if bool(self.uneven) != (self.turn is not None):
            raise problem("turn", 'and uneven go together, e.g. uneven = 0.01, turn = "300 mm"')
        return self


class ProductsSection(Strict):
    """A stretch of the supply; several follow one another."""

    kind: Literal["products", "web"] = "products"
    length: LengthMm = 0.0
    length_spread: LengthMm = 0.0
    length_varies: Spread = Spread.FIXED
    pitch: PositiveLengthMm | None = Field(default=None, description="from leading edge to leading edge")
    gap: LengthMm | None = Field(default=None, description="or from trailing edge to the next leading edge")
    spread: LengthMm = Field(default=0.0, description="of the pitch or gap: half its width, or its sd if normal")
    varies: Spread = Spread.FIXED
    first: SignedLengthMm | None = Field(default=None, description="belt travel at the first leading edge")
    count: int | None = Field(default=None, ge=1)
    until: PositiveLengthMm | None = Field(default=None, description="belt travel at which this stretch ends")
    missing: Chance = 0.0
    touching: Chance = 0.0

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.kind == "web":
            extra = self.model_fields_set - {"kind", "first"}
            for name in sorted(extra):
                raise problem(name, 'does not belong to kind = "web"; remove it')
            return self
        if (self.pitch is None) == (self.gap is None):
            raise problem("pitch", 'give pitch or gap, one of the two, e.g. pitch = "150 mm"')
        if not self.length and self.gap == 0:
            raise problem("gap", "is 0 for products without length; write more than 0")
        for spread, varies in (("spread", self.varies), ("length_spread", self.length_varies)):
            if bool(getattr(self, spread)) != (varies in (Spread.UNIFORM, Spread.NORMAL)):
                raise problem(spread, f'and "{varies}" do not agree; a spread belongs to uniform and normal only')
        return self

    @property
    def spacing(self) -> Spacing:
        """Which of pitch and gap is given."""
        return Spacing.GAP if self.pitch is None else Spacing.PITCH


class TrueDetectorSection(Strict):
    """How the eye really is; the response is the line's where it is not given."""

    response: DurationS | None = None
    bounces: int = Field(default=0, ge=0, le=20, description="extra pulses at each edge")
    bounce_within: LengthMm = Field(default=0.0, description="the belt travel within which they come")
    bounce_time: DurationS = Field(default=0.0, description="or the time")

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if bool(self.bounces) != (bool(self.bounce_within) != bool(self.bounce_time)):
            raise problem("bounces", "needs bounce_within or bounce_time, one of the two, and they need it")
        return self


class TrueMarkerSection(Strict):
    """How a marker really is; what is not given is as the line has it."""

    station: str | None = Field(default=None, description="the station's name; needed where the line has several")
    distance: LengthMm | None = Field(default=None, description="true distance from the detector")
    response: DurationS | None = None
    mark_time: DurationS | None = None
    rearm: DurationS | None = None
    busy: Literal["from the trigger", "while marking"] = Field(
        default="from the trigger", description="when it says that it is busy: until it is ready again, or as it marks"
    )
    depth: int = Field(default=32, ge=1, le=10_000, description="how many targets the compare can hold")
    mark_window: PositiveLengthMm | None = Field(default=None, description="so much belt it reaches while it marks")
    pacing: Pacing = Field(
        default=Pacing.SHARED_COUNT, description="what it prints its mark's length by; a time base prints for mark_time"
    )
    own_scale: float = Field(
        default=1.0, gt=0.5, lt=2.0, description="own encoder: real ÷ designed length of its marks"
    )


class DelaySection(Strict):
    """How long the link delays what is sent, each way, at random between the two bounds, in order."""

    delay_min: DurationS = 0.0
    delay_max: DurationS = 0.0

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.delay_max < self.delay_min:
            raise problem("delay_max", "is shorter than delay_min; make it longer")
        return self


class IoSection(Strict):
    """The I/O side itself."""

    lease_limit: PositiveDurationS = Field(default=1.0, description="the longest lease it grants")
    no_watchdog: bool = Field(default=False, description="a plain device whose outputs do not drop by themselves")
    restart_count: int = Field(default=0, ge=0, le=(1 << 32) - 1, description="the counter's value after a restart")


class MomentSection(Strict):
    """Something at a time since the profile's zero, or as the belt comes to a travel."""

    at: DurationS | None = None
    at_travel: LengthMm | None = None

    @model_validator(mode="after")
    def _one_moment(self) -> Self:
        if (self.at is None) == (self.at_travel is None):
            raise problem("at", 'give at or at_travel, one of the two, e.g. at = "12 s"')
        return self


class EventSection(MomentSection):
    """Something that happens to the line or its I/O side; with a duration it ends by itself."""

    kind: Kind
    interlock: str | None = Field(default=None, description="interlock_open and _close: its name; default the first")
    station: str | None = Field(default=None, description="marker events: the station's name; default the first")
    job: int | None = Field(default=None, ge=0, le=65535, description="job_loaded: the number that the marker shows")
    duration: DurationS | None = None
    on: bool = Field(default=True, description="false: what was begun before ends")


class CallSection(MomentSection):
    """A command that the bench gives, as somebody at the panel would."""

    verb: str = Field(min_length=1)
    argument: str = ""


class Scenario(Strict):
    """A scenario file."""

    name: str = Field(min_length=1)
    seed: int = 1
    duration: PositiveDurationS = Field(default=60.0, description="how long the bench runs unless it is told")
    belt: BeltSection
    encoder: TrueEncoderSection = TrueEncoderSection()
    products: list[ProductsSection] = Field(min_length=1)
    detector: TrueDetectorSection = TrueDetectorSection()
    markers: list[TrueMarkerSection] = Field(default_factory=list)
    link: DelaySection = DelaySection()
    io: IoSection = IoSection()
    events: list[EventSection] = Field(default_factory=list)
    calls: list[CallSection] = Field(default_factory=list)
    rules_off: list[int] = Field(default_factory=list, description="rules of the field block that the I/O side breaks")

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        for number, rule in enumerate(self.rules_off, start=1):
            if rule not in RULES:
                known = ", ".join(map(str, sorted(RULES)))
                raise problem(f"rules_off#{number}", f"{rule} cannot be switched off; choose of {known}")
        return self


def load_scenario(path: Path | str, spec: LineSpec) -> Scenario:
    """Read a scenario and check its names against the line. Raises SettingsError."""
    scenario = load_toml(path, Scenario)
    found = list(_name_problems(scenario, spec))
    if found:
        raise SettingsError(path, found)
    return scenario


def _name_problems(scenario: Scenario, spec: LineSpec) -> Iterator[tuple[str, str]]:
    stations, interlocks = [s.name for s in spec.stations], list(spec.interlocks.values())
    seen: list[str | None] = []
    for number, marker in enumerate(scenario.markers, start=1):
        where = f"markers#{number}.station"
        if marker.station is None and len(stations) > 1:
            yield where, f'is missing; the line has several stations: write e.g. station = "{stations[0]}"'
        elif marker.station is not None and marker.station not in stations:
            yield where, _unknown("station", marker.station, stations)
        elif marker.station in seen or (seen and len(stations) == 1):
            yield where, "is described twice; keep one"
        seen.append(marker.station)
    for number, event in enumerate(scenario.events, start=1):
        where = f"events#{number}"
        if event.station is not None and event.station not in stations:
            yield f"{where}.station", _unknown("station", event.station, stations)
        if event.interlock is not None and event.interlock not in interlocks:
            yield f"{where}.interlock", _unknown("interlock", event.interlock, interlocks)
        if event.kind in (Kind.INTERLOCK_OPEN, Kind.INTERLOCK_CLOSE) and not interlocks:
            yield f"{where}.kind", f'is "{event.kind}", but the line has no interlocks; remove the event'
        if event.kind is Kind.JOB_LOADED and event.job is None:
            yield f"{where}.job", "is missing; write e.g. job = 7"


def _unknown(what: str, given: str, names: list[str]) -> str:
    near = difflib.get_close_matches(given, names, n=1, cutoff=0.0)
    return f'the line has no {what} "{given}"' + (f'; did you mean "{near[0]}"?' if near else "")
