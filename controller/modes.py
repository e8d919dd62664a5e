"""The PackML state model: one table of commands, one of what follows by itself.

State numbers and command acceptance are those of the OPC 30050 NodeSet 1.01 (not of the 2022 edition of
ISA-TR88.00.02, which lets a plant accept Hold and Complete in other states). A pair that is not listed is refused with
a reason and changes nothing. Power-up is in Stopped.
"""

from __future__ import annotations

from typing import Final

from controller.model import Mode, State

_S = State
_RUNNING = frozenset(State) - {_S.ABORTING, _S.ABORTED, _S.CLEARING, _S.STOPPING, _S.STOPPED}

COMMANDS: dict[str, tuple[frozenset[State], State]] = {
    "reset": (frozenset({_S.STOPPED, _S.COMPLETE}), _S.RESETTING),
    "start": (frozenset({_S.IDLE}), _S.STARTING),
    "stop": (_RUNNING, _S.STOPPING),
    "hold": (
        frozenset({_S.EXECUTE, _S.STARTING, _S.SUSPENDING, _S.SUSPENDED, _S.UNSUSPENDING, _S.UNHOLDING}),
        _S.HOLDING,
    ),
    "unhold": (frozenset({_S.HELD}), _S.UNHOLDING),
    "suspend": (frozenset({_S.EXECUTE}), _S.SUSPENDING),
    "unsuspend": (frozenset({_S.SUSPENDED}), _S.UNSUSPENDING),
    "abort": (frozenset(State) - {_S.ABORTING, _S.ABORTED}, _S.ABORTING),
    "clear": (frozenset({_S.ABORTED}), _S.CLEARING),
    "complete": (frozenset({_S.EXECUTE}), _S.COMPLETING),
}
"""Command → the states that accept it, and the state it leads to."""

DONE: dict[State, State] = {
    _S.CLEARING: _S.STOPPED,
    _S.STOPPING: _S.STOPPED,
    _S.RESETTING: _S.IDLE,
    _S.STARTING: _S.EXECUTE,
    _S.UNHOLDING: _S.EXECUTE,
    _S.UNSUSPENDING: _S.EXECUTE,
    _S.HOLDING: _S.HELD,
    _S.SUSPENDING: _S.SUSPENDED,
    _S.COMPLETING: _S.COMPLETE,
    _S.ABORTING: _S.ABORTED,
}
"""Acting state → the state that follows when its work is done. States not listed wait for a command."""

AT_REST: Final = frozenset({_S.STOPPED, _S.CLEARING, _S.ABORTING, _S.ABORTED})
"""The states that no fault moves the line out of: enable is low and stays low."""
MODE_CHANGE_STATES: Final = frozenset({_S.STOPPED, _S.IDLE})
RAISING: Final = frozenset({_S.STARTING, _S.UNHOLDING, _S.UNSUSPENDING})
"""The only states that raise enable."""
MARKING: Final = frozenset({_S.EXECUTE, _S.COMPLETING})
"""The states in which enable is high and orders are given."""
WITHDRAWING: Final = frozenset({_S.STOPPING, _S.ABORTING, _S.HOLDING, _S.SUSPENDING})
"""The states that take back what was ordered and wait until the I/O side shows what became of it."""
VOIDING: Final = frozenset({_S.STOPPING, _S.ABORTING})
"""The states that give up what lies ahead; Holding and Suspending keep it."""
HELD_BACK: Final = frozenset({_S.HOLDING, _S.HELD, _S.SUSPENDING, _S.SUSPENDED}) | RAISING
"""The states in which tracking goes on and requests still ahead wait for the return to Execute."""


def title(state: State) -> str:
    """The state's name as the standard writes it, Execute or Held for instance."""
    return state.name.capitalize()


def accept(verb: str, state: State) -> State | None:
    """The state that `verb` leads to from `state`, or None when the pair is not listed."""
    states, target = COMMANDS[verb]
    return target if state in states else None


def refusal(verb: str, state: State) -> str:
    """Why `verb` is refused in `state`, and where it would be accepted."""
    states = sorted(COMMANDS[verb][0])
    others = [title(s) for s in states] if len(states) <= 6 else [f"every state but {_absent(states)}"]
    return f"{verb} is refused in {title(state)}; it is accepted in {', '.join(others)}"


def _absent(states: list[State]) -> str:
    return ", ".join(title(s) for s in State if s not in states)


def mode_refusal(state: State, mode: Mode) -> str | None:
    """Why the mode cannot be changed in `state`, or None when it can."""
    if state in MODE_CHANGE_STATES:
        return None
    return f"mode {mode.name.capitalize()} is refused in {title(state)}; it is changed in Stopped or Idle"
