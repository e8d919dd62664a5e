"""The state model's own sense: sets that must agree with the table, and refusals that say where to go."""

from __future__ import annotations

import pytest

from controller.model import Mode, State
from controller.modes import (
    AT_REST,
    COMMANDS,
    DONE,
    HELD_BACK,
    MARKING,
    MODE_CHANGE_STATES,
    RAISING,
    VOIDING,
    WITHDRAWING,
    accept,
    mode_refusal,
    refusal,
)


def test_only_three_states_raise_enable_and_all_lead_to_execute() -> None:
    assert {State.STARTING, State.UNHOLDING, State.UNSUSPENDING} == RAISING
    assert {state for state, following in DONE.items() if following is State.EXECUTE} == RAISING


def test_every_way_out_of_execute_but_completing_takes_back_what_was_sent() -> None:
    targets = {target for states, target in COMMANDS.values() if State.EXECUTE in states}
    assert targets - {State.COMPLETING} == WITHDRAWING
    assert VOIDING < WITHDRAWING


def test_no_state_is_forgotten() -> None:
    waiting = {State.STOPPED, State.IDLE, State.SUSPENDED, State.EXECUTE, State.ABORTED, State.HELD, State.COMPLETE}
    assert set(State) - set(DONE) == waiting
    assert not MARKING & (RAISING | WITHDRAWING | HELD_BACK | AT_REST)


def test_nothing_leads_from_rest_to_marking_without_three_commands() -> None:
    """From Aborted every path to Execute takes Clear, Reset and Start, each given by someone."""
    paths = {State.ABORTED: frozenset[str]()}
    frontier = [State.ABORTED]
    while frontier:
        state = frontier.pop()
        if state is State.EXECUTE:
            continue
        steps = [(v, t) for v, (states, t) in COMMANDS.items() if state in states]
        steps += [("", DONE[state])] if state in DONE else []
        for verb, target in steps:
            given = paths[state] | {verb} - {""}
            if target not in paths or not paths[target] <= given:
                paths[target] = given if target not in paths else paths[target] & given
                frontier.append(target)
    assert paths[State.EXECUTE] >= {"clear", "reset", "start"}


@pytest.mark.parametrize(
    ("verb", "state", "text"),
    [
        ("start", State.STOPPED, "start is refused in Stopped; it is accepted in Idle"),
        ("clear", State.EXECUTE, "clear is refused in Execute; it is accepted in Aborted"),
        ("abort", State.ABORTED, "abort is refused in Aborted; it is accepted in every state but Aborting, Aborted"),
    ],
)
def test_a_refusal_says_where_it_would_be_accepted(verb: str, state: State, text: str) -> None:
    assert accept(verb, state) is None
    assert refusal(verb, state) == text


def test_modes_change_only_in_stopped_or_idle() -> None:
    assert {State.STOPPED, State.IDLE} == MODE_CHANGE_STATES
    for state in State:
        refused = mode_refusal(state, Mode.MANUAL)
        assert (refused is None) == (state in MODE_CHANGE_STATES)
        assert refused is None or "Stopped or Idle" in refused
