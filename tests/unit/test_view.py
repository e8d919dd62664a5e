"""The line as the outside sees it: figures with their age, the first cause, and what to do next."""

from __future__ import annotations

import pytest

from controller.model import State
from sim.script import Happening, Kind
from tests.unit.core_kit import MS, SECOND, Rig, line_spec

ROW = [(60.0 + 40.0 * n, 20.0) for n in range(20)]


def test_before_the_first_answer_nothing_is_made_up() -> None:
    rig = Rig()
    rig.scan(lost="both")
    view = rig.look()
    assert (view.status_age_ns, view.link_error, view.state) == (None, "cable out", State.STOPPED)
    assert "does not answer" in view.not_permitted
    assert view.next_step.startswith("first: ")


def test_a_value_carries_its_age() -> None:
    rig = Rig()
    rig.run(0.05)
    assert rig.look().status_age_ns == 0
    good_ns = rig.now_ns
    rig.scan(lost="both")
    rig.scan(lost="both")
    view = rig.look()
    assert view.status_age_ns == rig.now_ns - good_ns
    assert view.link_error == "cable out"


def test_the_figures_of_a_marking_line() -> None:
    rig = Rig(products=ROW)
    rig.start()
    rig.until(lambda: len(rig.marks) == 3)
    rig.run(0.1)
    view = rig.look()
    assert view.speed_mm_s == pytest.approx(100.0, abs=0.5)
    assert view.travel_counts == pytest.approx(rig.device.travel_at(rig.now_ns), abs=3)
    assert (view.unknown_mm, view.balanced, view.dry, view.remote) == (0.0, True, False, False)
    assert view.in_flight == view.pending == 5
    assert view.lead_mm == pytest.approx(0.1 * view.lead_ms + 0.5 * 1000.0 * (view.lead_ms * 1e-3) ** 2, rel=0.01)
    assert view.worst_exchange_ms == pytest.approx(0.3)
    assert (view.first_cause, view.not_permitted, view.next_step) == ("", "", "nothing: marking")


def test_a_snapshot_does_not_change_afterwards() -> None:
    rig = Rig(products=ROW)
    rig.start()
    rig.until(lambda: len(rig.marks) == 1)
    rig.run(0.1)
    view = rig.look()
    rig.run(2.0)
    assert view.counters.marked == 1
    assert rig.look().counters.marked > 1


def test_the_unknown_stretch_is_told_to_the_operator() -> None:
    rig = Rig(products=ROW)
    rig.start()
    view = rig.look()
    assert 150.0 < view.unknown_mm < 200.0
    assert view.next_step == f"{view.unknown_mm:.0f} mm of line hold products nobody saw; line-clear if empty"


@pytest.mark.parametrize(
    ("kind", "rest", "cause", "while_present", "afterwards"),
    [
        (
            Kind.INTERLOCK_OPEN, State.ABORTED, "an interlock is open (guard)",
            "close the guard named, then Clear, Reset, Start", "close the guard named, then Clear, Reset, Start",
        ),
        (
            Kind.MARKER_FAULT, State.HELD, "the marker reports a fault (flap)",
            "mend it at the marker, then Unhold", "mend it at the marker, then Unhold",
        ),
        (
            Kind.UPSTREAM_EMPTY, State.SUSPENDED, "nothing comes from upstream",
            "wait, or Unsuspend when product is there", "wait for the line, then Unsuspend",
        ),
    ],
)  # fmt: skip
def test_why_it_stopped_and_what_to_do(
    kind: Kind, rest: State, cause: str, while_present: str, afterwards: str
) -> None:
    rig = Rig(products=ROW, happenings=[Happening(kind, 2 * SECOND, duration_ns=500 * MS)])
    rig.start()
    rig.until(rest)
    assert rig.look().first_cause == cause
    assert rig.look().next_step == while_present
    assert cause in rig.look().not_permitted
    rig.run(1.0)
    assert rig.look().next_step == afterwards
    assert rig.look().not_permitted == ""


@pytest.mark.parametrize("state", list(State))
def test_every_state_has_a_next_step(state: State) -> None:
    rig = Rig(line_spec())
    rig.run(0.05)
    rig.call("line-clear")
    rig.line.state = state
    assert rig.look().next_step


def test_faults_are_listed_with_the_first_cause_first() -> None:
    rig = Rig(products=ROW, happenings=[Happening(Kind.INTERLOCK_OPEN, 2 * SECOND)])
    rig.start()
    rig.until(State.ABORTED)
    rows = rig.look().faults
    assert rows[0].name == "interlock_open"
    assert [r.first for r in rows] == [True] + [False] * (len(rows) - 1)
    assert rows[0].reaction == "abort"
    assert rows[0].active
