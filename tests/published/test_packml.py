"""PackML: state numbers, and what every state does with every command.

Source of the numbers and of the acceptance: OPC Foundation UA-Nodeset, PackML/Opc.Ua.PackML.NodeSet2.xml, model 1.01
(2020-10-08), which OPC 30050 belongs to; the numbers agree with simatic-ax/lpmlv2022. The 2022 edition of
ISA-TR88.00.02 lets Hold and Complete be accepted in other states; this project follows NodeSet 1.01.
Number 0 (Undefined) and the command numbers are second-hand (lpmlv2022) and not asserted.
"""

from __future__ import annotations

import pytest

from controller.calls import answer
from controller.events import StateChanged
from controller.model import Call, Mode, State
from controller.modes import COMMANDS, DONE
from tests.unit.core_kit import Rig

NUMBERS = {
    1: "CLEARING", 2: "STOPPED", 3: "STARTING", 4: "IDLE", 5: "SUSPENDED", 6: "EXECUTE", 7: "STOPPING", 8: "ABORTING",
    9: "ABORTED", 10: "HOLDING", 11: "HELD", 12: "UNHOLDING", 13: "SUSPENDING", 14: "UNSUSPENDING", 15: "RESETTING",
    16: "COMPLETING", 17: "COMPLETE",
}  # fmt: skip

_ALL = set(NUMBERS.values())
ACCEPTED = {
    "abort": (_ALL - {"ABORTING", "ABORTED"}, "ABORTING"),
    "clear": ({"ABORTED"}, "CLEARING"),
    "stop": (_ALL - {"ABORTING", "ABORTED", "CLEARING", "STOPPING", "STOPPED"}, "STOPPING"),
    "reset": ({"STOPPED", "COMPLETE"}, "RESETTING"),
    "start": ({"IDLE"}, "STARTING"),
    "hold": ({"EXECUTE", "STARTING", "SUSPENDING", "SUSPENDED", "UNSUSPENDING", "UNHOLDING"}, "HOLDING"),
    "unhold": ({"HELD"}, "UNHOLDING"),
    "suspend": ({"EXECUTE"}, "SUSPENDING"),
    "unsuspend": ({"SUSPENDED"}, "UNSUSPENDING"),
    "complete": ({"EXECUTE"}, "COMPLETING"),
}
STATE_DONE = {
    "CLEARING": "STOPPED", "STOPPING": "STOPPED", "RESETTING": "IDLE", "STARTING": "EXECUTE", "UNHOLDING": "EXECUTE",
    "UNSUSPENDING": "EXECUTE", "HOLDING": "HELD", "SUSPENDING": "SUSPENDED", "COMPLETING": "COMPLETE",
    "ABORTING": "ABORTED",
}  # fmt: skip


def test_the_states_have_the_standards_numbers() -> None:
    assert {int(s): s.name for s in State} == NUMBERS


def test_the_modes_have_the_standards_numbers() -> None:
    """ProductionMaintenanceModeEnum of the same NodeSet; 0 is Invalid."""
    assert {int(m): m.name for m in Mode} == {1: "PRODUCTION", 2: "MAINTENANCE", 3: "MANUAL"}


def test_there_are_the_ten_commands_and_ten_states_that_end_by_themselves() -> None:
    assert set(COMMANDS) == set(ACCEPTED)
    assert {a.name: b.name for a, b in DONE.items()} == STATE_DONE


def ready_line() -> Rig:
    """A line whose I/O side answers and where nothing but the state decides on a command."""
    rig = Rig()
    rig.run(0.03)
    rig.line.drain_events()
    return rig


@pytest.mark.parametrize("state", sorted(NUMBERS), ids=lambda n: NUMBERS[n])
@pytest.mark.parametrize("verb", sorted(ACCEPTED))
def test_every_state_and_command(state: int, verb: str) -> None:
    rig = ready_line()
    line = rig.line
    line.state = State(state)
    reply = answer(line, Call(verb, "ann"), rig.now_ns)
    states, target = ACCEPTED[verb]
    changes = [e for e in line.events if isinstance(e, StateChanged)]
    if NUMBERS[state] in states:
        assert reply.accepted
        assert line.state.name == target
        assert [(e.old, e.new.name) for e in changes] == [(State(state), target)]
    else:
        assert not reply.accepted
        assert verb in reply.reason
        assert line.state is State(state)
        assert changes == []
        assert not line.enable.high


def test_power_up_is_in_stopped() -> None:
    """OPC 30050 6.3.5 names Aborted as the system's initial state and Stopped as the alternative; here it is Stopped."""
    assert Rig().line.state is State.STOPPED
