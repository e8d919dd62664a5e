"""The controller killed at random instants while targets are armed: what the I/O side, the journal and the next do.

BELTCUE_KILLS says how many kills in all. Every time that is judged is on the simulator's own clock.
"""

from __future__ import annotations

import asyncio
import os
import random
import signal
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import pytest

from controller.records.keeping import CRASHED
from controller.records.report import Report, report
from controller.registers import InhibitCause
from tests.wire.processes import LIMIT_S, Bench, Look, benching, inhibited

KILLS = int(os.environ.get("BELTCUE_KILLS", "4"))
SIMULATORS = 2
"""At work at the same time, with their own controllers."""

pytestmark = [pytest.mark.long, pytest.mark.timeout(60 + 20 * KILLS)]


@dataclass(frozen=True, slots=True)
class Kill:
    """One kill: what was held just after it, when that was, until when the I/O side was watched; what nobody knows."""

    armed: int
    dead_ns: int
    watched_ns: int
    products_unknown: int
    requests_unconfirmed: int


@dataclass(frozen=True, slots=True)
class Lapse:
    """What became of the targets held at one kill: released within the lease, the last so late, or dropped."""

    kill: Kill
    released: int
    last_ns: int

    @property
    def dropped(self) -> int:
        """How many the end of the lease dropped."""
        return self.kill.armed - self.released


@pytest.mark.parametrize("seed", [7])
async def test_a_killed_controller_leaves_nothing_armed_and_the_next_begins_clean(tmp_path: Path, seed: int) -> None:
    shares = [KILLS // SIMULATORS + (n < KILLS % SIMULATORS) for n in range(SIMULATORS)]
    async with asyncio.TaskGroup() as group:
        tasks = [
            group.create_task(kill_often(tmp_path / str(n), share, random.Random(f"{seed}/{n}")), name=f"bench {n}")
            for n, share in enumerate(shares)
        ]
    lapses = [lapse for task in tasks for lapse in task.result()]
    kills = [lapse.kill for lapse in lapses]
    assert len(kills) == KILLS
    print(
        f"\n{KILLS} kills: armed just after {dict(sorted(Counter(kill.armed for kill in kills).items()))}, "
        f"{sum(lapse.released for lapse in lapses)} released within the lease, "
        f"the last {max(lapse.last_ns for lapse in lapses) / 1e6:.1f} ms after the kill, "
        f"{sum(lapse.dropped for lapse in lapses)} dropped; {sum(kill.products_unknown for kill in kills)} products "
        f"unknown, {sum(kill.requests_unconfirmed for kill in kills)} requests unconfirmed"
    )
    # Else nothing has been proved: targets were there, some too far ahead for the lease.
    assert sum(kill.armed > 0 for kill in kills) > KILLS / 2
    assert sum(lapse.dropped for lapse in lapses) > 0


async def kill_often(folder: Path, times: int, chance: random.Random) -> list[Lapse]:
    """Kill one controller after the other on one simulator and one journal, and judge the whole at the end."""
    kills: list[Kill] = []
    async with benching(folder) as bench:
        if times:
            kills.append(await first_kill(bench, chance))
        while len(kills) < times:
            kills.append(await next_kill(bench, chance, kills[-1]))
        await last_one(bench)
    judge(bench, times)
    return [lapse_of(bench, kill) for kill in kills]


async def first_kill(bench: Bench, chance: random.Random) -> Kill:
    """Start a controller on a fresh journal, and kill it."""
    async with bench.controller() as running:
        await bench.start()
        return await kill(bench, running.process, chance)


async def next_kill(bench: Bench, chance: random.Random, before: Kill) -> Kill:
    """Start a controller on what a killed one left, see that it begins clean, start the line, and kill it too."""
    spawned = await bench.look()
    async with bench.controller() as running:
        await begins_clean(bench, spawned, before)
        return await kill(bench, running.process, chance)


async def last_one(bench: Bench) -> None:
    """A last controller on the journal that is stopped in order."""
    async with bench.controller() as running:
        await bench.status(lambda status: status["status_age_ms"] is not None)
        running.signal(signal.SIGTERM)
        assert await running.process.wait() == 0, await running.failure()


async def kill(bench: Bench, process: asyncio.subprocess.Process, chance: random.Random) -> Kill:
    """Kill the controller at a random instant after it has marked, and watch the lease end on the simulator's clock."""
    begun = await bench.look()
    await bench.marked_after(begun.t_ns)
    async with asyncio.timeout(LIMIT_S):
        while (await bench.look()).status.armed == 0:  # noqa: ASYNC110 - another process is waited for
            await asyncio.sleep(0)
    await asyncio.sleep(chance.uniform(0.0, 0.25))
    process.kill()
    await process.wait()
    dead = await bench.look()
    left = report(bench.journal)
    assert (left.run.ended, left.balanced) == (None, True)
    end_ns = dead.t_ns + bench.lease_ns + bench.margin_ns
    over = await bench.look_after(end_ns)
    assert inhibited(over, InhibitCause.LEASE_EXPIRED)
    assert over.status.owner == dead.status.owner
    # The belt runs on past every target that was armed, and past more products.
    while counts_between(bench, dead, over) < 1.2 * bench.lead_counts:
        over = await bench.look_after(over.t_ns)
    assert inhibited(over, InhibitCause.LEASE_EXPIRED)
    assert over.status.release_total - dead.status.release_total in range(dead.status.armed + 1)
    assert (over.status.capture_total - dead.status.capture_total) % (1 << 16) > 0
    return Kill(
        dead.status.armed, dead.t_ns, over.t_ns, left.products["in_flight"] + left.products["unknown"],
        left.requests["pending"] + left.missed.get("unconfirmed", 0),
    )  # fmt: skip


def lapse_of(bench: Bench, kill: Kill) -> Lapse:
    """No mark came after the lease, although the belt ran on; those within it were targets held."""
    released = bench.released(kill.dead_ns, kill.watched_ns)
    last_ns = max((mark.release_ns - kill.dead_ns for mark in released), default=0)
    assert last_ns <= bench.lease_ns + bench.margin_ns
    assert len(released) <= kill.armed
    return Lapse(kill, len(released), last_ns)


def counts_between(bench: Bench, earlier: Look, later: Look) -> int:
    """How far the belt has run, in counts."""
    return (later.status.belt_count - earlier.status.belt_count) % bench.spec.counter.modulus


async def begins_clean(bench: Bench, spawned: Look, before: Kill) -> None:
    """The controller stands in Stopped, says what it cannot know, marks nothing until it is told, and then only what
    it has seen itself."""
    status = await bench.status(lambda status: status["unknown_mm"] > 0)
    assert (status["state"], status["armed"], status["balanced"]) == ("Stopped", 0, True)
    assert status["products"]["in_flight"] == status["requests"]["created"] == 0
    assert status["unknown_mm"] <= bench.spec.stations[0].distance_mm + 1
    recovered(bench, before)
    still = await bench.look()
    assert inhibited(still, InhibitCause.ENABLE_LOW)
    assert still.status.release_total == spawned.status.release_total
    await bench.give("reset", "Idle")
    started = await bench.look()
    assert started.status.release_total == spawned.status.release_total
    await bench.give("start", "Execute")
    await bench.marked_after(started.t_ns)
    first = bench.released(spawned.t_ns, (await bench.look()).t_ns)[0]
    # What stood between detector and marker when it came was not marked: the first mark is a whole distance on.
    way = (first.raw - spawned.status.belt_count) % bench.spec.counter.modulus
    assert way >= int(bench.spec.stations[0].distance_mm / bench.spec.scale_mm)


def recovered(bench: Bench, before: Kill) -> None:
    """The journal says how the run before ended, and that nobody knows what became of what was on its way."""
    now = report(bench.journal)
    past = report(bench.journal, now.run.run - 1)
    assert now.previous_end == f"run {past.run.run} {CRASHED}"
    assert past.run.ended == CRASHED
    assert past.balanced, past.imbalances
    assert past.products["in_flight"] == past.requests["pending"] == 0
    assert past.products["unknown"] == before.products_unknown > 0
    assert past.missed["unconfirmed"] == before.requests_unconfirmed > 0
    words = f"{before.products_unknown} products are unknown, {before.requests_unconfirmed} requests unconfirmed"
    assert words in bench.logged("the last run ended without a stop")[-1]["recovered"]


def judge(bench: Bench, times: int) -> None:
    """Over all controllers: no double, nothing beside a product, and the journal claims no mark that was not made."""
    assert bench.verdict is not None
    assert (bench.verdict["doubles"], bench.verdict["off_product"]) == (0, 0)
    assert bench.verdict["placement"]["max_abs_mm"] <= bench.verdict["placement"]["tolerance_mm"]
    assert not any(mark.double for mark in bench.marks)
    runs: list[Report] = [report(bench.journal, run) for run in range(1, times + 2)]
    assert [run.run.ended == CRASHED for run in runs] == [True] * times + [False]
    claimed = sum(run.requests["marked"] for run in runs)
    doubtful = sum(run.missed.get("unconfirmed", 0) for run in runs)
    assert claimed <= len(bench.marks) == bench.verdict["world"]["marks"] <= claimed + doubtful
