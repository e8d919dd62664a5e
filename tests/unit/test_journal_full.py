"""A disk without room: the journal says so, keeps what it has been given, and writes it when there is room again."""

from __future__ import annotations

import resource
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from controller import events as ev
from controller.records.journal import Journal
from controller.records.report import report
from controller.records.schema import JournalError


def made(n: int) -> ev.RequestMade:
    return ev.RequestMade(n, n, n, 0, 0, 40.0)


def begin(journal: Journal) -> int:
    return journal.begin_run(job="tea-250", job_number=7, dry=False, config="", mono_ns=0, wall_ns=0)


def refused(journal: Journal) -> None:
    """Wait until the disk has refused what was put."""
    for _ in range(600):
        assert not journal.flush(0.1)
        if not journal.ok:
            return
    raise AssertionError("the disk refused nothing within a minute")


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    disk = tmp_path / "disk"
    disk.mkdir()
    made_disk = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(disk)], capture_output=True, text=True, check=False
    )
    if made_disk.returncode:
        pytest.skip(f"a small disk cannot be mounted here: {made_disk.stderr.strip()}")
    yield disk
    subprocess.run(["umount", str(disk)], check=True)


def test_a_full_disk_is_told_and_nothing_is_lost_once_there_is_room(small_disk: Path) -> None:
    journal = Journal.open(small_disk / "line.db", "tea", bound=100_000)
    try:
        begin(journal)
        ballast = small_disk / "ballast"
        ballast.write_bytes(bytes(600_000))
        journal.put([made(n) for n in range(20_000)])
        refused(journal)
        assert "make room on its disk" in journal.error
        assert "events wait" in journal.error
        ballast.unlink()
        subprocess.run(["mount", "-o", "remount,size=16m", str(small_disk)], check=True)
        assert journal.flush()
        assert journal.ok
        assert journal.error == ""
    finally:
        assert journal.close("over")
    sums = report(journal.path)
    assert (sums.created, sums.balanced) == (20_000, True)


def test_no_journal_on_a_full_disk(small_disk: Path) -> None:
    (small_disk / "ballast").write_bytes(bytes(1_048_576 - 8192))
    with pytest.raises(JournalError, match="make room on its disk") as refusal:
        Journal.open(small_disk / "line.db", "tea")
    assert "\n" not in str(refusal.value)


@pytest.fixture
def file_limit() -> Iterator[None]:
    """No file may grow beyond 256 KiB: needs no rights, and every write past it fails."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (256 * 1024, hard))
    yield
    resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def test_writes_refused_are_kept_up_to_the_bound_then_counted(tmp_path: Path, file_limit: None) -> None:
    journal = Journal.open(tmp_path / "line.db", "tea", bound=30_000)
    begin(journal)
    journal.put([made(n) for n in range(30_000)])
    refused(journal)
    kept = journal.durable_events
    assert journal.backlog == 30_000 - kept
    journal.put([made(30_000 + n) for n in range(30_001)])
    assert journal.lost == 30_001
    assert "30001 events were lost" in journal.error

    _, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))
    assert journal.flush()
    assert journal.durable_events == 30_000
    assert not journal.ok  # what was lost stays said
    assert not journal.close("over")
    sums = report(journal.path)
    assert (sums.created, sums.imbalances) == (30_000, ("30001 events could not be kept",))


def test_closing_while_nothing_can_be_written_comes_back_and_says_what_is_lost(
    tmp_path: Path, file_limit: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("controller.records.journal._PATIENCE_S", 0.5)
    journal = Journal.open(tmp_path / "line.db", "tea")
    begin(journal)
    journal.put([made(n) for n in range(30_000)])
    refused(journal)
    assert not journal.close("over")
    assert journal.lost == 30_000 - journal.durable_events > 0
    assert "events were lost" in journal.error
    again = Journal.open(journal.path, "tea")  # the lock is free, and the run is known to have ended badly
    assert again.recovered is not None
    again.close("over")
