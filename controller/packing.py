"""Status and command to and from the registers that carry them, for any `PointMap`.

Both directions of both blocks are here, so that the controller and the simulator share one packing. A block is what
one request of a plan carries: a list of registers, or of bits as 0 and 1. Whatever the map, each direction is one
pick from a flat list of registers into the order of the fields or back; only bits that stand apart cost a loop.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from operator import itemgetter
from typing import TypeAlias

from controller.layout import COMMAND_WORDS, STATUS_WORDS, Point, Request, flag_name
from controller.points import PointMap
from controller.registers import (
    RING_SIZE,
    Capture,
    Command,
    ControlBit,
    OrderKind,
    Release,
    StationStatus,
    Status,
    StatusBit,
)

Blocks: TypeAlias = Sequence[Sequence[int]]
_Convert: TypeAlias = Callable[[int], int]

_NO_CAPTURES = (Capture(0, 0),) * RING_SIZE


class _Wiring:
    """How the words of the fields, in their own order, correspond to the registers of a plan's requests.

    `fields` are (point's name, 1 or 2 words). Flat lists end in one more register that is always 0: it stands in
    for the points a device does not have and for the high word that a 16-bit point lacks.
    """

    def __init__(self, points: Mapping[str, Point], plan: Sequence[Request], fields: Iterable[tuple[str, int]]) -> None:
        self._points = points
        self._index = {}
        self._spans = []
        start = 0
        for request in plan:
            for offset in range(request.count):
                self._index[request.table, request.address + offset] = start + offset
            self._spans.append((start, start + request.count))
            start += request.count
        registers = start
        picks: list[int] = []
        for name, words in fields:
            point = points.get(name)
            places = [] if point is None else [self._index[point.table, address] for address in point.words[-words:]]
            picks += [registers] * (words - len(places)) + places
        sources = [len(picks)] * registers
        for source, place in enumerate(picks):
            if place != registers:
                sources[place] = source
        self.pick = itemgetter(*picks)
        self._scatter = itemgetter(*sources)

    def flat(self, blocks: Blocks) -> list[int]:
        """All registers of the requests in a row, and the 0 behind them."""
        if len(blocks) == 1:
            return [*blocks[0], 0]
        return [register for block in blocks for register in block] + [0]

    def scatter(self, words: Sequence[int]) -> list[int]:
        """Put the words of the fields where the requests carry them; `words` ends in a 0."""
        return list(self._scatter(words))

    def split(self, flat: list[int]) -> list[list[int]]:
        """Cut a flat list into the requests' blocks."""
        return [flat[start:end] for start, end in self._spans]

    def spot(self, name: str) -> tuple[int, int] | None:
        """Where a flag stands: (flat index, mask); None when the device lacks it."""
        point = self._points.get(name)
        if point is None:
            return None
        address, mask = point.cells[-1]
        return self._index[point.table, address], mask


class _Flags:
    """A word of flags, each at a bit of its own somewhere in the flat list.

    Flags that keep their place in a word are taken together with one mask; the others one by one.
    """

    def __init__(self, wiring: _Wiring, flags: type[StatusBit] | type[ControlBit], prefix: str) -> None:
        together: dict[int, int] = {}
        self._apart: list[tuple[int, int, int]] = []
        for flag in flags:
            spot = wiring.spot(f"{prefix}.{flag_name(flag)}")
            if spot is not None and spot[1] == flag:
                together[spot[0]] = together.get(spot[0], 0) | int(flag)
            elif spot is not None:
                self._apart.append((*spot, int(flag)))
        self._together = tuple(together.items())

    def get(self, flat: Sequence[int]) -> int:
        """Gather the word of flags in the field block's own order of bits."""
        value = 0
        for index, mask in self._together:
            value |= flat[index] & mask
        for index, mask, flag in self._apart:
            if flat[index] & mask:
                value |= flag
        return value

    def put(self, value: int, flat: list[int]) -> None:
        """Set every flag of `value` in a flat list whose flags are all 0."""
        for index, mask in self._together:
            flat[index] |= value & mask
        for index, mask, flag in self._apart:
            if value & flag:
                flat[index] |= mask


def _from_raw(point: Point | None, modulus: int) -> _Convert | None:
    """How a count is brought from the device's form to 0 … modulus − 1; None when it is so already."""
    if point is None or modulus == 1 << point.width:
        return None
    size, half = 1 << point.width, 1 << (point.width - 1)
    if point.signed:
        return lambda raw: (raw - size if raw >= half else raw) % modulus
    return lambda raw: raw % modulus


def _to_raw(point: Point | None, modulus: int) -> _Convert | None:
    """How a count is brought from 0 … modulus − 1 to the device's form, as an unsigned 32-bit number."""
    if point is None or not point.signed or modulus == 1 << point.width:
        return None
    half = modulus // 2
    return lambda count: (count - modulus if count >= half else count) & 0xFFFFFFFF


def _convert(convert: _Convert | None, count: int) -> int:
    return count if convert is None else convert(count)


def _words(words: Mapping[str, tuple[int, int]]) -> list[tuple[str, int]]:
    return [(name, width // 16) for name, (_, width) in words.items()]


def _status_fields(stations: int) -> list[tuple[str, int]]:
    fields = _words(STATUS_WORDS)
    for i in range(RING_SIZE):
        fields += [(f"captures.{i}.edge", 1), (f"captures.{i}.count", 2)]
    for i in range(RING_SIZE):
        fields += [(f"releases.{i}.token", 1), (f"releases.{i}.result", 1), (f"releases.{i}.count", 2)]
    for n in range(1, stations + 1):
        fields += [(f"station.{n}.armed", 1), (f"station.{n}.depth", 1), (f"station.{n}.done_total", 1)]
    return fields


_SCALARS = sum(words for _, words in _words(STATUS_WORDS))
_CAPTURES_END = _SCALARS + 3 * RING_SIZE
_RELEASES_END = _CAPTURES_END + 4 * RING_SIZE


class _StatusWiring:
    """What reading and writing a status have in common."""

    def __init__(self, points: PointMap) -> None:
        self.wiring = _Wiring(points.status, points.read_plan, _status_fields(points.stations))
        self.bits = _Flags(self.wiring, StatusBit, "bits")
        self.station_flags = [
            [self.wiring.spot(f"station.{n}.{flag}") for flag in ("ready", "busy", "fault")]
            for n in range(1, points.stations + 1)
        ]


class StatusDecoder:
    """Makes a `Status` of the blocks that a map's read plan brought.

    It keeps the rings of the last status and decodes them anew only when one of their registers has changed.
    """

    def __init__(self, points: PointMap) -> None:
        parts = _StatusWiring(points)
        self._wiring, self._bits, self._station_flags = parts.wiring, parts.bits, parts.station_flags
        status, modulus = points.status, points.modulus
        self._has_sample = "sample_us" in status
        self._ack_count = _from_raw(status["ack_count"], modulus)
        self._belt_count = _from_raw(status["belt_count"], modulus)
        self._capture_count = _from_raw(status.get("captures.0.count"), modulus)
        self._release_count = _from_raw(status["releases.0.count"], modulus)
        self._captures_raw: tuple[int, ...] = (0,) * (3 * RING_SIZE)
        self._releases_raw: tuple[int, ...] = (0,) * (4 * RING_SIZE)
        self._captures = _NO_CAPTURES
        self._releases = (Release(0, 0, 0),) * RING_SIZE

    def decode(self, blocks: Blocks) -> Status:
        """Decode one block for each request of the plan, each of that request's length."""
        flat = self._wiring.flat(blocks)
        words: tuple[int, ...] = self._wiring.pick(flat)
        self._take_rings(words)
        # fmt: off
        (layout, boot_id, heartbeat_echo, interlocks, interlocks_opened, inhibit_cause, ack_token, ack_result,
         ack_high, ack_low, armed, depth, belt_high, belt_low, sample_high, sample_low, capture_total, release_total,
         done_total, job_loaded, owner) = words[:_SCALARS]
        # fmt: on
        ack_count, belt_count = ack_high << 16 | ack_low, belt_high << 16 | belt_low
        return Status(
            layout,
            boot_id,
            heartbeat_echo,
            self._bits.get(flat),
            interlocks,
            interlocks_opened,
            inhibit_cause,
            ack_token,
            ack_result,
            ack_count if self._ack_count is None else self._ack_count(ack_count),
            armed,
            depth,
            belt_count if self._belt_count is None else self._belt_count(belt_count),
            sample_high << 16 | sample_low if self._has_sample else None,
            capture_total,
            release_total,
            done_total,
            job_loaded,
            owner,
            self._captures,
            self._releases,
            self._stations(flat, words) if self._station_flags else (),
        )

    def _take_rings(self, words: tuple[int, ...]) -> None:
        captures = words[_SCALARS:_CAPTURES_END]
        if captures != self._captures_raw:
            convert = self._capture_count
            self._captures = tuple(
                Capture(captures[i], _convert(convert, captures[i + 1] << 16 | captures[i + 2]))
                for i in range(0, 3 * RING_SIZE, 3)
            )
            self._captures_raw = captures
        releases = words[_CAPTURES_END:_RELEASES_END]
        if releases != self._releases_raw:
            convert = self._release_count
            self._releases = tuple(
                Release(releases[i], releases[i + 1], _convert(convert, releases[i + 2] << 16 | releases[i + 3]))
                for i in range(0, 4 * RING_SIZE, 4)
            )
            self._releases_raw = releases

    def _stations(self, flat: list[int], words: tuple[int, ...]) -> tuple[StationStatus, ...]:
        stations = []
        for n, spots in enumerate(self._station_flags):
            armed, depth, done_total = words[_RELEASES_END + 3 * n : _RELEASES_END + 3 * n + 3]
            ready, busy, fault = (spot is not None and flat[spot[0]] & spot[1] != 0 for spot in spots)
            stations.append(StationStatus(armed, depth, ready, busy, fault, done_total))
        return tuple(stations)


class StatusEncoder:
    """The I/O side's way: makes of a `Status` the blocks that a map's read plan asks for."""

    def __init__(self, points: PointMap) -> None:
        parts = _StatusWiring(points)
        self._wiring, self._bits, self._station_flags = parts.wiring, parts.bits, parts.station_flags
        status, modulus = points.status, points.modulus
        self._ack_count = _to_raw(status["ack_count"], modulus)
        self._belt_count = _to_raw(status["belt_count"], modulus)
        self._capture_count = _to_raw(status.get("captures.0.count"), modulus)
        self._release_count = _to_raw(status["releases.0.count"], modulus)

    def encode(self, status: Status) -> list[list[int]]:
        """Encode a status with as many further stations as the map has; ValueError when they differ."""
        if len(status.stations) != len(self._station_flags):
            known = len(self._station_flags)
            raise ValueError(f"{len(status.stations)} further stations where the points have {known}")
        ack_count = _convert(self._ack_count, status.ack_count)
        belt_count = _convert(self._belt_count, status.belt_count)
        sample_us = 0 if status.sample_us is None else status.sample_us
        # fmt: off
        words = [
            status.layout, status.boot_id, status.heartbeat_echo, status.interlocks, status.interlocks_opened,
            status.inhibit_cause, status.ack_token, status.ack_result, ack_count >> 16, ack_count & 0xFFFF,
            status.armed, status.depth, belt_count >> 16, belt_count & 0xFFFF, sample_us >> 16, sample_us & 0xFFFF,
            status.capture_total, status.release_total, status.done_total, status.job_loaded, status.owner,
        ]
        # fmt: on
        for capture in status.captures:
            count = _convert(self._capture_count, capture.count)
            words += (capture.edge, count >> 16, count & 0xFFFF)
        for release in status.releases:
            count = _convert(self._release_count, release.count)
            words += (release.token, release.result, count >> 16, count & 0xFFFF)
        for station in status.stations:
            words += (station.armed, station.depth, station.done_total)
        words.append(0)
        flat = self._wiring.scatter(words)
        self._bits.put(status.bits, flat)
        for station, spots in zip(status.stations, self._station_flags, strict=True):
            for spot, on in zip(spots, (station.ready, station.busy, station.fault), strict=True):
                if spot is not None and on:
                    # A flag that has a whole register to itself is 1 there, not FFFFh.
                    flat[spot[0]] |= 1 if spot[1] == 0xFFFF else spot[1]
        return self._wiring.split(flat)


class CommandEncoder:
    """Makes of a `Command` the blocks that a map's write plan sends."""

    def __init__(self, points: PointMap) -> None:
        self._wiring = _Wiring(points.command, points.write_plan, _words(COMMAND_WORDS))
        self._control = _Flags(self._wiring, ControlBit, "control")
        self._count = _to_raw(points.command["order_count"], points.modulus)
        self._last = _to_raw(points.command["order_last"], points.modulus)

    def encode(self, command: Command) -> list[list[int]]:
        """Encode a command: one block for each request of the plan, in its order."""
        count = _convert(self._count, command.order_count)
        # A cancel carries a token in order_last, which is no count and keeps its bits.
        cancel = command.order_kind == OrderKind.CANCEL
        last = command.order_last if cancel else _convert(self._last, command.order_last)
        # fmt: off
        flat = self._wiring.scatter((
            command.heartbeat, command.boot_id_seen, command.owner, command.lease_ms, command.job_number,
            command.order_kind, command.order_station, count >> 16, count & 0xFFFF, last >> 16, last & 0xFFFF,
            command.order_token, 0,
        ))
        # fmt: on
        self._control.put(command.control, flat)
        return self._wiring.split(flat)


class CommandDecoder:
    """The I/O side's way: makes a `Command` of what stands in the registers of a map's write plan."""

    def __init__(self, points: PointMap) -> None:
        self._wiring = _Wiring(points.command, points.write_plan, _words(COMMAND_WORDS))
        self._control = _Flags(self._wiring, ControlBit, "control")
        self._count = _from_raw(points.command["order_count"], points.modulus)
        self._last = _from_raw(points.command["order_last"], points.modulus)

    def decode(self, blocks: Blocks) -> Command:
        """Decode one block for each request of the plan."""
        flat = self._wiring.flat(blocks)
        words: tuple[int, ...] = self._wiring.pick(flat)
        # fmt: off
        (heartbeat, boot_id_seen, owner, lease_ms, job_number, kind, station, count_high, count_low, last_high,
         last_low, token) = words
        # fmt: on
        last = last_high << 16 | last_low
        return Command(
            heartbeat=heartbeat,
            control=self._control.get(flat),
            boot_id_seen=boot_id_seen,
            owner=owner,
            lease_ms=lease_ms,
            job_number=job_number,
            order_kind=kind,
            order_station=station,
            order_count=_convert(self._count, count_high << 16 | count_low),
            order_last=last if kind == OrderKind.CANCEL else _convert(self._last, last),
            order_token=token,
        )
