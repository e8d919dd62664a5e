"""The [points] section of a line: where the device keeps each value of the field block.

Everything left out stands where the default layout has it. Names are those of the field block; `[points.bits]` and
`[points.control]` hold single bits, `[points.command]` the words that the controller writes.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace
from typing import Literal

from pydantic import Field

from controller.layout import (
    CAPTURES_OFFSET,
    COMMAND_WORDS,
    CONTROL_BITS_OFFSET,
    RELEASES_OFFSET,
    STATUS_BITS_OFFSET,
    STATUS_WORDS,
    bit_points,
    command_points,
    flag_name,
    required_because,
    ring_points,
    status_points,
)
from controller.points import Point, PointMap, Table, WordOrder
from controller.registers import ControlBit, StatusBit
from controller.settings.base import Strict

Address = Field(default=None, ge=0, le=65535)


class PointEntry(Strict):
    """What is different about one point; whatever is left out stays as the default layout has it."""

    table: Table | None = None
    address: int | None = Address
    width: Literal[16, 32] | None = None
    signed: bool | None = None
    word_order: WordOrder | None = None
    bit: int | None = Field(default=None, ge=0, le=31)

    def moved(self, point: Point) -> Point:
        """`point` with this entry's differences. Raises ValueError when that is no place."""
        table = point.table if self.table is None else self.table
        if table.of_bits and (self.width is not None or self.signed or self.bit is not None):
            raise ValueError(f"a {table} is one bit: leave out width, signed and bit")
        width = (16 if point.width == 1 else point.width) if self.width is None else self.width
        return Point(
            table=table,
            address=point.address if self.address is None else self.address,
            width=1 if table.of_bits else width,
            signed=point.signed if self.signed is None else self.signed,
            word_order=point.word_order if self.word_order is None else self.word_order,
            bit=None if table.of_bits else point.bit if self.bit is None else self.bit,
        )


class BitEntries(Strict):
    """Status bits that stand elsewhere: a bit of another word, a coil or a discrete input."""

    detector_blocked: PointEntry | None = None
    interlocks_closed: PointEntry | None = None
    marker_ready: PointEntry | None = None
    marker_busy: PointEntry | None = None
    marker_fault: PointEntry | None = None
    drive_running: PointEntry | None = None
    inhibited: PointEntry | None = None
    forward_counts_down: PointEntry | None = None
    flush_done: PointEntry | None = None
    upstream_empty: PointEntry | None = None
    downstream_blocked: PointEntry | None = None
    stop_requested: PointEntry | None = None


class ControlEntries(Strict):
    """Control bits that stand elsewhere: a bit of another word or a coil."""

    enable: PointEntry | None = None
    flush: PointEntry | None = None
    forward_counts_down: PointEntry | None = None
    line_stop: PointEntry | None = None
    running: PointEntry | None = None


class CommandEntries(Strict):
    """Words of the command block that stand elsewhere."""

    heartbeat: PointEntry | None = None
    control_bits: PointEntry | None = None
    boot_id_seen: PointEntry | None = None
    owner: PointEntry | None = None
    lease_ms: PointEntry | None = None
    job_number: PointEntry | None = None
    order_kind: PointEntry | None = None
    order_station: PointEntry | None = None
    order_count: PointEntry | None = None
    order_last: PointEntry | None = None
    order_token: PointEntry | None = None


class StationEntries(Strict):
    """Words of a further station that stand elsewhere."""

    armed: PointEntry | None = None
    depth: PointEntry | None = None
    ready: PointEntry | None = None
    busy: PointEntry | None = None
    fault: PointEntry | None = None
    done_total: PointEntry | None = None


class PointsConfig(Strict):
    """Where the device keeps each value; an empty section is the default layout."""

    status_base: int = Field(default=0, ge=0, le=65456, description="first register of the status block")
    status_table: Literal[Table.HOLDING, Table.INPUT] = Table.HOLDING
    command_base: int = Field(default=100, ge=0, le=65523, description="first register of the command block")
    station_base: int = Field(default=200, ge=0, le=65000, description="first register of station 1; 8 to each")
    word_order: WordOrder = Field(default=WordOrder.HIGH_FIRST, description="which word of a 32-bit value comes first")
    read_gap: int = Field(default=24, ge=0, le=123, description="unused registers a read may take along")
    drop: list[str] = Field(default_factory=list, description="values that the device does not have")

    layout: PointEntry | None = None
    boot_id: PointEntry | None = None
    heartbeat_echo: PointEntry | None = None
    status_bits: PointEntry | None = None
    interlocks: PointEntry | None = None
    interlocks_opened: PointEntry | None = None
    inhibit_cause: PointEntry | None = None
    ack_token: PointEntry | None = None
    ack_result: PointEntry | None = None
    ack_count: PointEntry | None = None
    armed: PointEntry | None = None
    depth: PointEntry | None = None
    belt_count: PointEntry | None = None
    sample_us: PointEntry | None = None
    capture_total: PointEntry | None = None
    release_total: PointEntry | None = None
    done_total: PointEntry | None = None
    job_loaded: PointEntry | None = None
    owner: PointEntry | None = None
    captures: PointEntry | None = Field(default=None, description="the ring; width is that of its counts")
    releases: PointEntry | None = Field(default=None, description="the ring; width is that of its counts")

    bits: BitEntries = BitEntries()
    control: ControlEntries = ControlEntries()
    command: CommandEntries = CommandEntries()
    station: dict[int, StationEntries] = Field(default_factory=dict, description="further stations by number, from 1")

    def resolve(
        self, stations: int = 0, modulus: int | None = None, *, elsewhere: Collection[str] = (), section: str = "points"
    ) -> PointMap:
        """Make the checked map of a line with so many further stations and a counter of `modulus` values.

        `elsewhere` are values that come another way; `section` is where the file has what is refused. Raises
        ValueError with one line that names the points and says what to do.
        """
        try:
            status, command = self._status(stations), self._command()
            for name in elsewhere:
                self._leave(name, status)
            for name in self.drop:
                _drop(name, status, command)
            return PointMap(status, command, modulus=modulus, read_gap=self.read_gap, elsewhere=elsewhere)
        except ValueError as error:
            raise ValueError(f"{section}: {error}") from None

    def _leave(self, name: str, status: dict[str, Point]) -> None:
        bit = name.removeprefix("bits.")
        given = getattr(self, name) if bit == name else getattr(self.bits, bit)
        if given is not None or bit in self.drop:
            raise ValueError(f"{name} stands in opcua.nodes too: keep one of the two")
        del status[name]

    def _status(self, stations: int) -> dict[str, Point]:
        base = Point(self.status_table, self.status_base, word_order=self.word_order)
        points = status_points(base, self.station_base, stations)
        words = {name: entry for name in STATUS_WORDS if (entry := getattr(self, name)) is not None}
        _move(points, words)
        if self.status_bits is not None:
            word = replace(base, address=base.address + STATUS_BITS_OFFSET)
            points |= bit_points(_moved("status_bits", self.status_bits, word), StatusBit, "bits")
        _move(points, _given(self.bits), "bits.")
        for name, entry, offset in (
            ("captures", self.captures, CAPTURES_OFFSET),
            ("releases", self.releases, RELEASES_OFFSET),
        ):
            if entry is not None:
                first = replace(base, address=base.address + offset, width=32)
                points |= ring_points(name, _moved(name, entry, first))
        for number, entries in self.station.items():
            if not 1 <= number <= stations:
                raise ValueError(f"station.{number}: the line has {stations} further stations, numbered from 1")
            _move(points, _given(entries), f"station.{number}.")
        return points

    def _command(self) -> dict[str, Point]:
        base = Point(Table.HOLDING, self.command_base, word_order=self.word_order)
        points = command_points(base)
        given = _given(self.command)
        word = given.pop("control_bits", None)
        _move(points, given, shown="command.")
        if word is not None:
            first = replace(base, address=base.address + CONTROL_BITS_OFFSET)
            points |= bit_points(_moved("command.control_bits", word, first), ControlBit, "control")
        _move(points, _given(self.control), "control.")
        return points


def _given(entries: Strict) -> dict[str, PointEntry]:
    return {name: entry for name, entry in entries if entry is not None}


def _moved(name: str, entry: PointEntry, point: Point) -> Point:
    try:
        return entry.moved(point)
    except ValueError as error:
        raise ValueError(f"{name}: {error}") from None


def _move(points: dict[str, Point], entries: Mapping[str, PointEntry], prefix: str = "", shown: str = "") -> None:
    for name, entry in entries.items():
        key = prefix + name
        points[key] = _moved(shown + key, entry, points[key])


def _drop(name: str, status: dict[str, Point], command: dict[str, Point]) -> None:
    if name in {flag_name(flag) for flag in StatusBit}:
        key, points = f"bits.{name}", status
    elif name in STATUS_WORDS or name in ("captures", "releases"):
        key, points = name, status
    elif name in COMMAND_WORDS:
        key, points = f"command.{name}", command
    elif name in {flag_name(flag) for flag in ControlBit}:
        key, points = f"control.{name}", command
    else:
        raise ValueError(f'drop: "{name}" is not a value of the field block')
    because = required_because(key)
    if because is not None:
        raise ValueError(f'drop: "{name}" cannot be dropped: {because}')
    gone = ("captures", "capture_total") if key in ("captures", "capture_total") else (key.removeprefix("command."),)
    for point in [point for point in points if point.partition(".")[0] in gone or point in gone]:
        del points[point]
