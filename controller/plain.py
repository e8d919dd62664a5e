"""A plain device's side of the field block, played on our side of the wire.

A device of plain inputs and outputs has none of the field block's rules. Here they are kept for it: `step` takes the
core's command and the inputs of an exchange and says what to write; once the device has answered that, `answered`
gives the status that a field block would have shown. Pure: no I/O and no clock, times are handed in.

Rules of this file. The inputs of the same exchange decide what it writes, so an interlock that opens drops enable and
every trigger in it. A trigger is written high once, never again for the same order: where that write is not answered,
nobody knows, and the release ring says so. Permission that was lost comes back only after enable was low and then high.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from controller.registers import (
    RING_SIZE,
    AckResult,
    Command,
    ControlBit,
    InhibitCause,
    OrderKind,
    Release,
    ReleaseResult,
    StationStatus,
    Status,
    StatusBit,
    serial_ahead,
)
from controller.spec import LineSpec

U16 = 1 << 16
NOBODY_KNOWS = 0
"""The result in the release ring of a trigger that may or may not have marked."""


@dataclass(frozen=True, slots=True)
class StationInputs:
    """What a marker tells; None where there is no such input."""

    ready: bool | None = None
    busy: bool | None = None
    fault: bool = False
    done: bool | None = None


@dataclass(frozen=True, slots=True)
class PlainInputs:
    """The inputs of one exchange. `count` is raw, `interlocks` has one bit for each that is closed."""

    count: int
    stations: tuple[StationInputs, ...]
    sample_us: int | None = None
    detector: bool = False
    drive: bool = False
    interlocks: int = 0
    enable_back: bool | None = None
    """What an input wired back from the enable output says; None: there is none."""


@dataclass(frozen=True, slots=True)
class PlainOutputs:
    """The outputs to write. `rising`: a trigger that was low goes high with this, and must be written once only."""

    enable: bool
    running: bool
    triggers: tuple[bool, ...]
    rising: bool = False


@dataclass(slots=True)
class _Station:
    """One trigger output: its pulse, and the mark that is still to be told."""

    width_ns: int
    told_ns: int
    high: bool = False
    since_ns: int | None = None
    """When the last answered write changed the output; None: none has."""
    waits: tuple[int, int, int] | None = None
    """Token, count and the time until which the marker is to tell of its mark."""
    done_before: bool = False


@dataclass(slots=True)
class _Step:
    """What the present exchange is about to write, until it is answered."""

    now_ns: int
    inputs: PlainInputs
    outputs: PlainOutputs
    begun: dict[int, int] = field(default_factory=dict)
    """Station → token of the triggers that go high."""


class PlainSide:
    """The field block's rules for one plain device. `boot_id` is any number, kept as long as this process runs."""

    def __init__(self, spec: LineSpec, boot_id: int) -> None:
        plain = spec.plain
        if plain is None:
            raise ValueError("the line's I/O side is no plain device")
        self._spec, self._plain, self._boot_id = spec, plain, boot_id
        self._wanted = sum(1 << bit for bit in spec.interlocks)
        self._stations = [
            _Station(round(s.width_s * 1e9), spec.told_within_ns(n)) for n, s in enumerate(plain.stations)
        ]
        self._low_ns = round(plain.io_scan_s * 1e9)
        """A trigger is low for so long between two pulses, that the device sees it."""
        self._command: Command | None = None
        self._enable = self._seen_low = self._granted = False
        self._cause = InhibitCause.ENABLE_NOT_CYCLED
        self._opened = 0
        self._flush = False
        self._token = 0
        self._ack = (0, int(AckResult.NONE), 0)
        self._releases: tuple[Release, ...] = (Release(0, 0, 0),) * RING_SIZE
        self._release_total = 0
        self._written_ns: int | None = None
        """When the last exchange that was answered began to write."""
        self._open: _Step | None = None

    def step(self, command: Command, inputs: PlainInputs, now_ns: int) -> PlainOutputs:
        """Take what was read, and say what to write now. What was written before and not answered is lost."""
        if self._open is not None:
            self._lost(self._open)
        if self._command is None:
            self._token = command.order_token  # nothing that stands in the first command is an order
        self._command = command
        self._watch(command, inputs, now_ns)
        for station, told in zip(self._stations, inputs.stations, strict=True):
            self._hear(station, told, now_ns)
        high = [s.high and self._granted and not self._over(s, now_ns) for s in self._stations]
        step = _Step(now_ns, inputs, PlainOutputs(False, False, ()))
        if command.order_kind != OrderKind.NONE and serial_ahead(command.order_token, self._token):
            self._order(command, step)
        for n in step.begun:
            high[n] = True
        running = bool(command.control & ControlBit.RUNNING)
        step.outputs = PlainOutputs(self._granted, running, tuple(high), bool(step.begun))
        self._open = step
        return step.outputs

    def answered(self, now_ns: int) -> Status:
        """The device has answered what `step` said: take it as done, and give the status of this exchange."""
        step, self._open = self._open, None
        if step is None or self._command is None:
            raise RuntimeError("nothing was written that could be answered")
        for n, (station, high) in enumerate(zip(self._stations, step.outputs.triggers, strict=True)):
            if high != station.high:
                station.high, station.since_ns = high, now_ns
            token = step.begun.get(n)
            if token is None:
                continue
            if station.told_ns:
                station.waits = (token, step.inputs.count, now_ns + station.told_ns)
            else:
                self._put(token, ReleaseResult.RELEASED, step.inputs.count)
        self._written_ns = step.now_ns
        return self._status(self._command, step.inputs)

    # Permission: rule 1 of the field block.

    def _watch(self, command: Command, inputs: PlainInputs, now_ns: int) -> None:
        open_now = self._wanted & ~inputs.interlocks
        self._opened |= open_now
        limits_ns = [command.lease_ms * 1_000_000]
        if self._plain.watchdog_s is not None:
            limits_ns.append(round(self._plain.watchdog_s * 1e9))
        if self._written_ns is not None and now_ns - self._written_ns > min(limits_ns):
            self._lose(InhibitCause.LEASE_EXPIRED)
        if open_now:
            self._lose(InhibitCause.INTERLOCK)
        right = command.boot_id_seen == self._boot_id
        if not right:
            self._lose(InhibitCause.WRONG_BOOT_ID)
        self._flush = bool(command.control & ControlBit.FLUSH)
        if not command.control & ControlBit.ENABLE:
            self._lose(InhibitCause.ENABLE_LOW)
            self._cause, self._enable, self._seen_low = InhibitCause.ENABLE_LOW, False, True
        elif self._seen_low and not self._enable:
            self._enable, self._seen_low, self._opened = True, False, open_now
            self._granted = right and not open_now
            if self._granted:
                self._cause = InhibitCause.NONE
            else:
                self._cause = InhibitCause.INTERLOCK if right else InhibitCause.WRONG_BOOT_ID

    def _lose(self, cause: InhibitCause) -> None:
        if self._granted:
            self._granted, self._cause = False, cause

    # Orders and what becomes of them.

    def _order(self, command: Command, step: _Step) -> None:
        token, station = command.order_token, command.order_station
        result = AckResult.ARMED
        if not self._granted:
            result = AckResult.INHIBITED
        elif command.order_kind != OrderKind.RELEASE_NOW or station >= len(self._stations):
            result = AckResult.FULL  # it holds no targets
        elif not self._in_window(step.inputs.count, command.order_count, command.order_last):
            result = AckResult.OUTSIDE_WINDOW
        else:
            obstacle = self._obstacle(station, step.inputs.stations[station], step.now_ns)
            if obstacle is None:
                step.begun[station] = token
                self._stations[station].done_before = bool(step.inputs.stations[station].done)
            else:
                self._put(token, obstacle, step.inputs.count)
        self._token = token
        self._ack = (token, int(result), command.order_count)

    def _in_window(self, count: int, first: int, last: int) -> bool:
        modulus, sense = self._spec.counter.modulus, self._spec.counter.sense
        return (count - first) * sense % modulus <= (last - first) * sense % modulus

    def _obstacle(self, number: int, told: StationInputs, now_ns: int) -> ReleaseResult | None:
        """Why the marker cannot be triggered now."""
        station = self._stations[number]
        low = station.since_ns is None or now_ns - station.since_ns >= self._low_ns
        if told.busy or station.high or station.waits is not None or not low:
            return ReleaseResult.MARKER_BUSY
        if told.fault or told.ready is False:
            return ReleaseResult.MARKER_NOT_READY
        return None

    def _hear(self, station: _Station, told: StationInputs, now_ns: int) -> None:
        """Whether the marker tells of the mark that it was triggered for."""
        if station.waits is None:
            return
        token, count, until_ns = station.waits
        done = bool(told.done)
        if told.busy or (done and not station.done_before):
            self._put(token, ReleaseResult.RELEASED, count)
            station.waits = None
        elif now_ns > until_ns:
            self._put(token, NOBODY_KNOWS, count)
            station.waits = None
        station.done_before = done

    def _lost(self, step: _Step) -> None:
        """The exchange was not answered: a trigger in it may have come or not, and ends now."""
        for n, token in step.begun.items():
            self._put(token, NOBODY_KNOWS, step.inputs.count)
            self._stations[n].high, self._stations[n].since_ns = True, None

    @staticmethod
    def _over(station: _Station, now_ns: int) -> bool:
        """Whether a pulse has lasted long enough, or may have."""
        return station.since_ns is None or now_ns - station.since_ns >= station.width_ns

    def _put(self, token: int, result: int, count: int) -> None:
        at = self._release_total % RING_SIZE
        self._releases = (*self._releases[:at], Release(token, int(result), count), *self._releases[at + 1 :])
        self._release_total = (self._release_total + 1) % U16

    # What a field block would have shown.

    def _status(self, command: Command, inputs: PlainInputs) -> Status:
        first, *further = [self._station_status(*both) for both in zip(self._stations, inputs.stations, strict=True)]
        flags = (
            (StatusBit.DETECTOR_BLOCKED, inputs.detector),
            (StatusBit.INTERLOCKS_CLOSED, not self._wanted & ~inputs.interlocks),
            (StatusBit.MARKER_READY, first.ready),
            (StatusBit.MARKER_BUSY, first.busy),
            (StatusBit.MARKER_FAULT, first.fault),
            (StatusBit.DRIVE_RUNNING, inputs.drive),
            (StatusBit.INHIBITED, not self._granted),
            (StatusBit.FORWARD_COUNTS_DOWN, bool(command.control & ControlBit.FORWARD_COUNTS_DOWN)),
            (StatusBit.FLUSH_DONE, self._flush),
        )
        return Status(
            boot_id=self._boot_id,
            heartbeat_echo=command.heartbeat,
            bits=sum(int(bit) for bit, on in flags if on),
            interlocks=inputs.interlocks,
            interlocks_opened=self._opened,
            inhibit_cause=int(self._cause),
            ack_token=self._ack[0],
            ack_result=self._ack[1],
            ack_count=self._ack[2],
            armed=first.armed,
            depth=first.depth,
            belt_count=inputs.count,
            sample_us=inputs.sample_us,
            release_total=self._release_total,
            job_loaded=command.job_number,
            owner=command.owner,
            releases=self._releases,
            stations=tuple(further),
        )

    @staticmethod
    def _station_status(station: _Station, told: StationInputs) -> StationStatus:
        busy = station.high or station.waits is not None or bool(told.busy)
        ready = not busy and not told.fault if told.ready is None else told.ready
        return StationStatus(int(station.waits is not None), 0, ready, busy, told.fault, 0)
