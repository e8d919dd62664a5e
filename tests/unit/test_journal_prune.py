"""Old runs go, in small steps, with their space; young ones and the one that is running stay."""

from __future__ import annotations

import sqlite3
from pathlib import Path

from controller import events as ev
from controller.records.journal import Journal
from controller.records.reading import runs
from controller.records.report import report

DAY_NS = 86_400_000_000_000


def run_of(journal: Journal, day: int, requests: int, *, ends: bool = True) -> None:
    journal.begin_run(job="tea-250", job_number=7, dry=False, config="", mono_ns=0, wall_ns=day * DAY_NS)
    journal.put([ev.RequestMade(n, n, n, 0, 0, 40.0) for n in range(requests)])
    journal.put([ev.CountersReset(5, "mara")])
    if ends:
        assert journal.end_run("over")


def test_old_runs_go_with_their_space(tmp_path: Path) -> None:
    journal = Journal.open(tmp_path / "line.db", "tea")
    try:
        run_of(journal, 1, 25_000)
        run_of(journal, 2, 10)
        run_of(journal, 30, 10)
        run_of(journal, 31, 10, ends=False)
        assert journal.prune(10, 31 * DAY_NS).result(60) == 2
        assert [info.run for info in runs(journal.path)] == [3, 4]
        assert report(journal.path, 3).created == 10
        connection = sqlite3.connect(journal.path)
        assert connection.execute("SELECT min(run) FROM requests").fetchone() == (3,)
        assert connection.execute("SELECT min(run) FROM counter_resets").fetchone() == (3,)
        assert connection.execute("PRAGMA freelist_count").fetchone() == (0,)
        connection.close()
        assert journal.path.stat().st_size < 200_000
        assert journal.ok
        assert journal.prune(10, 31 * DAY_NS).result(60) == 0
    finally:
        assert journal.close("over")


def test_the_number_of_a_removed_run_is_not_given_again(tmp_path: Path) -> None:
    journal = Journal.open(tmp_path / "line.db", "tea")
    run_of(journal, 1, 1)
    assert journal.prune(1, 9 * DAY_NS).result(60) == 1
    journal.close("over")
    again = Journal.open(journal.path, "tea")
    try:
        assert again.begin_run(job="", job_number=0, dry=True, config="", mono_ns=0, wall_ns=0) == 2
    finally:
        again.close("over")


def test_a_removal_cut_short_is_hidden_and_taken_up_again(tmp_path: Path) -> None:
    journal = Journal.open(tmp_path / "line.db", "tea")
    run_of(journal, 1, 50_000)
    cut_short = journal.prune(1, 9 * DAY_NS)
    while not any_removing(journal.path):
        pass
    journal.close("over")
    assert cut_short.result(60) == 0
    assert runs(journal.path) == []
    again = Journal.open(journal.path, "tea")
    try:
        assert again.prune(1, 2 * DAY_NS).result(60) == 1  # though by its age it might stay
    finally:
        again.close("over")


def any_removing(path: Path) -> bool:
    connection = sqlite3.connect(path)
    found = connection.execute("SELECT 1 FROM runs WHERE removing = 1").fetchone() is not None
    connection.close()
    return found
