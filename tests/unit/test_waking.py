"""Threads that need not be on time keep out of the way of an instant that somebody waits for."""

from __future__ import annotations

import asyncio
import time

from controller.waking import APPROACH_NS, Waker, give_way, in_the_way_ns

LATER_NS = 10_000_000_000


async def test_one_is_in_the_way_just_before_an_instant_and_at_no_other_time() -> None:
    assert in_the_way_ns(time.monotonic_ns()) == 0
    waker = Waker.open()
    instant_ns = time.monotonic_ns() + LATER_NS
    waiting = asyncio.create_task(waker.until(instant_ns))
    await asyncio.sleep(0)
    assert in_the_way_ns(instant_ns - APPROACH_NS) == 0
    for before_ns in (APPROACH_NS - 1, 1000, 0):
        away_ns = in_the_way_ns(instant_ns - before_ns)
        assert before_ns < away_ns <= 500_000  # beyond the instant, and not for long
    assert in_the_way_ns(instant_ns + 1) == 0
    waiting.cancel()
    await asyncio.gather(waiting, return_exceptions=True)
    waker.close()
    assert in_the_way_ns(instant_ns - 1000) == 0  # nobody waits any more


async def test_the_last_stretch_before_an_exact_instant_is_kept_clear_as_well() -> None:
    waker = Waker.open()
    instant_ns = time.monotonic_ns() + 50_000_000
    waiting = asyncio.create_task(waker.exactly(instant_ns))
    await asyncio.sleep(0)
    first_ns = instant_ns - waker.spin_ns
    assert in_the_way_ns(first_ns - 1000) > 0  # it wakes for its spin
    assert in_the_way_ns(instant_ns - 1) > 0  # and for the instant itself
    await waiting
    waker.close()
    assert in_the_way_ns(instant_ns - 1) == 0


def test_who_gives_way_comes_back() -> None:
    give_way()
