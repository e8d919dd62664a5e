"""What people and the plant ask for: accepted, or refused with a reason and no change."""

from __future__ import annotations

import pytest

from controller.calls import FROM_PLANT, STARTS, start_blockers
from controller.events import CallAnswered, CountersReset, ModeChanged, StateChanged
from controller.model import Call, Mode, Refusal, State
from controller.modes import COMMANDS
from controller.registers import StatusBit
from sim.script import Happening, Kind
from tests.unit.core_kit import MS, Rig, line_spec, station

OTHERS = {"mode", "acknowledge", "reset-counters", "local", "remote", "test-mark", "line-clear"}
ROW = [(60.0 + 40.0 * n, 20.0) for n in range(20)]


def answered(**spec: object) -> Rig:
    rig = Rig(line_spec(**spec))
    rig.run(0.05)
    return rig


def test_every_call_is_answered_once_and_recorded_with_who_gave_it() -> None:
    rig = answered()
    calls = [Call("reset", "ann"), Call("start", "bob", "plant"), Call("nonsense", "eve")]
    replies = rig.scan(*calls).replies
    assert [r.call for r in replies] == calls
    assert [r.accepted for r in replies] == [True, False, False]
    assert all(r.reason for r in replies[1:])
    assert [e.reply for e in rig.of(CallAnswered)] == list(replies)
    assert replies[2].reason == "no command is called 'nonsense'"


@pytest.mark.parametrize(
    ("call", "kind"),
    [
        (Call("start", "plant", "plant"), Refusal.PLACE),
        (Call("remote", "plant", "plant"), Refusal.PLACE),
        (Call("start", "ann"), Refusal.STATE),
        (Call("mode", "ann", argument="night"), Refusal.ARGUMENT),
        (Call("nonsense", "ann"), Refusal.ARGUMENT),
        (Call("acknowledge", "ann", argument="gremlins"), Refusal.ARGUMENT),
        (Call("test-mark", "ann"), Refusal.STATE),
        (Call("reset", "ann"), None),
    ],
)
def test_a_refusal_says_of_which_kind_it_is(call: Call, kind: Refusal | None) -> None:
    assert answered().scan(call).replies[0].kind is kind


def test_what_a_present_cause_refuses_is_told_from_what_the_state_refuses() -> None:
    rig = Rig()
    rig.scan(Call("reset", "ann"), lost="both")
    rig.scan(lost="both")
    assert rig.scan(Call("start", "ann"), lost="both").replies[0].kind is Refusal.CAUSE


def test_a_refused_call_changes_nothing() -> None:
    rig = answered()
    for verb in ("start", "hold", "clear", "complete", "unhold"):
        assert verb in rig.call(verb)
    assert rig.line.state is State.STOPPED
    assert rig.of(StateChanged) == []


def test_start_is_refused_while_the_io_side_does_not_answer() -> None:
    rig = Rig()
    rig.scan(Call("reset", "ann"), lost="both")
    rig.scan(lost="both")
    reply = rig.scan(Call("start", "ann"), lost="both").replies[0]
    assert reply.reason == "start is refused in Idle: the I/O side does not answer (cable out)"


@pytest.mark.parametrize(
    ("kind", "number", "text"),
    [
        (Kind.MARKER_FAULT, 0, "the marker reports a fault (flap)"),
        (Kind.NOT_READY, 0, "the marker"),
        (Kind.UPSTREAM_EMPTY, 0, "nothing comes from upstream"),
        (Kind.DOWNSTREAM_BLOCKED, 0, "downstream is blocked"),
        (Kind.JOB_LOADED, 3, "job 3 is loaded, 7 is asked for"),
    ],
)
def test_start_is_refused_while_a_permissive_is_missing(kind: Kind, number: int, text: str) -> None:
    rig = Rig(line_spec(job_number=7), happenings=[Happening(kind, 100 * MS, number=number, duration_ns=400 * MS)])
    rig.run(0.05)
    rig.call("reset")
    rig.run(0.1)
    assert text in rig.call("start")
    assert text in rig.look().not_permitted
    assert rig.line.state is State.IDLE
    rig.run(0.5)
    assert rig.call("start") == ""


def test_a_line_that_asks_to_stop_is_not_started() -> None:
    rig = Rig(happenings=[Happening(Kind.STOP_REQUESTED, 100 * MS)])
    rig.run(0.05)
    rig.call("reset")
    rig.run(0.1)
    assert rig.line.state is State.STOPPED
    assert "the line asked to stop" in rig.look().not_permitted


def test_reset_is_refused_while_an_interlock_is_open() -> None:
    rig = Rig(happenings=[Happening(Kind.INTERLOCK_OPEN, 10 * MS, duration_ns=100 * MS)])
    rig.run(0.05)
    assert "an interlock is open (guard)" in rig.call("reset")
    rig.run(0.2)
    assert rig.call("reset") == ""


def test_start_waits_until_the_io_side_obeys_us() -> None:
    rig = Rig()
    old = Rig(owner=5)
    rig.device = old.device
    old.run(0.05)
    rig.next_ns = old.next_ns
    rig.scan(Call("reset", "ann"))
    rig.scan()
    assert "as its owner" in rig.call("start")
    rig.run(0.2)
    assert rig.call("start") == ""


def test_nothing_runs_by_itself_in_manual() -> None:
    rig = answered()
    rig.call("mode", "Manual")
    rig.call("reset")
    rig.until(State.IDLE)
    assert "Manual" in rig.call("start")


def test_the_mode_changes_in_stopped_or_idle_and_is_recorded() -> None:
    rig = answered()
    assert "no mode is called 'fast'" in rig.call("mode", "fast")
    assert rig.call("mode", "maintenance", who="bob") == ""
    assert [(e.old, e.new, e.who) for e in rig.of(ModeChanged)] == [(Mode.PRODUCTION, Mode.MAINTENANCE, "bob")]
    rig.start()
    assert "refused in Execute" in rig.call("mode", "production")
    assert rig.line.mode is Mode.MAINTENANCE


@pytest.mark.parametrize("verb", sorted({*COMMANDS, *OTHERS}))
def test_the_plant_on_a_line_set_to_local_can_only_bring_it_nearer_to_rest(verb: str) -> None:
    rig = answered()
    refusal = rig.call(verb, source="plant")
    by_place = "set to local" in refusal or "not from the plant" in refusal
    assert by_place == (verb not in FROM_PLANT)
    if by_place:
        assert rig.line.state is State.STOPPED
        assert not rig.line.remote


@pytest.mark.parametrize("verb", sorted({*COMMANDS, *OTHERS}))
def test_on_a_line_set_to_remote_only_the_plant_starts_and_anyone_stops(verb: str) -> None:
    for source in ("local", "plant"):
        rig = answered(remote=True)
        refusal = rig.call(verb, source=source)
        by_place = "set to plant" in refusal or "not from the plant" in refusal
        assert by_place == ((verb in STARTS) if source == "local" else (verb == "remote"))


def test_remote_is_given_and_taken_at_the_line() -> None:
    rig = answered()
    assert rig.call("remote") == ""
    assert rig.call("reset") != ""
    assert rig.call("reset", source="plant") == ""
    assert rig.call("local") == ""
    rig.until(State.IDLE)
    assert rig.call("start", source="plant") != ""
    assert rig.call("start") == ""


def test_acknowledge_names_a_fault_or_means_all() -> None:
    rig = Rig(happenings=[Happening(Kind.MARKER_FAULT, 10 * MS)])
    rig.run(0.02)
    assert rig.call("acknowledge", "nonsense") == "no fault is called 'nonsense'"
    assert rig.call("acknowledge", "jam") == "there is nothing to acknowledge"
    assert rig.call("acknowledge", "marker_fault") == ""
    assert rig.call("acknowledge") == "there is nothing to acknowledge"


def test_counters_are_set_back_and_still_balance() -> None:
    rig = Rig(products=ROW)
    rig.start()
    rig.until(lambda: len(rig.marks) == 2)
    assert rig.call("reset-counters", who="bob") == ""
    assert [e.who for e in rig.of(CountersReset)] == ["bob"]
    counters = rig.line.book.counters
    assert (counters.marked, counters.detected) == (0, len(rig.line.book.products))
    rig.run(2.0)
    assert rig.look().balanced


@pytest.mark.parametrize(
    ("mode", "dry", "argument", "text"),
    [
        ("production", False, "", "it is accepted in Execute of mode Maintenance"),
        ("maintenance", True, "", "dry run"),
        ("maintenance", False, "nowhere", "no station is called 'nowhere'; the stations are flap, lid"),
    ],
)
def test_a_test_mark_is_refused_where_it_does_not_belong(mode: str, dry: bool, argument: str, text: str) -> None:
    rig = answered(dry=dry, stations=(station(), station(300.0, "lid")))
    rig.call("mode", mode)
    rig.start()
    assert text in rig.call("test-mark", argument)
    assert rig.line.test_station is None


def test_the_marker_must_be_ready_at_every_station() -> None:
    rig = Rig(
        line_spec(stations=(station(), station(300.0, "lid", rearm_s=1.0))),
        happenings=[Happening(Kind.NOT_READY, 10 * MS, number=1)],
    )
    rig.run(0.05)
    assert rig.line.status is not None
    assert rig.line.status.bits & StatusBit.MARKER_READY
    assert start_blockers(rig.line) == ["the marker is not ready"]
