"""The default layout of the field block, and what a place in the four tables of Modbus is.

Addresses are zero-based protocol addresses. Where a line's values really stand is a `controller.points.PointMap`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

from controller.registers import RING_SIZE, ControlBit, StatusBit

LAST_ADDRESS = 65535

STATUS_WORDS: Mapping[str, tuple[int, int]] = {
    "layout": (0, 16),
    "boot_id": (1, 16),
    "heartbeat_echo": (2, 16),
    "interlocks": (4, 16),
    "interlocks_opened": (5, 16),
    "inhibit_cause": (6, 16),
    "ack_token": (7, 16),
    "ack_result": (8, 16),
    "ack_count": (9, 32),
    "armed": (11, 16),
    "depth": (12, 16),
    "belt_count": (13, 32),
    "sample_us": (15, 32),
    "capture_total": (17, 16),
    "release_total": (18, 16),
    "done_total": (19, 16),
    "job_loaded": (20, 16),
    "owner": (21, 16),
}
"""Name → (offset from the status base, width in bits) of the default layout."""
STATUS_BITS_OFFSET = 3
CAPTURES_OFFSET = 24
RELEASES_OFFSET = 48

COMMAND_WORDS: Mapping[str, tuple[int, int]] = {
    "heartbeat": (0, 16),
    "boot_id_seen": (2, 16),
    "owner": (3, 16),
    "lease_ms": (4, 16),
    "job_number": (5, 16),
    "order_kind": (6, 16),
    "order_station": (7, 16),
    "order_count": (8, 32),
    "order_last": (10, 32),
    "order_token": (12, 16),
}
"""Name → (offset from the command base, width in bits) of the default layout."""
CONTROL_BITS_OFFSET = 1

STATION_WORDS = ("armed", "depth", "ready", "busy", "fault", "done_total")
STATION_STRIDE = 8
STATION_FLAGS = frozenset({"ready", "busy", "fault"})

COUNTS = frozenset({"ack_count", "belt_count", "order_count", "order_last"})
"""Values that are raw counts of the belt counter, beside the counts in the rings."""

WORDS_OF_BITS = frozenset({"interlocks", "interlocks_opened"})
"""Words whose bits are inputs of their own: a status bit may be read from them as well."""

OPTIONAL_BITS = (
    StatusBit.MARKER_FAULT | StatusBit.UPSTREAM_EMPTY | StatusBit.DOWNSTREAM_BLOCKED | StatusBit.STOP_REQUESTED
)
OPTIONAL_COMMAND = frozenset({"job_number", "order_station"})
OPTIONAL_CONTROL = ControlBit.LINE_STOP | ControlBit.RUNNING

_REQUIRED_BECAUSE = {
    "layout": "it tells that the device speaks this block at all",
    "boot_id": "without it a restart of the I/O side goes unseen",
    "heartbeat_echo": "without it nobody knows that the I/O side hears the controller",
    "ack_token": "without it an order has no answer",
    "ack_result": "without it an order has no answer",
    "ack_count": "without it a target misunderstood goes unseen",
    "armed": "without it nobody knows whether a withdrawn target is gone",
    "depth": "without it nobody knows how many targets the device holds",
    "belt_count": "everything is placed by it",
    "release_total": "without it no mark can be confirmed",
    "owner": "without it two controllers could work one line",
}


class Table(StrEnum):
    """The four tables of Modbus."""

    HOLDING = "holding"
    INPUT = "input"
    COIL = "coil"
    DISCRETE = "discrete"

    @property
    def of_bits(self) -> bool:
        """Whether an address of this table holds one bit rather than a register."""
        return self in (Table.COIL, Table.DISCRETE)

    @property
    def writable(self) -> bool:
        """Whether a controller may write to this table."""
        return self in (Table.HOLDING, Table.COIL)


class WordOrder(StrEnum):
    """Which word of a 32-bit value has the lower address."""

    HIGH_FIRST = "high first"
    LOW_FIRST = "low first"


@dataclass(frozen=True, slots=True)
class Point:
    """One value's place: a register, a pair of them, a bit of one, or a coil or discrete input (width 1).

    Raises ValueError with one line when no such place exists.
    """

    table: Table
    address: int
    width: int = 16
    signed: bool = False
    word_order: WordOrder = WordOrder.HIGH_FIRST
    bit: int | None = None

    def __post_init__(self) -> None:
        if not 0 <= self.address <= LAST_ADDRESS:
            raise ValueError(f"address {self.address} is outside 0 to {LAST_ADDRESS}")
        if self.table.of_bits:
            if self.width != 1 or self.bit is not None or self.signed:
                raise ValueError(f"a {self.table} is one bit: leave out width, signed and bit")
            return
        if self.width not in (16, 32):
            raise ValueError(f"width {self.width} is not 16 or 32")
        if self.width == 32 and self.address == LAST_ADDRESS:
            raise ValueError(f"a 32-bit value at the last register {LAST_ADDRESS} has no second word")
        if self.bit is not None and not 0 <= self.bit < self.width:
            raise ValueError(f"bit {self.bit} is beyond the {self.width} bits of {self.table} {self.address}")

    @property
    def is_bit(self) -> bool:
        """Whether this is one bit rather than a number."""
        return self.table.of_bits or self.bit is not None

    @property
    def words(self) -> tuple[int, ...]:
        """The addresses, most significant word first."""
        if self.width != 32:
            return (self.address,)
        pair = (self.address, self.address + 1)
        return pair if self.word_order is WordOrder.HIGH_FIRST else pair[::-1]

    @property
    def cells(self) -> tuple[tuple[int, int], ...]:
        """Every (address, mask of the bits used there)."""
        if self.table.of_bits:
            return ((self.address, 1),)
        if self.bit is None:
            return tuple((address, 0xFFFF) for address in self.words)
        return ((self.words[-1 - self.bit // 16], 1 << self.bit % 16),)

    def __str__(self) -> str:
        last = "" if self.width != 32 else f"–{self.address + 1}"
        return f"{self.table} {self.address}{last}" + ("" if self.bit is None else f" bit {self.bit}")


@dataclass(frozen=True, slots=True)
class Request:
    """One read or write: a table, its first address and how many registers or bits."""

    table: Table
    address: int
    count: int

    def holds(self, point: Point) -> bool:
        """Whether all of `point` is within this request."""
        end = self.address + self.count
        return point.table is self.table and all(self.address <= address < end for address, _ in point.cells)

    def __str__(self) -> str:
        kind = {"coil": "coils", "discrete": "discrete inputs"}.get(self.table, f"{self.table} registers")
        return f"{kind} {self.address} to {self.address + self.count - 1}"


def flag_name(flag: StatusBit | ControlBit) -> str:
    """Return the name of a single status or control bit as the configuration has it."""
    return str(flag.name).lower()


def _at(base: Point, offset: int, width: int = 16, bit: int | None = None) -> Point:
    signed = base.signed if width == 32 else False
    return replace(base, address=base.address + offset, width=width, bit=bit, signed=signed)


def word_points(base: Point, words: Mapping[str, tuple[int, int]]) -> dict[str, Point]:
    """Lay out the words of a block from `base`, which gives address, table and word order."""
    return {name: _at(base, offset, width) for name, (offset, width) in words.items()}


def bit_points(word: Point, flags: type[StatusBit] | type[ControlBit], prefix: str) -> dict[str, Point]:
    """Every bit of a word of flags at its place in `word`."""
    return {f"{prefix}.{flag_name(flag)}": replace(word, bit=flag.bit_length() - 1) for flag in flags}


def ring_points(name: str, base: Point) -> dict[str, Point]:
    """Lay out the 8 entries of a ring; `base` gives its first register and how its counts are kept."""
    words = ("edge",) if name == "captures" else ("token", "result")
    stride = len(words) + base.width // 16
    points = {}
    for index in range(RING_SIZE):
        first = base.address + index * stride
        for offset, word in enumerate(words):
            points[f"{name}.{index}.{word}"] = Point(base.table, first + offset)
        points[f"{name}.{index}.count"] = replace(base, address=first + len(words))
    return points


def station_points(station: int, base: Point) -> dict[str, Point]:
    """Lay out the words of one further station (from 1); those of station 1 begin at `base`."""
    first = STATION_STRIDE * (station - 1)
    return {f"station.{station}.{word}": _at(base, first + offset) for offset, word in enumerate(STATION_WORDS)}


def status_points(base: Point, station_base: int = 200, stations: int = 0) -> dict[str, Point]:
    """Lay out the whole status block from `base`, with so many further stations."""
    points = word_points(base, STATUS_WORDS)
    points |= bit_points(_at(base, STATUS_BITS_OFFSET), StatusBit, "bits")
    points |= ring_points("captures", _at(base, CAPTURES_OFFSET, 32))
    points |= ring_points("releases", _at(base, RELEASES_OFFSET, 32))
    for station in range(1, stations + 1):
        points |= station_points(station, replace(base, address=station_base))
    return points


def command_points(base: Point) -> dict[str, Point]:
    """Lay out the whole command block from `base`."""
    return word_points(base, COMMAND_WORDS) | bit_points(_at(base, CONTROL_BITS_OFFSET), ControlBit, "control")


def required_because(name: str) -> str | None:
    """Why a point cannot be dropped; None when it can. Names as in `PointMap.status` and `PointMap.command`."""
    if name.startswith("command."):
        return None if name[8:] in OPTIONAL_COMMAND else "the I/O side's rules need it"
    if name.startswith("bits."):
        return None if StatusBit[name[5:].upper()] & OPTIONAL_BITS else "a start or a stop depends on it"
    if name.startswith("control."):
        return None if ControlBit[name[8:].upper()] & OPTIONAL_CONTROL else "the I/O side's rules need it"
    if name.startswith("releases"):
        return _REQUIRED_BECAUSE["release_total"]
    return _REQUIRED_BECAUSE.get(name)
