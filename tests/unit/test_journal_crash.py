"""A controller killed at any instant: what was reported as written is there, and the next start sets the run right."""

from __future__ import annotations

import os
import random
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest

from controller import events as ev
from controller import model as m
from controller.records.journal import Journal
from controller.records.reading import runs
from controller.records.report import report

CHILD = """
import os, sys, time
from controller import model as m
from controller import events as ev
from controller.records.journal import Journal
journal = Journal.open(sys.argv[1], "tea")
journal.begin_run(job="tea-250", job_number=7, dry=False, config="", mono_ns=0, wall_ns=10**18)
n = 0
while True:
    for _ in range(5):  # the last two are always without an end
        n += 1
        events = [ev.ProductSeen(n, n, 1.0), ev.RequestMade(n, n, n, 0, 0, 2.0)]
        if n > 2:
            events.append(ev.RequestDone(n, n - 2, m.Fate.MARKED))
            events.append(ev.ProductDone(n, n - 2, 1.0, 2.0, m.ProductFate.MARKED, 1, 1))
        journal.put(events)
    if n % 1000 == 0:  # rarely, so that most groups are written by the journal's own time
        journal.flush()
    os.write(1, b"%d\\n" % journal.durable_events)
    time.sleep(0.001)
"""


def killed_at_random(path: Path, chance: random.Random) -> int:
    """Run the child, kill it at a random instant, and give the count that it last reported as written."""
    child = subprocess.Popen(
        [sys.executable, "-c", CHILD, str(path)],
        stdout=subprocess.PIPE, env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
    )  # fmt: skip
    with child:
        assert child.stdout is not None
        try:
            for _ in range(chance.randrange(1, 300)):
                first = child.stdout.readline()
            time.sleep(chance.random() * 0.02)
        finally:
            child.kill()
        reports = (first + child.stdout.read()).split(b"\n")
    return int(reports[-2])  # the last one may be cut off


@pytest.mark.long
def test_twenty_kills_lose_nothing_that_was_reported(tmp_path: Path) -> None:
    chance, path, most = random.Random(20), tmp_path / "line.db", 0
    for number in range(1, 21):
        reported = killed_at_random(path, chance)
        connection = sqlite3.connect(path)
        told = connection.execute(
            "SELECT sum(n), max(last) FROM ("
            "SELECT sum(opened + closed) AS n, max(product) AS last FROM products WHERE run = ?1 UNION ALL "
            "SELECT sum(opened + closed), max(request) FROM requests WHERE run = ?1)",
            (number,),
        ).fetchone()
        connection.close()
        kept, last = told[0] or 0, told[1] or 0
        assert kept >= reported
        # Not only as many, but the very first ones, whole scans: nothing is missing in between.
        assert kept == 2 * last + 2 * max(last - 2, 0)
        journal = Journal.open(path, "tea")
        recovery = journal.recovered
        journal.close("looked at")
        assert recovery is not None
        in_flight = min(last, 2)
        assert (recovery.run, recovery.products_unknown, recovery.requests_unconfirmed) == (
            number,
            in_flight,
            in_flight,
        )
        sums = report(path, number)
        assert (sums.run.ended, sums.balanced) == ("ended without a stop", True)
        assert (sums.detected, sums.requests["marked"], sums.requests["pending"]) == (last, last - in_flight, 0)
        assert (sums.missed.get("unconfirmed", 0), sums.products["unknown"]) == (in_flight, in_flight)
        most = max(most, reported)
    assert most > 0
    assert [info.run for info in runs(path)] == list(range(1, 21))


def test_a_run_without_a_stop_is_set_right_once(tmp_path: Path) -> None:
    path = tmp_path / "line.db"
    journal = Journal.open(path, "tea")
    journal.begin_run(job="tea-250", job_number=7, dry=False, config="", mono_ns=500, wall_ns=0)
    journal.put(
        [
            ev.ProductSeen(700, 0, 1.0),
            ev.RequestMade(700, 0, 0, 0, 0, 2.0),
            ev.RequestMade(700, 1, 0, 0, 1, 3.0),
        ]
    )
    journal.put([ev.RequestDone(2_000_000_500, 0, m.Fate.MARKED)])
    assert journal.flush()
    crashed = tmp_path / "crashed.db"
    image = sqlite3.connect(crashed)
    running = sqlite3.connect(path)
    running.backup(image)  # the file as it is while the run goes on
    image.close()
    running.close()
    assert journal.close("over")
    assert journal.recovered is None

    journal = Journal.open(crashed, "tea")
    recovery = journal.recovered
    assert recovery is not None
    assert (recovery.run, recovery.products_unknown, recovery.requests_unconfirmed) == (1, 1, 1)
    assert str(recovery).startswith("run 1 ended without a stop, last heard of at 1970-01-01T00:00:02.000Z: 1 products")
    journal.close("over")
    sums = report(crashed)
    assert sums.requests == {"pending": 0, "marked": 1, "dry": 0, "missed": 1}
    assert (sums.missed, sums.products["unknown"], sums.balanced) == ({"unconfirmed": 1}, 1, True)

    again = Journal.open(crashed, "tea")
    assert again.recovered is None
    again.close("over")
