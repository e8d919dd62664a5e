"""The field block's I/O side as a device of discrete events: pure, on a clock of integer nanoseconds handed in.

`advance` carries out everything up to a time in its order; `write` and `read` are the two halves of an exchange.
Its rules can be switched off one by one (`device_spec`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Final

from controller.registers import (
    BACKWARD,
    AckResult,
    Capture,
    Command,
    ControlBit,
    Edge,
    InhibitCause,
    OrderKind,
    Release,
    Status,
    StatusBit,
    serial_ahead,
)
from sim.belt import FOREVER_NS, Belt
from sim.compare import Compare
from sim.detector import Eye, EyeSpec
from sim.device_spec import DeviceSpec
from sim.encoder import Encoder
from sim.marker import Marker, Markers, MarkerSpec, MarkTruth
from sim.permit import Permit
from sim.products import Product
from sim.rings import Ring
from sim.script import Change, Happening, Kind, changes, intervals, within

LINE_BITS = {
    Kind.UPSTREAM_EMPTY: int(StatusBit.UPSTREAM_EMPTY),
    Kind.DOWNSTREAM_BLOCKED: int(StatusBit.DOWNSTREAM_BLOCKED),
    Kind.STOP_REQUESTED: int(StatusBit.STOP_REQUESTED),
}
# The status bits as plain numbers: a flag's own arithmetic would cost more than everything else in a read.
_BLOCKED: Final = int(StatusBit.DETECTOR_BLOCKED)
_CLOSED: Final = int(StatusBit.INTERLOCKS_CLOSED)
_READY: Final = int(StatusBit.MARKER_READY)
_BUSY: Final = int(StatusBit.MARKER_BUSY)
_FAULT: Final = int(StatusBit.MARKER_FAULT)
_DRIVE: Final = int(StatusBit.DRIVE_RUNNING)
_INHIBITED: Final = int(StatusBit.INHIBITED)
_DOWN: Final = int(StatusBit.FORWARD_COUNTS_DOWN)
_FLUSHED: Final = int(StatusBit.FLUSH_DONE)


def _ignore(_: object) -> None:
    return None


class Device:
    """The I/O side with everything it is wired to. Times never run backward; an earlier one raises ValueError."""

    def __init__(
        self, spec: DeviceSpec, belt: Belt, encoder: Encoder, supply: Iterator[Product],
        markers: Sequence[MarkerSpec], *, eye: EyeSpec | None = None, happenings: Sequence[Happening] = (),
        on_product: Callable[[Product], None] = _ignore, on_mark: Callable[[MarkTruth], None] = _ignore,
    ) -> None:  # fmt: skip
        self.spec, self.belt, self.encoder = spec, belt, encoder
        self.now_ns = 0
        self.running = False
        self._off, self._frozen = False, False
        self._quiet_until_ns = 0
        """Nothing happens by itself before this time."""
        self._line_bits = 0
        self._markers = Markers(markers, belt, spec.rules_off, on_mark)
        self._captures = Ring(Capture(0, 0))
        self._releases = Ring(Release(0, 0, 0))
        self._permit = Permit(spec.boot_id, spec.interlocks, spec.lease_limit_ns, spec.rules_off, self._lost)
        self._compare = Compare(encoder, tuple(m.depth for m in markers), spec.rules_off)
        self._eye = Eye(eye or EyeSpec(), belt, supply, self._captured, on_product)
        self._happenings = happenings
        self._changes: list[Change] = []
        self._next_change = 0
        self._link_gaps: list[tuple[int, int | None]] = []
        self._drive = False
        self._drive_ns: int | None = None
        self._job_forced: int | None = None
        self._boot(0)
        if belt.zero_ns is not None:
            self._begin(belt.zero_ns)

    def _boot(self, t_ns: int) -> None:
        """Set the registers as after power-up."""
        self._token = 0
        self._ack = (0, int(AckResult.NONE), 0)
        self._flush = False
        self._counts_down = False
        self._job = 0
        self._captures.clear()
        self._releases.clear()
        self._clock_ns = t_ns
        self._compare.drop_all()
        self._compare.set_sense(False, t_ns)
        for marker in self._markers.each:
            marker.settle(t_ns)
            marker.done_total = 0

    def _begin(self, t_ns: int) -> None:
        """Begin the belt's profile."""
        self.belt.start(t_ns)
        self.encoder.start(t_ns)
        self._changes = changes(self._happenings, self.belt)
        self._link_gaps = intervals(self._changes, frozenset({Kind.LINK_DROP, Kind.IO_RESTART}))
        self._drive = self.belt.running(t_ns)
        self._drive_ns = self.belt.running_changes_ns(t_ns)
        self._eye.look(t_ns)
        self._compare.look(t_ns)

    # Time.

    def advance(self, t_ns: int) -> None:
        """Carry out every event up to and including this time. Raises ValueError for a time already past."""
        if t_ns < self.now_ns:
            raise ValueError(f"the device is at {self.now_ns} ns and cannot go back to {t_ns} ns")
        if t_ns < self._quiet_until_ns:
            self.now_ns = t_ns
            return
        compare, eye, permit, markers = self._compare, self._eye, self._permit, self._markers
        while True:
            due_ns, what = t_ns + 1, 0
            # At the same instant what forbids comes before what releases.
            if self._next_change < len(self._changes) and self._changes[self._next_change].t_ns < due_ns:
                due_ns, what = self._changes[self._next_change].t_ns, 1
            expires_ns = permit.expires_ns
            if expires_ns is not None and expires_ns < due_ns:
                due_ns, what = expires_ns, 2
            mark_ns = markers.next_ns
            if mark_ns is not None and mark_ns < due_ns:
                due_ns, what = mark_ns, 3
            eye_ns = eye.next_ns
            if eye_ns is not None and eye_ns < due_ns:
                due_ns, what = eye_ns, 4
            if compare.next_ns is not None and compare.next_ns < due_ns:
                due_ns, what = compare.next_ns, 5
            if what == 0:
                break
            if what == 4:
                eye.step()
            elif what == 5:
                reached = compare.step()
                if reached is not None:
                    self._release(reached[0].token, reached[0].station, reached[1], due_ns)
            elif what == 3:
                markers.step()
            elif what == 2:
                permit.lose(InhibitCause.LEASE_EXPIRED)
            else:
                self._next_change += 1
                self._change(self._changes[self._next_change - 1])
        while self._drive_ns is not None and self._drive_ns <= t_ns:
            self._drive = not self._drive
            self._drive_ns = self.belt.running_changes_ns(self._drive_ns)
        self.now_ns = t_ns
        soonest_ns = FOREVER_NS
        if self._next_change < len(self._changes):
            soonest_ns = self._changes[self._next_change].t_ns
        for coming_ns in (permit.expires_ns, markers.next_ns, eye.next_ns, compare.next_ns, self._drive_ns):
            if coming_ns is not None and coming_ns < soonest_ns:
                soonest_ns = coming_ns
        self._quiet_until_ns = soonest_ns

    def next_event_ns(self, after_ns: int, *, lease_kept: bool = False) -> int | None:
        """When something next happens on which a controller could decide; advances to `after_ns` first.

        Counts moving on and a marker's ordinary busy, ready and done are no such event. With `lease_kept` the
        caller vouches for the lease (`keep_lease`), so its expiry is left out. None: nothing ever.
        """
        self.advance(after_ns)
        other_ns = None if self._next_change >= len(self._changes) else self._changes[self._next_change].t_ns
        expires_ns = None if lease_kept else self._permit.expires_ns
        unready_ns = self._markers.unready_ns(after_ns)
        for t_ns in (expires_ns, self._compare.next_ns, self._drive_ns, unready_ns):
            if t_ns is not None and (other_ns is None or t_ns < other_ns):
                other_ns = t_ns
        edge_ns = self._eye.next_change_ns
        self.edge_next = edge_ns is not None and (other_ns is None or edge_ns < other_ns)
        return edge_ns if self.edge_next else other_ns

    def _change(self, change: Change) -> None:
        match change.kind:
            case Kind.INTERLOCK_OPEN:
                self._permit.set_interlock(change.number, not change.on)
            case Kind.MARKER_FAULT:
                marker = self._markers.each[change.number]
                if change.on:
                    marker.break_down(change.t_ns)
                else:
                    marker.fault = False
            case Kind.NOT_READY:
                self._markers.each[change.number].not_ready = change.on
            case Kind.FREEZE_HEARTBEAT:
                self._frozen = change.on
            case Kind.JOB_LOADED:
                self._job_forced = change.number if change.on else None
            case Kind.IO_RESTART:
                self._off = change.on
                if change.on:
                    self._permit.lose(InhibitCause.ENABLE_NOT_CYCLED)
                    self._compare.drop_all()
                else:
                    self._permit.restart(self._permit.boot_id % 0xFFFF + 1)
                    self.encoder.preset(self.spec.restart_raw, change.t_ns)
                    self._boot(change.t_ns)
            case Kind.UPSTREAM_EMPTY | Kind.DOWNSTREAM_BLOCKED | Kind.STOP_REQUESTED:
                bit = LINE_BITS[change.kind]
                self._line_bits = self._line_bits | bit if change.on else self._line_bits & ~bit
            case _:
                pass  # a link drop is the link's own affair: `link_down`

    def _lost(self) -> None:
        if 1 not in self.spec.rules_off:
            self._compare.drop_all()

    def _captured(self, t_ns: int, blocked: bool, backward: bool, product: Product | None) -> None:
        if self._off:
            return
        if product is not None:
            product.captured = True
        edge = int(Edge.BLOCKED if blocked else Edge.CLEARED)
        if backward == self._compare.forward_is_true:
            edge |= BACKWARD
        self._captures.put(Capture(edge, self.encoder.raw(t_ns)))

    def _release(self, token: int, station: int, raw: int, t_ns: int) -> None:
        """Trigger the marker of a target reached, or of a release asked for at once."""
        result = self._markers.trigger(token, station, raw, t_ns)
        self._releases.put(Release(token, int(result), raw))

    # Exchanges.

    def write(self, command: Command, t_ns: int) -> None:
        """Take up a request as a whole, or ignore it as a whole."""
        self.advance(t_ns)
        if self._off or self._frozen:
            return
        self._quiet_until_ns = 0
        accepted, newcomer = self._permit.admit(command, t_ns)
        if not accepted:
            return
        if newcomer:
            self._token = command.order_token
            self._ack = (command.order_token, int(AckResult.NONE), 0)
            self._flush = False
        if not command.control & ControlBit.ENABLE:
            self._counts_down = bool(command.control & ControlBit.FORWARD_COUNTS_DOWN)
            self._compare.set_sense(self._counts_down, t_ns)
        if self._permit.take_enable(command):
            self._compare.enable_rose(t_ns)
        flush = bool(command.control & ControlBit.FLUSH)
        if flush and not self._flush:
            self._compare.drop_all()
        self._flush = flush
        self.running = bool(command.control & ControlBit.RUNNING)
        if self.running and self.belt.zero_ns is None:
            self._begin(t_ns)
        self._job = command.job_number
        if newcomer or command.order_kind == OrderKind.NONE:
            return
        if serial_ahead(command.order_token, self._token) or 3 in self.spec.rules_off:
            self._order(command, t_ns)

    def _order(self, command: Command, t_ns: int) -> None:
        token, station = command.order_token, command.order_station
        raw = command.order_count % self.encoder.modulus
        result = AckResult.NONE
        if not self._permit.effective:
            right = command.boot_id_seen == self._permit.boot_id
            result = AckResult.INHIBITED if right else AckResult.WRONG_BOOT_ID
        elif command.order_kind in (OrderKind.ARM, OrderKind.ARM_REJECT):
            result = self._compare.arm(raw, token, station, t_ns)
            if result is AckResult.LATE and 5 in self.spec.rules_off and station < len(self._markers.each):
                self._release(token, station, self.encoder.raw(t_ns), t_ns)
                result = AckResult.ARMED
        elif command.order_kind == OrderKind.RELEASE_NOW:
            last = command.order_last % self.encoder.modulus
            if station >= len(self._markers.each):
                result = AckResult.FULL
            elif self._compare.in_window(raw, last, t_ns):
                self._release(token, station, self.encoder.raw(t_ns), t_ns)
                result = AckResult.ARMED
            else:
                result = AckResult.OUTSIDE_WINDOW
        elif command.order_kind == OrderKind.CANCEL:
            held = self._compare.cancel(command.order_last & 0xFFFF, t_ns)
            result = AckResult.CANCELLED if held else AckResult.LATE
        self._token = token
        self._ack = (token, int(result), raw)

    def heeds(self, t_ns: int) -> bool:
        """Whether a request of its owner would reach it and be looked at, at this time."""
        return not (self._off or self._frozen or self._permit.owner == 0 or self.link_down(t_ns))

    def keep_lease(self, t_ns: int, heartbeat: int) -> None:
        """Stand for the identical requests, but for their heartbeat, that were skipped up to this time.

        Call it before advancing over the lease's end. Does nothing while requests would not be taken up.
        """
        if self.heeds(t_ns):
            self._permit.renew(heartbeat, t_ns)

    def read(self, t_ns: int) -> Status:
        """Give the status block at this time."""
        self.advance(t_ns)
        permit, armed = self._permit, self._compare.armed
        ack_token, ack_result, ack_count = self._ack
        first, *others = self._markers.each
        further = tuple([m.status(n, t_ns) for m, n in zip(others, armed[1:], strict=True)]) if others else ()
        first.settle(t_ns)
        return Status(
            self.spec.layout,
            permit.boot_id,
            permit.heartbeat,
            self._bits(first, t_ns),
            permit.interlocks,
            permit.opened,
            int(permit.cause),
            ack_token,
            ack_result,
            ack_count,
            armed[0],
            first.spec.depth,
            self.encoder.raw(t_ns),
            self.sample_us_at(t_ns),
            self._captures.total,
            self._releases.total,
            first.done_total,
            self._job if self._job_forced is None else self._job_forced,
            permit.owner,
            self._captures.entries,
            self._releases.entries,
            further,
        )

    def _bits(self, first: Marker, t_ns: int) -> int:
        bits = self._line_bits
        if self._eye.blocked:
            bits |= _BLOCKED
        if self._permit.closed:
            bits |= _CLOSED
        if first.busy(t_ns):
            bits |= _BUSY
        elif first.ready(t_ns):
            bits |= _READY
        if first.fault:
            bits |= _FAULT
        if self._drive:
            bits |= _DRIVE
        if not self._permit.granted:
            bits |= _INHIBITED
        if self._counts_down:
            bits |= _DOWN
        if self._flush:
            bits |= _FLUSHED
        return bits

    def link_down(self, t_ns: int) -> bool:
        """Whether the scenario has the link down, or the I/O side restarting, at this time."""
        return bool(self._link_gaps) and within(self._link_gaps, t_ns)

    # Counts, for whoever skips over idle scans.

    def counts_at(self, times_ns: range) -> list[int]:
        """Give the counter's values at evenly spaced times, whether or not the device has come to them."""
        return self.encoder.raws(times_ns)

    def travel_at(self, t_ns: int) -> int:
        """Give true forward travel in counts since time zero."""
        return self.encoder.travel(t_ns)

    def sample_us_at(self, t_ns: int) -> int:
        """Give the I/O side's own clock at a time."""
        return (self.spec.sample_us + (t_ns - self._clock_ns) // 1000) & 0xFFFFFFFF

    def samples_us_at(self, times_ns: range) -> list[int]:
        """Give the I/O side's own clock at evenly spaced times."""
        begins_us, clock_ns = self.spec.sample_us, self._clock_ns
        return [(begins_us + (t_ns - clock_ns) // 1000) & 0xFFFFFFFF for t_ns in times_ns]

    def time_of_travel_ns(self, travel_counts: int, after_ns: int) -> int | None:
        """First time from `after_ns` on with the belt in this travel (as `travel_at` counts) or beyond; None: never."""
        return self.encoder.enter_ns(travel_counts, after_ns)
