"""The unit's states at work: how the line reacts to faults, and what each acting state waits for.

Only Starting, Unholding and Unsuspending raise enable. Leaving Execute drops enable in the same scan and withdraws what
was sent. No start comes from a fault clearing, power returning or a link coming back.
"""

from __future__ import annotations

from typing import Final

from controller.events import StateChanged
from controller.faults import Reaction
from controller.line import Line
from controller.model import Mode, State
from controller.modes import AT_REST, DONE, MARKING, RAISING, VOIDING, WITHDRAWING, accept, title
from controller.ordering import order_test
from controller.registers import Status, StatusBit
from controller.spec import Material

_BY_REACTION: Final = {Reaction.SUSPEND: "suspend", Reaction.HOLD: "hold", Reaction.STOP: "stop"}


def enter(line: Line, state: State, cause: str, now_ns: int) -> None:
    """Go to a state: the one place where the state changes."""
    old, line.state, line.state_ns = line.state, state, now_ns
    line.events.append(StateChanged(now_ns, old, state, cause))
    if state not in MARKING:
        line.enable.lower()
    if state in WITHDRAWING:
        line.orders.withdraw(line.next_heartbeat)
        line.stop_why = cause
        line.test_station = None
        line.suspended_by_line = False
    if state in VOIDING:
        line.void(now_ns, cause)
    if state in RAISING and _marks_here(line):
        line.enable.begin(line.next_heartbeat)
    line.faults.may_stop = state not in AT_REST
    if state is State.EXECUTE:
        line.faults.stop_over()
    if state is State.EXECUTE and old is State.STARTING:
        line.start_web(now_ns)
    line.complete_at = line.travel.counts if state is State.COMPLETING else None


def _marks_here(line: Line) -> bool:
    """Whether Execute marks products: Production, and not a dry run."""
    return line.mode is Mode.PRODUCTION and not line.spec.dry


def react(line: Line, now_ns: int) -> None:
    """Let the strongest fault present, or reported since the last scan, move the line."""
    faults = line.faults
    if not faults.reported and not faults.present(Reaction.SUSPEND):
        return
    names = [*faults.reported, *faults.present(Reaction.SUSPEND)]
    faults.reported.clear()
    for name in sorted(names, key=faults.reaction, reverse=True):
        reaction = faults.reaction(name)
        if reaction is Reaction.ABORT and line.state not in AT_REST:
            enter(line, State.ABORTING, faults.describe(name), now_ns)
        elif reaction in _BY_REACTION:
            target = accept(_BY_REACTION[reaction], line.state)
            if target is not None:
                enter(line, target, faults.describe(name), now_ns)
                line.suspended_by_line = target is State.SUSPENDING


def act(line: Line, status: Status | None, now_ns: int) -> None:
    """Do the present state's work, and go on when it is done."""
    state = line.state
    if state in RAISING:
        _raise_enable(line, status, now_ns)
    elif state in WITHDRAWING:
        _take_back(line, status, now_ns)
    elif state in (State.CLEARING, State.RESETTING):
        _done(line, now_ns)
    elif state is State.COMPLETING:
        _complete(line, now_ns)
    elif state is State.SUSPENDED:
        by_itself = line.spec.auto_unsuspend and line.suspended_by_line
        if by_itself and status is not None and not line.faults.present(Reaction.SUSPEND):
            enter(line, State.UNSUSPENDING, "the line's cause has gone", now_ns)
    elif line.test_station is not None:
        _test_mark(line, status, now_ns)


def _done(line: Line, now_ns: int) -> None:
    enter(line, DONE[line.state], f"{title(line.state)} done", now_ns)


def _raise_enable(line: Line, status: Status | None, now_ns: int) -> None:
    if not _marks_here(line):
        _done(line, now_ns)
        return
    if status is not None:
        line.enable.step(status, line.owner, line.next_heartbeat)
    if line.enable.up:
        _done(line, now_ns)
    elif now_ns - line.state_ns > line.spec.limits.enable_s * 1e9:
        line.faults.report("enable_failed", f"within {line.spec.limits.enable_s:g} s", now_ns)
        react(line, now_ns)


def _take_back(line: Line, status: Status | None, now_ns: int) -> None:
    """Wait until everything sent is resolved and no mark is being made, up to the limit."""
    keep = line.state not in VOIDING
    late = now_ns - line.state_ns > line.spec.limits.stop_s * 1e9
    settled = status is not None and line.orders.settle(status, line.book, now_ns, keep, line.stop_why)
    if not settled and late:
        line.orders.give_up(line.book, now_ns, "the I/O side did not show what became of it")
        settled = True
    if settled and (late or not _marking_now(status)):
        _done(line, now_ns)


def _marking_now(status: Status | None) -> bool:
    return status is not None and (
        bool(status.bits & StatusBit.MARKER_BUSY) or any(station.busy for station in status.stations)
    )


def _complete(line: Line, now_ns: int) -> None:
    """Completing goes on marking what was seen before the command, and ends when that is done.

    A web asks for nothing more in Completing; a separate product's plans may, until its trailing edge is seen.
    """
    asks, until = line.spec.material is Material.DISCRETE, line.complete_at
    seen_before = [p for p in line.book.products.values() if until is not None and p.lead <= until]
    waits = any(p.resolved < p.made or (asks and p.open_plans) for p in seen_before)
    if not waits and not line.book.sent:
        _done(line, now_ns)


def _test_mark(line: Line, status: Status | None, now_ns: int) -> None:
    """Raise enable for one confirmed order only, give it, and drop enable again."""
    if status is None:
        return
    if not line.enable.up:
        line.enable.step(status, line.owner, line.next_heartbeat)
        if line.enable.up:
            order_test(line, status, now_ns)
        elif now_ns - line.state_ns > line.spec.limits.enable_s * 1e9:
            line.faults.report("enable_failed", "for the test mark", now_ns)
            react(line, now_ns)
    elif line.orders.test_token is None or now_ns - line.state_ns > line.spec.limits.stop_s * 1e9:
        line.orders.give_up(line.book, now_ns, "the I/O side did not show what became of it")
        line.enable.lower()
        line.test_station = None
