"""Forced outputs: what may be held by a person, when, and that nothing else of a command is ever moved by it."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.calls import BY_ITSELF
from controller.events import CallAnswered
from controller.forcing import AUXILIARY, STANDING, applied, parse, refusal
from controller.layout import COMMAND_WORDS, STATUS_WORDS
from controller.model import Call, Forced, Mode, State
from controller.registers import Command, ControlBit
from sim.script import Happening, Kind
from tests.unit.core_kit import MS, OWNER, Rig, line_spec

OURS = int(ControlBit.LINE_STOP | ControlBit.RUNNING)
NAMES = [*COMMAND_WORDS, *STATUS_WORDS, *(bit.name.lower() for bit in ControlBit), "control.running", "", "x" * 200]


def maintenance(**spec: object) -> Rig:
    rig = Rig(line_spec(**spec))
    rig.run(0.05)
    assert rig.call("mode", "maintenance") == ""
    return rig


def bits(rig: Rig) -> int:
    return rig.command.control & OURS


def fields(command: Command) -> tuple[int, ...]:
    return (
        command.heartbeat, command.control & ~OURS, command.boot_id_seen, command.owner, command.lease_ms,
        command.job_number, command.order_kind, command.order_station, command.order_count, command.order_last,
        command.order_token,
    )  # fmt: skip


@pytest.mark.parametrize(("name", "bit"), [("line_stop", ControlBit.LINE_STOP), ("running", ControlBit.RUNNING)])
def test_an_auxiliary_output_is_held_until_it_is_let_go(name: str, bit: ControlBit) -> None:
    rig = maintenance()
    assert rig.call("force", f"{name}=1") == ""
    rig.run(0.1)
    assert bits(rig) == bit
    forced = rig.look().forced
    assert (forced.name, forced.on, forced.who) == (name, True, "ann")
    assert rig.call("unforce", name) == ""
    assert (bits(rig), rig.look().forced) == (0, None)


def test_only_one_output_is_held_at_a_time() -> None:
    rig = maintenance()
    assert rig.call("force", "line_stop=1") == ""
    assert rig.call("force", "running=1") == "force is refused: line_stop is forced by ann; one at a time"
    assert rig.call("unforce", "running") == "running is not forced"
    assert bits(rig) == ControlBit.LINE_STOP


@pytest.mark.parametrize("name", [n for n in NAMES if n not in ("line_stop", "running")])
@pytest.mark.parametrize("value", ["0", "1"])
def test_whatever_could_permit_or_release_a_mark_is_no_auxiliary_output(name: str, value: str) -> None:
    rig = maintenance()
    assert "only line_stop and running may be forced" in rig.call("force", f"{name}={value}")
    assert rig.look().forced is None


@pytest.mark.parametrize("text", ["", "running", "running=", "running=2", "running=on", "running=01", "running= 1"])
def test_an_output_is_forced_to_0_or_1_and_to_nothing_else(text: str) -> None:
    with pytest.raises(ValueError, match="the value is 0 or 1"):
        parse(text)


def test_what_the_io_side_does_not_have_cannot_be_forced() -> None:
    rig = maintenance(auxiliary=("running",))
    assert rig.call("force", "line_stop=1") == "force is refused: this line's I/O side has no output line_stop"


@pytest.mark.parametrize("mode", ["production", "manual"])
def test_outputs_are_forced_in_maintenance_only(mode: str) -> None:
    rig = Rig()
    rig.run(0.05)
    rig.call("mode", mode)
    assert f"mode is {mode.capitalize()}" in rig.call("force", "running=1")
    assert rig.look().not_forcible.endswith(mode.capitalize())


def test_where_a_mark_is_possible_none_is_forced_and_none_stays_forced() -> None:
    rig = maintenance()
    assert rig.call("reset") == ""
    rig.until(State.IDLE)
    assert rig.call("force", "running=0") == ""
    assert rig.call("start") == ""
    assert rig.look().forced is None
    rig.until(State.EXECUTE)
    assert bits(rig) == ControlBit.RUNNING
    assert "it is in Execute" in rig.call("force", "running=0")


@pytest.mark.parametrize("state", State)
def test_the_states_in_which_outputs_are_forced_are_those_that_stand(state: State) -> None:
    # ISA-TR88.00.02: the states that wait for a command, without those that go on where they were.
    standing = {State.STOPPED, State.IDLE, State.COMPLETE, State.ABORTED}
    assert (refusal(state, Mode.MAINTENANCE, remote=False) == "") == (state in standing)


def test_leaving_the_mode_lets_go_in_the_same_scan_and_that_is_recorded() -> None:
    rig = maintenance()
    assert rig.call("force", "line_stop=1", who="bob") == ""
    rig.run(0.05)
    assert rig.call("mode", "production") == ""
    assert bits(rig) == 0
    said = [(e.reply.call.verb, e.reply.call.argument, e.reply.call.who) for e in rig.of(CallAnswered)]
    assert said[-3:] == [
        ("force", "line_stop=1", "bob"), ("mode", "production", "ann"), ("unforce", "line_stop", BY_ITSELF),
    ]  # fmt: skip
    assert rig.of(CallAnswered)[-1].reply.reason.endswith("the mode is Production")


@pytest.mark.parametrize("verb", ["abort", "remote"])
def test_what_leads_away_from_standing_at_the_line_lets_go(verb: str) -> None:
    rig = maintenance()
    assert rig.call("force", "running=1") == ""
    assert rig.call(verb) == ""
    assert rig.look().forced is None
    assert bits(rig) == 0
    rig.run(0.2)
    assert bits(rig) == 0


def test_the_plant_forces_nothing() -> None:
    rig = maintenance()
    assert "not from the plant" in rig.call("force", "running=1", source="plant")
    assert rig.call("remote") == ""
    assert "not from the plant" in rig.call("force", "running=1", source="plant")
    assert "set to plant" in rig.call("force", "running=1")


def test_a_lost_link_lets_go_and_nothing_comes_back_with_it() -> None:
    rig = maintenance()
    assert rig.call("force", "running=1") == ""
    rig.run(0.5, lost="both")
    rig.run(0.5)
    assert (bits(rig), rig.look().forced, rig.look().link_error) == (0, None, "")


def test_without_an_io_side_that_answers_nothing_is_forced() -> None:
    rig = Rig()
    rig.scan(Call("mode", "ann", "local", "maintenance"), lost="both")
    reply = rig.scan(Call("force", "ann", "local", "running=1"), lost="both").replies[0]
    assert reply.reason == "force is refused: the I/O side does not answer (cable out)"


def test_what_was_held_does_not_come_back_with_the_power_of_the_io_side() -> None:
    rig = Rig(happenings=[Happening(Kind.IO_RESTART, 500 * MS, duration_ns=100 * MS)])
    rig.run(0.05)
    rig.call("mode", "maintenance")
    assert rig.call("force", "running=1") == ""
    rig.run(1.0)
    assert (bits(rig), rig.look().forced) == (0, None)
    assert rig.of(CallAnswered)[-1].reply.reason == "the I/O side restarted"


def test_the_last_command_of_all_holds_nothing() -> None:
    rig = maintenance()
    assert rig.call("force", "line_stop=1") == ""
    assert rig.line.safe_command().control & OURS == 0


def test_a_stop_that_the_controller_wants_is_never_taken_away() -> None:
    wanted = int(ControlBit.LINE_STOP | ControlBit.RUNNING)
    assert applied(wanted, Forced("line_stop", False, "ann", 0, 1)) == wanted
    assert applied(wanted, Forced("running", False, "ann", 0, 1)) == ControlBit.LINE_STOP


@given(st.integers(0, 0xFFFF), st.sampled_from(sorted(AUXILIARY)), st.booleans())
def test_a_force_moves_its_own_bit_only(control: int, name: str, on: bool) -> None:
    moved = control ^ applied(control, Forced(name, on, "ann", 0, 1))
    assert moved & ~AUXILIARY[name] == 0
    assert AUXILIARY[name] & OURS


BITS = st.sampled_from([bit.name.lower() for bit in ControlBit])
FORCED_BITS = st.tuples(st.just("force"), st.tuples(BITS, st.sampled_from("01")).map("=".join))
FORCED_ELSE = st.tuples(
    st.just("force"), st.one_of(st.tuples(st.sampled_from(NAMES), st.sampled_from("01")).map("=".join), st.text())
)
LETS_GO = st.tuples(st.just("unforce"), BITS)
OTHERS = st.sampled_from(
    [
        ("reset", ""), ("start", ""), ("stop", ""), ("abort", ""), ("clear", ""), ("hold", ""), ("unhold", ""),
        ("mode", "maintenance"), ("mode", "production"), ("test-mark", ""), ("complete", ""), ("remote", ""),
        ("local", ""),
    ]
)  # fmt: skip
STEPS = st.lists(
    st.tuples(st.one_of(FORCED_BITS, FORCED_ELSE, LETS_GO, OTHERS, OTHERS), st.integers(1, 30), st.booleans()),
    max_size=12,
)


@settings(max_examples=60, deadline=None)
@given(FORCED_BITS, STEPS)
def test_whatever_is_asked_the_enable_and_the_orders_are_those_of_a_line_that_nobody_forces(
    force: tuple[str, str], steps: list[tuple[tuple[str, str], int, bool]]
) -> None:
    products = [(10.0 + 40.0 * n, 20.0) for n in range(20)]
    asked, bare = (Rig(line_spec(), products, owner=OWNER) for _ in range(2))
    first = [(("", ""), 10, True), (("mode", "maintenance"), 1, True), (force, 5, True)]
    for (verb, argument), scans, here in [*first, *steps]:
        call = Call(verb, "ann", "local" if here else "plant", argument)
        for n in range(scans):
            asked.scan(*([call] if n == 0 else []))
            bare.scan(*([call] if n == 0 and verb not in ("force", "unforce") else []))
            assert fields(asked.command) == fields(bare.command)
            assert asked.outcomes[-1].at_once == bare.outcomes[-1].at_once
            if asked.command.control != bare.command.control:
                forced = asked.line.forced
                assert forced is not None
                assert asked.line.mode is Mode.MAINTENANCE
                assert asked.line.state in STANDING
    assert asked.marks == bare.marks
