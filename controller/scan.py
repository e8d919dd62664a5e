"""One scan: read → travel → products → requests → mode → orders → write → publish.

`scan` is a function of (line, image, time, calls) and of nothing else: no clock, no I/O, no randomness. It changes the
`Line` it is given, returns what to write and what happened, and gives the same answer to the bit wherever it runs.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from controller import unit
from controller.calls import answer, keep_forced
from controller.line import Line
from controller.model import Call, State
from controller.modes import MARKING, RAISING, WITHDRAWING
from controller.ordering import order_next, undecided
from controller.outcome import Image, NextAct, Outcome
from controller.registers import ControlBit
from controller.release import U16
from controller.travel import IdleStretch
from controller.view import snapshot
from controller.watch import COASTING_S, READY_GRACE_S

__all__ = ["Line", "idle", "next_act", "scan", "snapshot"]

LOOK_AGAIN_NS: Final = 1_000_000_000
"""However quiet the line is, the core wants to see it again after this time."""
BUSY: Final = RAISING | WITHDRAWING | frozenset({State.CLEARING, State.RESETTING, State.COMPLETING})
"""States in which every scan may decide something."""


def scan(line: Line, image: Image, now_ns: int, calls: Sequence[Call] = ()) -> Outcome:
    """Decide once. `now_ns` is the monotonic instant at which the exchange of `image` had ended."""
    line.scans += 1
    status = image.status
    line.orders.carried(image.sent_ns)
    line.sent_ns = image.sent_ns
    if status is None:
        line.link_error = image.error or "no answer"
        line.link.gap()
    else:
        line.take(status, image, now_ns)
    line.watch_faults(status, image, now_ns)
    unit.react(line, now_ns)
    replies = tuple([answer(line, call, now_ns) for call in calls])
    unit.act(line, status, now_ns)
    keep_forced(line, now_ns)
    placed = order_next(line, status, now_ns) if status is not None else False
    before = line.command.control
    line.heartbeat = line.next_heartbeat
    command = line.command
    # An order, and an output that must drop, do not wait for the next period.
    now = command.control
    send_at_ns = line.orders.send_at_ns
    at_once = (
        (placed and not line.orders.in_time)
        or bool(before & ~now & ControlBit.ENABLE)
        or bool(now & ~before & ControlBit.FLUSH)
    )
    return Outcome(command, line.drain_events(), replies, at_once, send_at_ns)


def next_act(line: Line, now_ns: int) -> NextAct | None:
    """When, after a scan at `now_ns`, the line can next decide anything but an order; None: at any scan."""
    travel, spec = line.travel, line.spec
    speed = travel.speed_counts_s
    if (
        line.state in BUSY
        or line.status is None
        or not line.orders.free
        or line.orders.passing
        or line.test_station is not None
        or line.timed
        or line.faults.any_present
        or line.link_error
        or speed < 0
    ):
        return None
    counts = min(line.marks.next_counts(line.state), line.eye.next_counts(), line.orders.next_passed)
    jam_mm = spec.detector.jam_length_mm
    if jam_mm is not None:
        counts = min(counts, travel.counts + (jam_mm - line.eye.blocked_mm(travel.counts)) / spec.scale_mm)
    # A time that has passed already has been acted on; at the time itself nothing has yet lasted longer than it.
    at_ns = min([t for t in _deadlines(line, now_ns + LOOK_AGAIN_NS) if t >= now_ns]) + 1
    return NextAct(counts, at_ns, line.edge_waits())


def _deadlines(line: Line, look_again_ns: int) -> Iterator[int]:
    """The instants at which something is decided although nothing happens."""
    spec, watch, silent_s = line.spec, line.watch, line.spec.detector.silent_after_s
    yield look_again_ns
    if watch.drive:
        yield max(line.travel.moved_ns, watch.drive_ns) + int(spec.limits.stall_s * 1e9)
    else:
        yield watch.drive_ns + int(COASTING_S * 1e9)
    if silent_s is not None and line.state in MARKING:
        yield line.silent_since_ns + int(silent_s * 1e9)
    for index, since_ns in watch.unready_ns.items():
        yield since_ns + int((spec.stations[index].rearm_s + READY_GRACE_S) * 1e9)


def idle(line: Line, stretch: IdleStretch) -> int:
    """Do what scans do in which nothing happens: the heartbeat moves on and the belt is followed.

    Takes as many of the stretch's scans as decide nothing, and returns how many: fewer than all when an order becomes
    due. For a bench in virtual time, which has asked `next_act` for everything else; on a real line the lease wants
    every scan.
    """
    ahead = line.travel.look(stretch)
    scans = undecided(line, ahead)
    if scans:
        line.scans += scans
        line.heartbeat = (line.heartbeat + scans) % U16
        line.link.gap()
        line.follow(ahead, scans)
        line.watch.kept((line.heartbeat - 1) % U16, stretch.got_ns(scans))
    return scans
