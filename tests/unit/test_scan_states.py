"""The states at work over the simulated I/O side: holding, stopping, completing, dry runs, test marks and restarts."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller import events as ev
from controller.events import ProductSeen
from controller.model import Call, Fate, Miss, ProductFate, State
from controller.registers import OrderKind
from controller.scan import Line
from controller.spec import Grid, MarkPlan, Material, PlanEdge
from sim.belt import Steady
from sim.script import Happening, Kind
from tests.unit.core_kit import MS, SECOND, Rig, line_spec, station

ROW = [(60.0 + 40.0 * n, 20.0) for n in range(40)]


# Holding back and coming back.


def armed_line(**spec: object) -> Rig:
    """A line in Execute with targets armed, and one product between eye and marker that is not ordered yet."""
    rig = Rig(line_spec(max_accel_mm_s2=30_000.0, **spec), ROW)
    rig.start()
    rig.until(lambda: len(rig.marks) >= 3 and len(rig.line.book.sent) >= 1 and rig.line.orders.free)
    return rig


@pytest.mark.parametrize(
    ("out", "back", "rest"), [("hold", "unhold", State.HELD), ("suspend", "unsuspend", State.SUSPENDED)]
)
def test_what_is_still_ahead_is_sent_again_and_what_passed_was_not_permitted(out: str, back: str, rest: State) -> None:
    rig = armed_line()
    before = len(rig.marks)
    assert rig.call(out) == ""
    assert not rig.enabled
    rig.until(rest)
    waiting = rig.line.book.pending
    assert waiting > 2
    assert not rig.line.book.sent
    rig.run(1.0)  # two or three products pass
    assert len(rig.marks) == before
    passed = [e for e in rig.fates if e.reason is Miss.NOT_PERMITTED]
    assert 2 <= len(passed) <= 3
    assert all("passed in" in e.detail for e in passed)
    assert rig.call(back) == ""
    rig.until(State.EXECUTE)
    rig.run(1.0)
    assert len(rig.marks) >= before + 2
    assert [e for e in rig.fates if e.fate is not Fate.MARKED] == passed


def test_stopping_voids_what_lies_ahead_and_says_why() -> None:
    rig = armed_line()
    assert rig.call("stop") == ""
    rig.until(State.STOPPED)
    assert rig.line.book.pending == 0
    void = [e for e in rig.fates if e.reason is Miss.VOID]
    assert len(void) > 2
    assert {e.detail for e in void} == {"stop by ann"}
    rig.run(2.0)
    assert rig.line.book.counters.missed[Miss.VOID] == len(void)


def test_an_order_on_its_way_at_a_stop_is_void_and_never_marked_later() -> None:
    """The write arrives, the reply is lost, and in that instant somebody stops; the belt stands, so nothing passes."""
    stands = (Steady(100.0, 2500 * MS), Steady(0.0, 4 * SECOND), Steady(100.0))
    rig = Rig(line_spec(max_accel_mm_s2=30_000.0), ROW, belt=stands)
    rig.start()
    rig.until(lambda: not rig.line.orders.free)
    outstanding = rig.line.orders.outstanding
    assert outstanding is not None
    rig.scan(Call("stop", "ann"), lost="both")
    rig.until(State.STOPPED)
    assert outstanding.id in {e.request for e in rig.fates}
    assert rig.line.book.pending == 0
    rig.start()
    rig.run(4.0)
    assert outstanding.id not in {e.request for e in rig.fates if e.fate is Fate.MARKED}


def test_suspended_by_the_line_it_comes_back_by_itself_only_if_configured() -> None:
    for auto in (False, True):
        happening = Happening(Kind.UPSTREAM_EMPTY, 2 * SECOND, duration_ns=SECOND)
        rig = Rig(line_spec(auto_unsuspend=auto), ROW, happenings=[happening])
        rig.start()
        rig.until(State.SUSPENDED)
        rig.until(lambda rig=rig: rig.now_ns > 2900 * MS)  # type: ignore[misc]
        assert rig.line.state is State.SUSPENDED
        rig.run(0.5)
        assert rig.line.state is (State.EXECUTE if auto else State.SUSPENDED)


def test_a_persons_suspend_is_not_undone_by_itself() -> None:
    rig = Rig(line_spec(auto_unsuspend=True), ROW)
    rig.start()
    rig.call("suspend")
    rig.run(0.5)
    assert rig.line.state is State.SUSPENDED


# Completing.


def test_completing_marks_what_was_seen_and_no_more() -> None:
    rig = armed_line()
    seen = len(rig.of(ProductSeen))
    rig.call("complete")
    rig.until(State.COMPLETE)
    assert not rig.enabled
    assert len(rig.marks) == seen
    rig.run(2.5)
    assert len(rig.marks) == seen
    assert all(e.reason is Miss.NOT_PERMITTED for e in rig.fates[seen:])


def test_completing_waits_for_the_mark_of_a_product_whose_trailing_edge_is_not_seen_yet() -> None:
    trailing = MarkPlan(edge=PlanEdge.TRAILING)
    rig = Rig(line_spec(stations=(station(100.0, plan=trailing),)), [(60.0, 50.0)])
    rig.start()
    rig.until(lambda: len(rig.of(ProductSeen)) == 1)
    rig.call("complete")
    rig.until(State.COMPLETE)
    assert len(rig.marks) == 1


def test_completing_on_a_web_makes_what_was_asked_for_and_ends() -> None:
    plan = MarkPlan(offset_mm=20.0, pitch_mm=25.0, count=None)
    rig = Rig(
        line_spec(material=Material.WEB, grid=Grid.EDGE, stations=(station(100.0, plan=plan),)), [(40.0, 1e6)]
    )  # fmt: skip
    rig.start()
    rig.run(3.0)
    rig.call("complete")
    rig.until(State.COMPLETE)
    assert rig.line.book.pending == 0
    assert {e.fate for e in rig.fates} == {Fate.MARKED}


# Dry runs and test marks.


def test_a_dry_run_runs_everything_and_enables_nothing() -> None:
    rig = Rig(line_spec(dry=True), ROW[:10])
    rig.start()
    rig.run(7.0)
    assert rig.marks == []
    assert not any(o.command.control & 1 or o.command.order_kind for o in rig.outcomes)
    assert rig.line.book.counters.dry == 10
    assert {e.fate for e in rig.fates} == {Fate.DRY}


def test_a_dry_run_says_what_would_have_been_late() -> None:
    wet, dry = (Rig(line_spec(dry=dry, stations=(station(0.1),)), ROW[:10]) for dry in (False, True))
    for rig in (wet, dry):
        rig.start()
        rig.run(6.0)
    assert wet.line.book.counters.missed[Miss.LATE] == 10
    assert dry.line.book.counters.missed[Miss.LATE] == 10


def maintenance() -> Rig:
    rig = Rig(products=ROW)
    rig.run(0.05)
    assert rig.call("mode", "maintenance") == ""
    rig.start()
    return rig


def test_a_test_mark_raises_enable_for_one_order_and_is_counted_apart() -> None:
    rig = maintenance()
    rig.run(0.5)
    assert not any(o.command.control & 1 for o in rig.outcomes)
    assert rig.call("test-mark") == ""
    assert "not over" in rig.call("test-mark")
    rig.until(lambda: rig.line.test_station is None)
    rig.run(0.1)
    assert len(rig.marks) == 1
    assert not rig.enabled
    counters = rig.line.book.counters
    assert (counters.test_marks, counters.marked, rig.look().counters.test_marks) == (1, 0, 1)
    assert [(e.station, e.result) for e in rig.of(ev.TestMarked)] == [(0, "released")]
    assert {o.command.order_kind for o in rig.outcomes} == {0, OrderKind.RELEASE_NOW}


def test_maintenance_marks_no_product() -> None:
    rig = maintenance()
    rig.run(5.0)
    assert rig.marks == []
    assert {e.reason for e in rig.fates} == {Miss.NOT_PERMITTED}


def test_a_test_mark_ends_with_a_stop() -> None:
    rig = maintenance()
    rig.call("test-mark")
    rig.call("stop")
    rig.until(State.STOPPED)
    assert rig.line.test_station is None
    rig.run(0.5)
    assert not rig.enabled
    assert rig.marks == []


def test_a_test_mark_that_the_ring_never_shows_does_not_leave_enable_high() -> None:
    rig = maintenance()
    total = rig.device.read(rig.next_ns).release_total
    rig.tamper = lambda status: replace(status, release_total=total)
    rig.call("test-mark")
    rig.run(5.0)
    assert not rig.enabled


# Restarts.


def test_after_a_restart_of_the_controller_nothing_is_marked_on_what_nobody_saw() -> None:
    rig = Rig(products=ROW)
    rig.start()
    rig.until(lambda: len(rig.marks) == 5)
    rig.line, old = Line(rig.spec, 4321, rig.now_ns), rig.line
    rig.run(0.3)  # the old one's lease runs out
    assert rig.line.state is State.STOPPED
    assert 150.0 < rig.look().unknown_mm <= 200.1
    marks, seen = len(rig.marks), len(rig.of(ProductSeen))
    rig.start()
    rig.until(lambda: len(rig.marks) > marks)
    new = rig.of(ProductSeen)[seen:]
    assert rig.line.book.counters.marked == 1
    assert rig.marks[-1].position_mm - 200.0 > rig.marks[marks - 1].position_mm
    assert len({m.position_mm for m in rig.marks}) == len(rig.marks)
    assert new
    assert old.book.sent is not rig.line.book.sent
    assert rig.look().unknown_mm == 0.0


def test_line_clear_ends_the_unknown_stretch() -> None:
    rig = Rig()
    early = rig.scan(Call("line-clear", "ann"), lost="both").replies[0]
    assert "has not answered" in early.reason
    rig.run(0.1)
    assert rig.look().unknown_mm > 100.0
    assert rig.call("line-clear") == ""
    assert rig.look().unknown_mm == 0.0


def test_a_restarted_io_side_leaves_nothing_armed_and_its_products_unknown() -> None:
    rig = Rig(line_spec(max_accel_mm_s2=30_000.0), ROW, happenings=[Happening(Kind.IO_RESTART, 4100 * MS)])
    rig.start()
    rig.until(State.ABORTED)
    counters = rig.line.book.counters
    assert counters.missed[Miss.UNCONFIRMED] >= 1
    # What was ordered is unknown; what was not is surely unmarked.
    assert counters.products[ProductFate.UNKNOWN] == counters.missed[Miss.UNCONFIRMED]
    assert counters.products[ProductFate.UNMARKED] == counters.missed[Miss.VOID] >= 3
    assert rig.line.book.pending == 0
    marks = len(rig.marks)
    assert rig.call("clear") == ""
    rig.until(State.STOPPED)
    rig.start()
    rig.run(1.5)
    assert len(rig.marks) == marks
    assert rig.look().unknown_mm > 0
    rig.run(3.0)
    assert len(rig.marks) > marks


def test_lost_captures_end_the_open_products_and_the_line_goes_on_afterwards() -> None:
    spec = line_spec(stations=(station(plan=MarkPlan(pitch_mm=5.0, count=None)),))
    rig = Rig(spec, [(60.0, 150.0), (400.0, 20.0), (450.0, 20.0)])
    rig.start()
    rig.until(lambda: rig.line.eye.blocked)
    rig.run(0.3)
    missing = 16  # two rounds of the ring, so that its entries stay where they belong
    rig.tamper = lambda status: replace(status, capture_total=status.capture_total + missing)
    rig.until(State.ABORTED)
    assert rig.line.book.products == {}
    assert rig.line.book.counters.products[ProductFate.UNKNOWN] == 1
    created = rig.line.book.counters.created
    rig.run(0.5)
    assert rig.line.book.counters.created == created
    rig.call("clear")
    rig.until(State.STOPPED)
    rig.start()
    rig.run(8.0)
    assert rig.line.book.counters.products[ProductFate.MARKED] == 2


def test_the_safe_command_carries_no_order() -> None:
    rig = armed_line()
    rig.until(lambda: not rig.line.orders.free)
    assert rig.command.order_kind
    before = rig.command.heartbeat
    safe = rig.line.safe_command()
    assert (safe.order_kind, safe.control & 1, safe.control & 2) == (0, 0, 2)
    assert safe.heartbeat == before + 1


# The first cause.


def test_the_first_cause_is_that_of_the_present_stop() -> None:
    happenings = [
        Happening(Kind.MARKER_FAULT, 2 * SECOND, duration_ns=200 * MS),
        Happening(Kind.INTERLOCK_OPEN, 4 * SECOND, duration_ns=200 * MS),
    ]
    rig = Rig(products=ROW, happenings=happenings)
    rig.start()
    rig.until(State.HELD)
    assert rig.line.faults.first == "marker_fault"
    rig.run(0.5)
    assert rig.call("unhold") == ""
    rig.until(State.EXECUTE)
    assert rig.line.faults.first == ""
    rig.until(State.ABORTED)
    rig.run(0.5)
    assert rig.line.faults.first == "interlock_open"
    assert "guard" in rig.look().first_cause
    for verb, state in (("clear", State.STOPPED), ("reset", State.IDLE)):
        assert rig.line.faults.first == "interlock_open"
        assert rig.call(verb) == ""
        rig.until(state)
    assert rig.line.faults.first == ""


def test_a_wrong_job_in_completing_is_never_marked() -> None:
    happening = Happening(Kind.JOB_LOADED, 3500 * MS, number=3)
    rig = Rig(line_spec(job_number=7), ROW, happenings=[happening])
    rig.start()
    rig.until(lambda: rig.now_ns > 3400 * MS)
    rig.call("complete")
    rig.until(lambda: rig.line.faults.is_active("job_mismatch"))
    marks = len(rig.marks)
    rig.run(1.5)
    assert len(rig.marks) <= marks + 1
