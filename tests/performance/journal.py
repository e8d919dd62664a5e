"""Row `journal_per_s`: durable requests a second through the journal, and what the journal does to waking on time.

A request is made and ended: two events. The file is a real one with synchronous FULL. Lateness is that of a 5 ms period
woken as the loop is, turn by turn without and with 20,000 requests a second going through the journal. An effect is seen
where the turns with it have greater 99 % values than those without by more than chance allows (Mann-Whitney, one-sided,
5 %): no two runs of a machine are alike, so pairs of single values say little.
"""

from __future__ import annotations

import asyncio
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from scipy.stats import mannwhitneyu

from controller.app import collected_between_scans
from controller.events import Event, RequestDone, RequestMade
from controller.model import Fate
from controller.records.journal import Journal
from controller.waking import Waker

PERIOD_NS = 5_000_000
RATE = 20_000
TURN_PERIODS = 400


def requests(first: int, number: int, t_ns: int) -> Sequence[Event]:
    """The events of so many requests, each made and marked."""
    events: list[Event] = []
    for n in range(first, first + number):
        events.append(RequestMade(t_ns, n, n, 0, 0, 1.5 * n))
        events.append(RequestDone(t_ns, n, Fate.MARKED, None, "", n % 65536, n, 400.0, n))
    return events


def _begin(folder: str, name: str) -> Journal:
    journal = Journal.open(Path(folder) / name, "performance", synchronous="FULL")
    journal.begin_run(job="none", job_number=0, dry=False, config="", mono_ns=0, wall_ns=0)
    return journal


def per_s(folder: str, number: int = 100_000) -> float:
    """Durable requests a second, put 500 at a time as fast as they go."""
    journal = _begin(folder, "rate.sqlite")
    groups = [requests(n, 500, n) for n in range(0, number, 500)]
    began = time.perf_counter()
    for events in groups:
        journal.put(events)
        while journal.backlog > 50_000:
            time.sleep(0.001)
    if not journal.flush(60.0):
        raise RuntimeError(f"the journal did not keep up: {journal.error}")
    took_s = time.perf_counter() - began
    journal.close("measured")
    return number / took_s


async def _late(journal: Journal, turns: int) -> tuple[list[list[int]], list[list[int]]]:
    """How late each period of each turn woke, in ns: without, with."""
    quiet: list[list[int]] = []
    loaded: list[list[int]] = []
    waker = Waker.open()
    first = 0
    number = RATE * PERIOD_NS // 1_000_000_000
    for turn in range(turns):
        late: list[int] = []
        (loaded if turn % 2 else quiet).append(late)
        deadline_ns = time.monotonic_ns() + PERIOD_NS
        for _ in range(TURN_PERIODS):
            await waker.until(deadline_ns)
            late.append(time.monotonic_ns() - deadline_ns)
            made = requests(first, number, deadline_ns)  # in both turns: making them is not the journal's work
            if turn % 2:
                journal.put(made)
                first += number
            deadline_ns += PERIOD_NS
        await asyncio.sleep(0.2)  # the last groups are written before the other turn begins
    waker.close()
    return quiet, loaded


def measure(turns: int = 32) -> dict[str, Any]:
    """The rate, and the lateness with and without."""
    with tempfile.TemporaryDirectory() as folder:
        rates = [per_s(folder)]
        journal = _begin(folder, "lateness.sqlite")
        with collected_between_scans():  # as in the controller's own process
            quiet, loaded = asyncio.run(_late(journal, turns))
        journal.close("measured")
    us = {
        name: [round(float(q) / 1e3, 1) for q in np.quantile(np.concatenate(values), (0.5, 0.99, 0.999))]
        for name, values in (("quiet", quiet), ("loaded", loaded))
    }
    each = [np.array([np.quantile(late, 0.99) for late in values]) for values in (quiet, loaded)]
    by_chance = float(mannwhitneyu(each[1], each[0], alternative="greater").pvalue)
    return {
        "value": round(rates[0]),
        "bar": RATE,
        "late_us_median_p99_p999": us,
        "turn_p99_us_quiet_loaded": [round(float(np.median(values)) / 1e3, 1) for values in each],
        "p99_greater_by_chance": round(by_chance, 3),
        "effect_seen_at_p99": by_chance < 0.05,
    }
