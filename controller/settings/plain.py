"""The [plain] section of a line: a device of plain inputs and outputs, where each stands and what drops the outputs."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import Field, model_validator

from controller.plain_points import STATION_INPUTS, PlainMap
from controller.points import Point, PointMap, Table, WordOrder
from controller.settings.base import Strict, problem
from controller.settings.points import PointEntry, PointsConfig
from controller.settings.quantities import DurationS, PositiveDurationS
from controller.spec import Plain, PlainStation


class PlainPoint(Strict):
    """One input or output: a coil, a discrete input, a register, or one bit of a register."""

    table: Table
    address: int = Field(ge=0, le=65535)
    width: Literal[16, 32] = 16
    signed: bool = False
    word_order: WordOrder = WordOrder.HIGH_FIRST
    bit: int | None = Field(default=None, ge=0, le=31)

    def point(self) -> Point:
        """The place. Raises ValueError when there is none such."""
        width = 1 if self.table.of_bits else self.width
        return Point(self.table, self.address, width, self.signed, self.word_order, self.bit)


class PlainStationSection(Strict):
    """What a station's marker is wired to."""

    trigger: PlainPoint = Field(description="the output whose rising edge makes the mark")
    width: PositiveDurationS = Field(default=0.02, description="the trigger is held at least so long")
    ready: PlainPoint | None = None
    busy: PlainPoint | None = Field(default=None, description="on while it marks: tells that a mark is made")
    fault: PlainPoint | None = None
    done: PlainPoint | None = Field(default=None, description="rises as a mark is complete: tells that it was made")


class PlainSection(Strict):
    """A device of plain inputs and outputs instead of the field block.

    Such a device keeps no rules: what drops its outputs when nobody writes is named here and proven by pulling the
    cable (`beltcue cable-pull`). Without that the line is run dry only.
    """

    count: PlainPoint = Field(description="the belt counter")
    sample_us: PlainPoint | None = Field(default=None, description="the device's microseconds as it took the count")
    detector: PlainPoint = Field(description="on while the eye is blocked")
    drive: PlainPoint | None = Field(default=None, description="on while the belt's drive runs")
    interlocks: dict[str, PlainPoint] = Field(default_factory=dict, description="name = input that is on when closed")
    enable: PlainPoint | None = Field(default=None, description="the output that permits marking")
    running: PlainPoint | None = Field(default=None, description="an output for the line's beacon")
    enable_back: PlainPoint | None = Field(default=None, description="an input wired back from the enable output")
    stations: dict[str, PlainStationSection] = Field(description="by the names of [[stations]]")
    watchdog: PositiveDurationS | None = Field(
        default=None, description="not written for so long, the device drops all its outputs by itself"
    )
    one_shot: bool = Field(default=False, description="the device ends each trigger's pulse by itself")
    io_scan: DurationS = Field(default=0.0, description="how often the device takes inputs and sets outputs")

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.enable_back is not None and self.enable is None:
            raise problem("enable_back", "is read back from an enable output; add plain.enable")
        if self.watchdog is not None and self.enable is None:
            raise problem("watchdog", "is kept by writing the enable output; add plain.enable")
        return self

    def resolve(self, stations: list[str], modulus: int | None) -> PlainMap:
        """Make the checked map. Raises ValueError with one line that names the points and says what to do."""
        for name in (*stations, *self.stations):
            if name not in self.stations or name not in stations:
                raise ValueError(f'plain.stations: "{name}" must stand here and in [[stations]]; make the two agree')
        inputs: dict[str, PlainPoint | None] = {
            name: getattr(self, name) for name in ("count", "sample_us", "detector", "drive", "enable_back")
        }
        inputs |= {f"interlock.{n}": point for n, point in enumerate(self.interlocks.values())}
        outputs: dict[str, PlainPoint | None] = {"enable": self.enable, "running": self.running}
        for n, name in enumerate(stations):
            section = self.stations[name]
            inputs |= {f"station.{n}.{told}": getattr(section, told) for told in STATION_INPUTS}
            outputs[f"station.{n}.trigger"] = section.trigger
        try:
            return PlainMap(_places(inputs), _places(outputs), len(stations), modulus)
        except ValueError as error:
            raise ValueError(f"plain: {error}") from None

    def played(self, further: int, modulus: int | None) -> PointMap:
        """What the controller's own side plays of the field block for this device, at the default places."""
        drop = ["captures", "job_loaded"]
        drop += ["sample_us"] if self.sample_us is None else []
        return PointsConfig(drop=drop, belt_count=PointEntry(width=self.count.width)).resolve(further, modulus)

    def spec(self, points: PlainMap, stations: list[str], unproven: str) -> Plain:
        """The device as the decision core takes it."""
        sections = [self.stations[name] for name in stations]
        return Plain(
            tuple(PlainStation(s.width, s.busy is not None or s.done is not None) for s in sections),
            requests=points.requests,
            io_scan_s=self.io_scan,
            has_enable=self.enable is not None,
            watchdog_s=self.watchdog,
            one_shot=self.one_shot,
            unproven=unproven,
        )


def _places(given: dict[str, PlainPoint | None]) -> dict[str, Point]:
    made = {}
    for name, point in given.items():
        if point is not None:
            try:
                made[name] = point.point()
            except ValueError as error:
                raise ValueError(f"{name}: {error}") from None
    return made
