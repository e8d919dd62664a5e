"""Which events tell of faults."""

from __future__ import annotations

import dataclasses

from hypothesis import given
from hypothesis import strategies as st

from controller.plant.opcua.events import changes
from controller.snapshot import FaultView
from tests.unit.plant_images import fault

JAM = fault("jam")
GUARD = fault("interlock_open")


def told(before: list[FaultView], now: list[FaultView]) -> list[tuple[str, bool, bool]]:
    return [(c.view.name, c.came, c.first) for c in changes({v.name: v for v in before}, {v.name: v for v in now})]


def test_a_fault_comes_and_goes() -> None:
    gone = dataclasses.replace(JAM, active=False)
    assert told([], [JAM]) == [("jam", True, False)]
    assert told([JAM], [JAM]) == []
    assert told([JAM], [gone]) == [("jam", False, False)]
    assert told([gone], [gone]) == []
    assert told([gone], []) == []
    assert told([JAM], []) == [("jam", False, False)]


def test_one_that_is_an_event_only_is_told_once_each_time() -> None:
    once = dataclasses.replace(GUARD, active=False)
    assert told([], [once]) == [("interlock_open", True, False)]
    assert told([once], [dataclasses.replace(once, count=2)]) == [("interlock_open", True, False)]


def test_a_first_cause_is_told_also_when_it_turns_out_later() -> None:
    first = dataclasses.replace(GUARD, first=True)
    assert told([], [first]) == [("interlock_open", True, True)]
    assert told([GUARD], [first]) == [("interlock_open", True, True)]
    assert told([first], [first]) == []


def test_gone_and_come_again_between_two_images_is_told() -> None:
    assert told([JAM], [dataclasses.replace(JAM, count=2)]) == [("jam", True, False)]


_VIEWS = st.lists(
    st.builds(
        lambda name, active, first, count: dataclasses.replace(fault(name), active=active, first=first, count=count),
        st.sampled_from(["jam", "silent", "link_lost"]), st.booleans(), st.booleans(), st.integers(1, 3),
    ),
    unique_by=lambda view: view.name,
)  # fmt: skip


@given(_VIEWS, _VIEWS)
def test_whoever_follows_the_events_knows_what_is_active(before: list[FaultView], now: list[FaultView]) -> None:
    active = {view.name for view in before if view.active}
    for name, came, _ in told(before, now):
        if came:
            active.add(name)
        else:
            active.discard(name)
    assert active >= {view.name for view in now if view.active}
    lasting = {view.name for view in before if view.active} | {view.name for view in now if not view.active}
    assert active - {view.name for view in now if view.active} <= lasting
