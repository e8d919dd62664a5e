"""The field block: what the controller and the I/O side tell each other.

Shared by the controller, its field adapters and the simulator, so that the words exist once. Here are the
values; where each stands on a given device is a line's points (`controller.settings`). 32-bit values are
plain ints here; word order belongs to the wire. What is made anew with every exchange is not frozen, which would
double the time to make it; nobody changes one all the same. The two blocks write their `__init__` out, which only then
is compiled with the rest (`deploy/compile`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum
from typing import Final

LAYOUT: Final = 1
RING_SIZE: Final[int] = 8
BACKWARD: Final = 0x8000
"""Set in a capture's edge when the belt ran backward as it was captured."""


class StatusBit(IntEnum):
    """The status bits, register 3."""

    DETECTOR_BLOCKED = 1 << 0
    INTERLOCKS_CLOSED = 1 << 1
    MARKER_READY = 1 << 2
    MARKER_BUSY = 1 << 3
    MARKER_FAULT = 1 << 4
    DRIVE_RUNNING = 1 << 5
    INHIBITED = 1 << 6
    FORWARD_COUNTS_DOWN = 1 << 7
    FLUSH_DONE = 1 << 8
    UPSTREAM_EMPTY = 1 << 9
    DOWNSTREAM_BLOCKED = 1 << 10
    STOP_REQUESTED = 1 << 11


class ControlBit(IntEnum):
    """The control bits, register 101."""

    ENABLE = 1 << 0
    FLUSH = 1 << 1
    FORWARD_COUNTS_DOWN = 1 << 2
    LINE_STOP = 1 << 3
    RUNNING = 1 << 4


class InhibitCause(IntEnum):
    """Why the I/O side does not mark, register 6."""

    NONE = 0
    ENABLE_LOW = 1
    INTERLOCK = 2
    LEASE_EXPIRED = 3
    ENABLE_NOT_CYCLED = 4
    WRONG_BOOT_ID = 5
    OTHER_OWNER = 6


class OrderKind(IntEnum):
    """What an order asks for, register 106."""

    NONE = 0
    ARM = 1
    RELEASE_NOW = 2
    CANCEL = 3
    ARM_REJECT = 4


class AckResult(IntEnum):
    """How the last order was answered, register 8."""

    NONE = 0
    ARMED = 1
    LATE = 2
    FULL = 3
    INHIBITED = 4
    WRONG_BOOT_ID = 5
    OTHER_OWNER = 6
    TOO_FAR = 7
    OUTSIDE_WINDOW = 8
    CANCELLED = 9


class ReleaseResult(IntEnum):
    """What became of a target that was reached."""

    RELEASED = 1
    MARKER_BUSY = 2
    MARKER_NOT_READY = 3


class Edge(IntEnum):
    """The two detector edges of a capture."""

    BLOCKED = 1
    CLEARED = 2


@dataclass(slots=True)
class Capture:
    """One ring entry: the edge (with `BACKWARD` or without) and the raw counter value at the event."""

    edge: int
    count: int


@dataclass(slots=True)
class Release:
    """One ring entry: the order's token, a `ReleaseResult` and the raw counter value at the event."""

    token: int
    result: int
    count: int


@dataclass(slots=True)
class StationStatus:
    """What the I/O side says of one further station (the first one is in `Status` itself)."""

    armed: int
    depth: int
    ready: bool
    busy: bool
    fault: bool
    done_total: int


@dataclass(slots=True, init=False)
class Status:
    """The status block as read in one exchange.

    Counts are raw counter values as the device gives them, brought to 0 … modulus − 1. `sample_us` is None
    where the device has no clock of its own. Ring entry of event n (from 1) is at index (n − 1) mod 8.
    """

    layout: int
    boot_id: int
    heartbeat_echo: int
    bits: int
    interlocks: int
    interlocks_opened: int
    inhibit_cause: int
    ack_token: int
    ack_result: int
    ack_count: int
    armed: int
    depth: int
    belt_count: int
    sample_us: int | None
    capture_total: int
    release_total: int
    done_total: int
    job_loaded: int
    owner: int
    captures: tuple[Capture, ...]
    releases: tuple[Release, ...]
    stations: tuple[StationStatus, ...]
    """Stations 1, 2, … in order; the first marker, station 0, is in the fields above."""
    plain_points: Mapping[str, int] | None
    """A plain device's own inputs and outputs, by name, for those who look at its wiring; nothing is decided by it."""

    def __init__(
        self, layout: int = LAYOUT, boot_id: int = 0, heartbeat_echo: int = 0, bits: int = 0, interlocks: int = 0,
        interlocks_opened: int = 0, inhibit_cause: int = 0, ack_token: int = 0, ack_result: int = 0,
        ack_count: int = 0, armed: int = 0, depth: int = 0, belt_count: int = 0, sample_us: int | None = 0,
        capture_total: int = 0, release_total: int = 0, done_total: int = 0, job_loaded: int = 0, owner: int = 0,
        captures: tuple[Capture, ...] = (Capture(0, 0),) * RING_SIZE,
        releases: tuple[Release, ...] = (Release(0, 0, 0),) * RING_SIZE,
        stations: tuple[StationStatus, ...] = (), plain_points: Mapping[str, int] | None = None,
    ) -> None:  # fmt: skip
        self.layout, self.boot_id, self.heartbeat_echo, self.bits = layout, boot_id, heartbeat_echo, bits
        self.interlocks, self.interlocks_opened, self.inhibit_cause = interlocks, interlocks_opened, inhibit_cause
        self.ack_token, self.ack_result, self.ack_count = ack_token, ack_result, ack_count
        self.armed, self.depth, self.belt_count, self.sample_us = armed, depth, belt_count, sample_us
        self.capture_total, self.release_total, self.done_total = capture_total, release_total, done_total
        self.job_loaded, self.owner = job_loaded, owner
        self.captures, self.releases, self.stations = captures, releases, stations
        self.plain_points = plain_points


@dataclass(slots=True, init=False)
class Command:
    """The command block as written in one exchange. Counts are raw, 0 … modulus − 1."""

    heartbeat: int
    control: int
    boot_id_seen: int
    owner: int
    lease_ms: int
    job_number: int
    order_kind: int
    order_station: int
    order_count: int
    order_last: int
    order_token: int

    def __init__(
        self, heartbeat: int = 0, control: int = 0, boot_id_seen: int = 0, owner: int = 0, lease_ms: int = 0,
        job_number: int = 0, order_kind: int = 0, order_station: int = 0, order_count: int = 0, order_last: int = 0,
        order_token: int = 0,
    ) -> None:  # fmt: skip
        self.heartbeat, self.control, self.boot_id_seen, self.owner = heartbeat, control, boot_id_seen, owner
        self.lease_ms, self.job_number = lease_ms, job_number
        self.order_kind, self.order_station = order_kind, order_station
        self.order_count, self.order_last, self.order_token = order_count, order_last, order_token


def serial_ahead(new: int, old: int, bits: int = 16) -> bool:
    """Whether serial number `new` is ahead of `old` (RFC 1982 section 3.2).

    False for equal numbers and for the undefined pair exactly half the range apart.
    """
    half = 1 << (bits - 1)
    return 0 < (new - old) % (1 << bits) < half
