"""The fault book: one table of reactions, alarm states, and the first cause of a stop."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.faults import FAULTS, FaultBook, Reaction, check_raised
from controller.model import FaultPhase

R, C, A = FaultPhase.RAISED, FaultPhase.CLEARED, FaultPhase.ACKNOWLEDGED


def phases(book: FaultBook) -> list[tuple[str, FaultPhase]]:
    return [(e.fault, e.phase) for e in book.events]


def running() -> FaultBook:
    book = FaultBook()
    book.may_stop = True
    return book


def test_the_reactions_of_the_design() -> None:
    """The causes that the design names, by the reaction that it gives them."""
    wanted = {
        Reaction.ABORT: [
            "interlock_open", "interlock_opened", "link_lost", "heartbeat_lost", "inhibited", "io_restarted",
            "count_jump", "order_mismatch", "captures_lost",
        ],
        Reaction.HOLD: ["marker_fault", "marker_not_ready", "misses_in_a_row"],
        Reaction.SUSPEND: ["upstream_empty", "downstream_blocked"],
        Reaction.WARN: ["silent"],
    }  # fmt: skip
    for reaction, names in wanted.items():
        for name in names:
            assert FAULTS[name].reaction is reaction, name


def test_every_row_says_what_it_is_and_what_to_do() -> None:
    for kind in FAULTS.values():
        assert kind.text
        assert kind.mend


def test_raised_acknowledged_gone() -> None:
    book = FaultBook()
    book.update({"jam": "a"}, 1)
    book.update({"jam": "b"}, 2)
    assert phases(book) == [("jam", R)]
    assert book.views()[0].detail == "b"
    assert book.acknowledge("jam", 3)
    assert not book.acknowledge("jam", 3)
    assert book.views()[0].acknowledged
    book.update({}, 4)
    assert phases(book) == [("jam", R), ("jam", A), ("jam", C)]
    assert book.views() == ()


def test_gone_but_not_acknowledged_stays_to_be_seen() -> None:
    book = FaultBook()
    book.update({"jam": ""}, 1)
    book.update({}, 2)
    view = book.views()[0]
    assert (view.active, view.acknowledged) == (False, False)
    book.update({"jam": ""}, 3)
    view = book.views()[0]
    assert (view.active, view.count, view.since_ns) == (True, 2, 3)
    assert book.totals == {"jam": 2}


def test_a_warning_that_has_gone_needs_nobody() -> None:
    book = FaultBook()
    book.update({"silent": ""}, 1)
    book.update({}, 2)
    assert book.views() == ()


def test_an_event_is_raised_and_gone_at_once_but_reacts() -> None:
    book = running()
    book.report("count_jump", "x", 1)
    assert phases(book) == [("count_jump", R), ("count_jump", C)]
    assert book.reported == ["count_jump"]
    assert not book.any_present
    assert book.first == "count_jump"
    assert book.events[0].first


def test_the_first_cause_stays_until_reset() -> None:
    book = running()
    book.update({"interlock_open": "guard"}, 1)
    book.update({"interlock_open": "guard", "inhibited": ""}, 2)
    book.update({"inhibited": ""}, 3)
    assert book.first == "interlock_open"
    assert book.views()[0].name == "interlock_open"
    book.update({}, 4)
    book.reset(5)
    assert book.first == ""
    assert book.views() == ()


def test_a_hold_that_becomes_an_abort_has_the_aborts_cause() -> None:
    book = running()
    book.update({"marker_fault": ""}, 1)
    book.update({"marker_fault": "", "interlock_open": ""}, 2)
    assert book.first == "interlock_open"
    book.update({"interlock_open": "", "jam": ""}, 3)
    assert book.first == "interlock_open"


def test_a_cause_still_present_when_the_line_runs_again_is_that_of_the_next_stop() -> None:
    book = running()
    book.update({"upstream_empty": ""}, 1)
    book.stop_over()
    assert book.first == "upstream_empty"
    book.update({}, 2)
    book.stop_over()
    assert book.first == ""


def test_a_warning_and_a_fault_at_rest_are_no_first_cause() -> None:
    book = FaultBook()
    book.update({"interlock_open": ""}, 1)
    assert book.first == ""
    book.may_stop = True
    book.update({"interlock_open": "", "silent": ""}, 2)
    assert book.first == ""


def test_the_present_faults_keep_the_order_in_which_they_were_found() -> None:
    names = [n for n, kind in FAULTS.items() if kind.reaction is Reaction.ABORT]
    for order in (names, names[::-1]):
        book = FaultBook()
        book.update(dict.fromkeys(order, ""), 1)
        assert book.present(Reaction.ABORT) == order
        book.update({}, 2)
        assert [n for n, phase in phases(book) if phase is C] == order


@pytest.mark.parametrize(
    ("name", "reaction", "text"),
    [
        ("interlock_open", "warn", "raised, not lowered"),
        ("link_lost", "hold", "raised, not lowered"),
        ("jam", "explode", "not one of"),
        ("nonsense", "abort", "no fault is called"),
    ],
)
def test_a_reaction_may_not_be_lowered(name: str, reaction: str, text: str) -> None:
    with pytest.raises(ValueError, match=text):
        check_raised(name, reaction)


def test_a_reaction_may_be_raised() -> None:
    check_raised("jam", "Abort")
    book = FaultBook({"jam": "abort"})
    book.update({"jam": ""}, 1)
    assert book.present(Reaction.ABORT) == ["jam"]


@given(st.lists(st.one_of(st.sets(st.sampled_from(sorted(FAULTS))), st.sampled_from(sorted(FAULTS)), st.none())))
def test_whatever_comes_each_fault_is_raised_before_it_is_cleared(steps: list[set[str] | str | None]) -> None:
    book = FaultBook()
    for t_ns, step in enumerate(steps):
        if step is None:
            book.acknowledge("", t_ns)
        elif isinstance(step, set):
            book.update(dict.fromkeys(sorted(step), ""), t_ns)
            assert set(book.present(Reaction.WARN)) == step
        elif not book.is_active(step):
            book.report(step, "", t_ns)
    state: dict[str, bool] = {}
    for name, phase in phases(book):
        if phase is R:
            assert not state.get(name, False)
            state[name] = True
        elif phase is C:
            assert state[name]
            state[name] = False
    assert sum(book.totals.values()) == sum(phase is R for _, phase in phases(book))
