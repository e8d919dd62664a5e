"""What people and the plant ask for: accepted, or refused with a reason and no change."""

from __future__ import annotations

from controller import forcing
from controller.events import CallAnswered, CountersReset, ModeChanged
from controller.faults import FAULTS, Reaction
from controller.line import Line
from controller.model import Call, Forced, Mode, Refusal, Reply, State
from controller.modes import COMMANDS, accept, mode_refusal, refusal, title
from controller.registers import StatusBit
from controller.unit import enter

STARTS = frozenset({"reset", "start", "clear", "unhold", "unsuspend", "test-mark"})
"""Calls that bring the line nearer to marking: they come from where the line is set to be commanded from."""

Refused = tuple[Refusal, str] | None
"""Why a call is refused, and in words; None where it is not."""

FROM_PLANT = frozenset({"stop", "hold", "suspend", "abort", "complete", "acknowledge", "local"})
"""Calls that the plant may give although the line is set to local: none of them brings it nearer to marking."""

BY_ITSELF = "the controller"
"""Who lets a forced output go when it may not be forced any more."""


def answer(line: Line, call: Call, now_ns: int) -> Reply:
    """Carry out a call or refuse it."""
    refused = _refused(line, call) or _carry_out(line, call, now_ns)
    kind, reason = refused or (None, "")
    reply = Reply(call, refused is None, reason, kind)
    line.events.append(CallAnswered(now_ns, reply))
    return reply


def start_blockers(line: Line) -> list[str]:
    """What keeps a start from being accepted now, each in words."""
    status = line.status
    if status is None or line.link_error:
        return [f"the I/O side does not answer ({line.link_error})"]
    blockers = [line.faults.describe(name) for name in line.faults.present(Reaction.SUSPEND)]
    plain = line.spec.plain
    if plain is not None and plain.unproven and not line.spec.dry:
        blockers.append(plain.unproven)
    ready = bool(status.bits & StatusBit.MARKER_READY) and all(s.ready for s in status.stations)
    if not ready and not line.faults.is_active("marker_not_ready"):
        blockers.append("the marker is not ready")
    if status.owner != line.owner:
        blockers.append("the I/O side has not taken this controller as its owner yet")
    return blockers


def not_forcible(line: Line) -> str:
    """What keeps an auxiliary output from being forced now; empty when nothing does."""
    status = line.status
    if status is None or line.faults.is_active("link_lost"):
        return f"the I/O side does not answer ({line.link_error})"
    if status.owner != line.owner:
        return "the I/O side has not taken this controller as its owner"
    return forcing.refusal(line.state, line.mode, line.remote)


def keep_forced(line: Line, now_ns: int) -> None:
    """Let a forced output go as soon as it may not be forced any more, and record that."""
    forced = line.forced
    if forced is None:
        return
    why = "the I/O side restarted" if forced.boot_id != line.boot_id else not_forcible(line)
    if why:
        line.forced = None
        line.events.append(CallAnswered(now_ns, Reply(Call("unforce", BY_ITSELF, "local", forced.name), True, why)))


def _refused(line: Line, call: Call) -> Refused:
    plant = call.source == "plant"
    if plant and call.verb == "force":
        return Refusal.PLACE, "force is refused: outputs are forced at the line, not from the plant"
    if plant and call.verb == "remote":
        return Refusal.PLACE, "remote is refused: it is set at the line, not from the plant"
    if plant and not line.remote and call.verb not in FROM_PLANT:
        return Refusal.PLACE, f"{call.verb} is refused: the line is set to local; set it to remote first"
    if line.remote and not plant and call.verb in STARTS:
        return Refusal.PLACE, f"{call.verb} is refused: the line is set to plant; set it to local first"
    if call.verb in COMMANDS and accept(call.verb, line.state) is None:
        return Refusal.STATE, refusal(call.verb, line.state)
    if call.verb in ("clear", "reset"):
        causes = line.faults.present(Reaction.ABORT)
        if causes:
            return Refusal.CAUSE, f"{call.verb} is refused in {title(line.state)}: {line.faults.describe(causes[0])}"
    if call.verb in ("unhold", "unsuspend", "start"):
        blockers = start_blockers(line)
        if blockers:
            return Refusal.CAUSE, f"{call.verb} is refused in {title(line.state)}: {blockers[0]}"
    if call.verb == "start" and line.mode is Mode.MANUAL:
        return Refusal.STATE, "start is refused in mode Manual: nothing runs by itself there"
    return None


def _carry_out(line: Line, call: Call, now_ns: int) -> Refused:
    """Do what was asked; returns why if it turns out that it cannot be done."""
    verb = call.verb
    if verb in COMMANDS:
        target = accept(verb, line.state)
        if target is None:
            return Refusal.STATE, refusal(verb, line.state)
        if verb == "reset":
            line.faults.reset(now_ns)
        enter(line, target, f"{verb} by {call.who}", now_ns)
        return None
    if verb == "mode":
        return _mode(line, call, now_ns)
    if verb == "acknowledge":
        if call.argument and call.argument not in FAULTS:
            return Refusal.ARGUMENT, f"no fault is called {call.argument!r}"
        done = line.faults.acknowledge(call.argument, now_ns)
        return None if done else (Refusal.CAUSE, "there is nothing to acknowledge")
    if verb == "reset-counters":
        line.book.reset_counters()
        line.events.append(CountersReset(now_ns, call.who))
        return None
    if verb in ("local", "remote"):
        line.remote = verb == "remote"
        return None
    if verb == "line-clear":
        if line.status is None:
            return Refusal.CAUSE, "line-clear is refused: the I/O side has not answered yet"
        line.unknown_until = line.travel.counts
        return None
    if verb == "test-mark":
        return _test_mark(line, call, now_ns)
    if verb == "force":
        return _force(line, call, now_ns)
    if verb == "unforce":
        return _unforce(line, call.argument)
    return Refusal.ARGUMENT, f"no command is called {verb!r}"


def _mode(line: Line, call: Call, now_ns: int) -> Refused:
    names = {mode.name.lower(): mode for mode in Mode}
    mode = names.get(call.argument.lower())
    if mode is None:
        return Refusal.ARGUMENT, f"no mode is called {call.argument!r}; the modes are {', '.join(names)}"
    reason = mode_refusal(line.state, mode)
    if reason is not None:
        return Refusal.STATE, reason
    if mode is not line.mode:
        line.events.append(ModeChanged(now_ns, line.mode, mode, call.who))
        line.mode = mode
    return None


def _test_mark(line: Line, call: Call, now_ns: int) -> Refused:
    if line.mode is not Mode.MAINTENANCE or line.state is not State.EXECUTE:
        where = f"{title(line.state)} of mode {line.mode.name.capitalize()}"
        return Refusal.STATE, f"test-mark is refused in {where}; it is accepted in Execute of mode Maintenance"
    if line.spec.dry:
        return Refusal.STATE, "test-mark is refused in a dry run: the enable output stays off"
    if line.test_station is not None:
        return Refusal.STATE, "test-mark is refused: the last one is not over"
    names = [station.name for station in line.spec.stations]
    if call.argument and call.argument not in names:
        return Refusal.ARGUMENT, f"no station is called {call.argument!r}; the stations are {', '.join(names)}"
    line.test_station = names.index(call.argument) if call.argument else 0
    line.state_ns = now_ns
    line.enable.begin(line.next_heartbeat)
    return None


def _force(line: Line, call: Call, now_ns: int) -> Refused:
    try:
        name, on = forcing.parse(call.argument)
    except ValueError as error:
        return Refusal.ARGUMENT, f"force is refused: {error}"
    if name not in line.spec.auxiliary:
        return Refusal.ARGUMENT, f"force is refused: this line's I/O side has no output {name}"
    reason = not_forcible(line)
    if reason:
        return Refusal.STATE, f"force is refused: {reason}"
    if line.forced is not None:
        return Refusal.STATE, f"force is refused: {line.forced.name} is forced by {line.forced.who}; one at a time"
    line.forced = Forced(name, on, call.who, now_ns, line.boot_id)
    return None


def _unforce(line: Line, name: str) -> Refused:
    if line.forced is None or line.forced.name != name:
        return Refusal.ARGUMENT, f"{name} is not forced"
    line.forced = None
    return None
