"""Garbage is collected where no loop is due, and the time it took can be told from other delays."""

from __future__ import annotations

import gc
import time
from collections.abc import Iterator

import pytest

from controller.tidying import LATEST_NS, Tidier

FAR_NS = 10**12


@pytest.fixture
def collections() -> Iterator[list[int]]:
    seen: list[int] = []

    def begun(phase: str, about: dict[str, int]) -> None:
        if phase == "start" and about["generation"] == 2:
            seen.append(1)

    gc.callbacks.append(begun)
    gc.disable()
    yield seen
    gc.enable()
    gc.callbacks.remove(begun)


def test_it_collects_once_a_second_where_nobody_is_due(collections: list[int]) -> None:
    tidier = Tidier()
    for _ in range(3):
        tidier.tidy("a", time.monotonic_ns() + FAR_NS)
    assert len(collections) == 1


def test_another_loop_that_is_due_keeps_it_off_until_it_has_ended(collections: list[int]) -> None:
    tidier = Tidier()
    # As if it had collected just over a second ago: not yet as long as it may be put off.
    tidier._ended_ns = time.monotonic_ns() - LATEST_NS // 10
    soon, late = "soon", "late"
    tidier.tidy(soon, time.monotonic_ns() + 1000)
    tidier.tidy(late, time.monotonic_ns() + FAR_NS)
    assert collections == []
    tidier.forget(soon)
    tidier.tidy(late, time.monotonic_ns() + FAR_NS)
    assert len(collections) == 1


def test_it_is_not_put_off_for_ever(collections: list[int]) -> None:
    tidier = Tidier()
    tidier._ended_ns = time.monotonic_ns() - LATEST_NS
    tidier.tidy("always due", time.monotonic_ns())
    assert len(collections) == 1


def test_the_time_it_took_is_what_lies_within_the_collection() -> None:
    tidier = Tidier()
    tidier._begun_ns, tidier._ended_ns = 100, 200
    assert [tidier.took_ns(*span) for span in ((0, 50), (50, 150), (120, 180), (150, 900), (200, 900))] == [
        0, 50, 60, 50, 0,
    ]  # fmt: skip
