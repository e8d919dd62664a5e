"""Waking: never before the instant, with the kernel's timer and without; how late is the machine's affair."""

from __future__ import annotations

import asyncio
import os
import time
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.waking import SLEEP_SPIN_NS, SPIN_LEAST_NS, SPIN_MOST_NS, Waker

MS = 1_000_000


class Readerless(asyncio.SelectorEventLoop):
    """An event loop that takes no readers, as some have it."""

    def add_reader(self, fd: Any, callback: Any, *args: Any) -> None:
        raise NotImplementedError


LOOPS: list[Callable[[], asyncio.AbstractEventLoop]] = [asyncio.SelectorEventLoop, Readerless]


@pytest.fixture(params=LOOPS, ids=["timer", "sleep"])
def runner(request: pytest.FixtureRequest) -> Any:
    with asyncio.Runner(loop_factory=request.param) as runner:
        yield runner


def test_it_wakes_at_the_instant_and_never_before(runner: asyncio.Runner) -> None:
    async def wake() -> list[int]:
        waker, late = Waker.open(), []
        for ahead_ns in (3 * MS, 700_000, 1, 0, -5 * MS):
            instant_ns = time.monotonic_ns() + ahead_ns
            await waker.until(instant_ns)
            late.append(time.monotonic_ns() - instant_ns)
            instant_ns = time.monotonic_ns() + ahead_ns
            await waker.exactly(instant_ns)
            late.append(time.monotonic_ns() - instant_ns)
        waker.close()
        return late

    assert min(runner.run(wake())) >= 0


def test_others_run_while_it_waits_also_where_the_instant_is_past(runner: asyncio.Runner) -> None:
    async def wake(ahead_ns: int) -> int:
        waker, turns = Waker.open(), 0

        async def other() -> None:
            nonlocal turns
            turns += 1

        task = asyncio.create_task(other())
        await waker.until(time.monotonic_ns() + ahead_ns)
        waker.close()
        seen = turns
        await task
        return seen

    assert [runner.run(wake(ahead_ns)) for ahead_ns in (2 * MS, 0, -MS)] == [1, 1, 1]


def test_a_wait_that_is_cancelled_leaves_the_waker_fit_for_the_next(runner: asyncio.Runner) -> None:
    async def wake() -> int:
        waker = Waker.open()
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.002):
                await waker.until(time.monotonic_ns() + 3_600_000 * MS)
        instant_ns = time.monotonic_ns() + 2 * MS
        await waker.until(instant_ns)
        waker.close()
        return time.monotonic_ns() - instant_ns

    assert runner.run(wake()) >= 0


@pytest.mark.skipif(not os.path.isdir("/proc/self/fd"), reason="no /proc to count open files in")  # noqa: PTH112
def test_it_leaves_nothing_open_and_closing_twice_is_harmless() -> None:
    async def wake() -> tuple[int, int, bool]:
        before = len(os.listdir("/proc/self/fd"))  # noqa: PTH208
        waker = Waker.open()
        fine = waker.fine
        await waker.until(time.monotonic_ns() + MS)
        waker.close()
        waker.close()
        return before, len(os.listdir("/proc/self/fd")), fine  # noqa: PTH208

    with asyncio.Runner(loop_factory=asyncio.SelectorEventLoop) as runner:
        before, after, fine = runner.run(wake())
    assert fine
    assert after == before


def test_without_the_timer_the_spin_is_longer_than_what_a_sleep_is_late_by() -> None:
    async def spin() -> tuple[bool, int]:
        waker = Waker.open()
        return waker.fine, waker.spin_ns

    with asyncio.Runner(loop_factory=Readerless) as runner:
        assert runner.run(spin()) == (False, SLEEP_SPIN_NS)


@given(st.lists(st.integers(0, 20 * MS), max_size=100))
def test_the_spin_follows_what_waking_was_late_by_within_its_limits(late: list[int]) -> None:
    waker = Waker()
    waker._libc = waker._fired  # type: ignore[assignment]
    waker._late_ns.extend(late)
    assert SPIN_LEAST_NS <= waker.spin_ns <= SPIN_MOST_NS
    if late and SPIN_LEAST_NS <= max(late) <= SPIN_MOST_NS / 2:
        assert waker.spin_ns <= 2 * max(late)
