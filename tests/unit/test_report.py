"""What is read from the journal: the sums of a run, its print, its files, and the dump by which runs are compared."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest

from controller import events as ev
from controller import model as m
from controller.records.export import dump, export_csv
from controller.records.journal import Journal
from controller.records.printed import render
from controller.records.reading import runs
from controller.records.report import report, to_json
from controller.records.schema import ROW_KEYS, JournalError

S = 1_000_000_000
MONO, WALL = 77 * S, 1_700_000_000 * S


def a_shift(journal: Journal, mono_ns: int = MONO, wall_ns: int = WALL) -> None:
    """Three minutes: Execute from 10 s to 130 s with a mark every 2 s, every fifth one missed as busy."""

    def t(seconds: float) -> int:
        return mono_ns + round(seconds * S)

    journal.begin_run(job="tea-250", job_number=7, dry=False, config="[line]", mono_ns=mono_ns, wall_ns=wall_ns)
    start = m.Call("start", "mara")
    journal.put([
        ev.CallAnswered(t(1), m.Reply(m.Call("hold", "iven", "plant"), False, 'not in Stopped, "Idle", or so')),
        ev.CallAnswered(t(10), m.Reply(start, True)),
        ev.StateChanged(t(10), m.State.STOPPED, m.State.EXECUTE, "start by mara"),
    ])  # fmt: skip
    for n in range(60):
        at = t(10.5 + 2 * n)
        missed = n % 5 == 4
        fate, reason = (m.Fate.MISSED, m.Miss.BUSY) if missed else (m.Fate.MARKED, None)
        ended = m.ProductFate.UNMARKED if missed else m.ProductFate.MARKED
        journal.put([ev.ProductSeen(at, n, n * 80.25), ev.RequestMade(at, n, n, 0, 0, n * 80.25 + 400.5)])
        journal.put([ev.RequestDone(at, n, fate, reason, 'comma, "quote"\r\nline', n, n * 80 + 400, 333.25, None)])
        journal.put([ev.ProductDone(at, n, n * 80.25 + 40, 1 / 3, ended, 0 if missed else 1, 1)])
    journal.put([
        ev.FaultChanged(t(130), "link_lost", m.FaultPhase.RAISED, "no answer for 100 ms", True),
        ev.FaultChanged(t(130), "captures_lost", m.FaultPhase.RAISED, "3 captures", False),
        ev.StateChanged(t(130), m.State.EXECUTE, m.State.ABORTED, "link_lost"),
        ev.FaultChanged(t(140), "link_lost", m.FaultPhase.CLEARED, ""),
        ev.FaultChanged(t(150), "link_lost", m.FaultPhase.RAISED, "refused", False),
        ev.TestMarked(t(160), 0, "released", 5),
    ])  # fmt: skip
    assert journal.end_run("by mara", mono_ns=t(180), summary={"scans": 36_000})


@pytest.fixture
def path(tmp_path: Path) -> Path:
    journal = Journal.open(tmp_path / "line.db", "tea", synchronous="OFF")
    a_shift(journal)
    a_shift(journal, MONO + 5 * S, WALL + 9_000 * S)
    assert journal.close("over")
    return journal.path


def test_a_run_in_sums(path: Path) -> None:
    sums = report(path, 1)
    assert (sums.run.run, sums.run.line, sums.run.job, sums.run.ended) == (1, "tea", "tea-250", "stopped: by mara")
    assert (sums.run.started_utc, sums.run.ended_utc) == ("2023-11-14T22:13:20.000Z", "2023-11-14T22:16:20.000Z")
    assert (sums.detected, sums.created, sums.duration_s, sums.test_marks) == (60, 60, 180.0, 1)
    assert sums.products == {"in_flight": 0, "marked": 48, "part_marked": 0, "unmarked": 12, "unknown": 0}
    assert sums.requests == {"pending": 0, "marked": 48, "dry": 0, "missed": 12}
    assert sums.missed == {"busy": 12}
    assert (sums.balanced, sums.imbalances) == (True, ())
    assert sums.states_s == {"STOPPED": 10.0, "EXECUTE": 120.0, "ABORTED": 50.0}
    assert sums.marks_per_minute == 24.0
    # Marks fall at 10.5, 12.5, … s: 30 to the second minute, of which every fifth is missed.
    assert sums.peak_marks_per_minute == 24
    assert [(f.fault, f.raised, f.first_cause, f.last_detail) for f in sums.faults] == [
        ("link_lost", 2, 1, "refused"),
        ("captures_lost", 1, 0, "3 captures"),
    ]
    assert sums.first_causes == ("2023-11-14T22:15:30.000Z link_lost: no answer for 100 ms",)
    assert [(c.verb, c.who, c.source, c.accepted, c.reason) for c in sums.commands] == [
        ("hold", "iven", "plant", False, 'not in Stopped, "Idle", or so'),
        ("start", "mara", "local", True, ""),
    ]
    assert (sums.summary, sums.previous_end) == ({"scans": 36_000}, "")


def test_the_newest_run_is_meant_where_none_is_named(path: Path) -> None:
    assert [info.run for info in runs(path)] == [1, 2]
    assert report(path).run.run == 2
    assert report(path).previous_end == "run 1 stopped: by mara"


def test_a_running_controller_can_be_read(tmp_path: Path) -> None:
    journal = Journal.open(tmp_path / "line.db", "tea")
    try:
        with pytest.raises(JournalError, match="it holds no run yet"):
            report(journal.path)
        journal.begin_run(job="tea-250", job_number=7, dry=True, config="", mono_ns=0, wall_ns=0)
        journal.put([ev.ProductSeen(3 * S, 0, 0.0)])
        assert journal.flush()
        sums = report(journal.path)
        assert (sums.run.ended, sums.run.dry, sums.products["in_flight"], sums.balanced) == (None, True, 1, True)
        assert "not ended: still running" in render(sums)
        assert ", dry" in render(sums)
    finally:
        journal.close("over")


def test_an_end_without_a_beginning_is_called_unbalanced(tmp_path: Path) -> None:
    journal = Journal.open(tmp_path / "line.db", "tea")
    journal.begin_run(job="tea-250", job_number=7, dry=False, config="", mono_ns=0, wall_ns=0)
    journal.put([ev.RequestDone(1, 0, m.Fate.MARKED), ev.RequestDone(2, 0, m.Fate.MISSED)])
    assert journal.close("over")
    sums = report(journal.path)
    assert not sums.balanced
    assert sums.imbalances == (
        "1 requests ended without having been made",
        "1 requests given more than one fate",
        "1 requests missed without a reason or not missed with one",
    )
    assert "NOT BALANCED: 1 requests ended" in render(sums)


def test_the_print_shows_every_figure_with_its_unit(path: Path) -> None:
    text = render(report(path))
    lines = [" ".join(line.split()) for line in text.splitlines()]
    for line in (
        "Run 2 of line tea, job tea-250 (number 7)",
        "from 2023-11-15T00:43:20.000Z, recorded over 180.0 s",
        "stopped: by mara, at 2023-11-15T00:46:20.000Z",
        "before it: run 1 stopped: by mara",
        "marks: 24.0 a minute in Execute, 24 in the best; test marks, counted apart: 1",
        "missed: busy 12",
        "balanced",
        "state time s",
        "EXECUTE 120.0",
    ):
        assert line in lines, text
    assert 'refused: not in Stopped, "Idle", or so' in text
    assert max(map(len, text.splitlines())) <= 110


def test_json_is_one_line_with_the_same_figures(path: Path) -> None:
    text = to_json(report(path, 1))
    assert "\n" not in text
    read = json.loads(text)
    assert read["run"]["run"] == 1
    assert read["requests"] == {"pending": 0, "marked": 48, "dry": 0, "missed": 12}
    assert read["balanced"] is True


def test_csv_gives_back_every_value(path: Path, tmp_path: Path) -> None:
    files = export_csv(path, 2, tmp_path / "out" / "csv")
    assert [file.name for file in files] == [f"run-2-{table}.csv" for table in ROW_KEYS]
    with (tmp_path / "out/csv/run-2-requests.csv").open(encoding="utf-8", newline="") as file:
        heading, *rows = list(csv.reader(file))
    assert heading == [
        "run", "request", "product", "station", "idx", "due_counts", "fate", "reason", "detail", "token",
        "target_counts", "speed_mm_s", "released_counts", "made_ns", "done_ns", "utc",
    ]  # fmt: skip
    kept = dump(path, 2)["requests"]
    text = [[("" if value is None else str(value)) for value in row] for row in kept]
    assert [row[1:-1] for row in rows] == text
    assert rows[0][-1] == "2023-11-15T00:43:30.500Z"
    assert b"\r\n" in files[0].read_bytes()
    with (tmp_path / "out/csv/run-2-products.csv").open(encoding="utf-8", newline="") as file:
        first = next(csv.DictReader(file))
    assert float(first["length_mm"]) == 1 / 3
    (tmp_path / "file").write_text("")
    with pytest.raises(JournalError, match="name a directory that can"):
        export_csv(path, 2, tmp_path / "file" / "sub")


def test_equal_runs_give_equal_dumps_and_a_difference_shows(path: Path, tmp_path: Path) -> None:
    assert dump(path, 1) == dump(path, 2)
    other = Journal.open(tmp_path / "other.db", "tea", synchronous="OFF")
    a_shift(other)
    a_shift(other, MONO + 1, WALL)
    other.begin_run(job="tea-250", job_number=7, dry=False, config="", mono_ns=MONO, wall_ns=WALL)
    other.close("over")
    assert dump(other.path, 1) == dump(other.path, 2) == dump(path, 1)
    assert dump(other.path, 3) != dump(path, 1)


def test_what_is_not_there_is_said_in_one_line(path: Path, tmp_path: Path) -> None:
    with pytest.raises(JournalError, match="no such file") as missing:
        report(tmp_path / "none.db")
    with pytest.raises(JournalError, match="no run 9 in it; it holds runs 1 to 2") as absent:
        report(path, 9)
    assert "\n" not in f"{missing.value}{absent.value}"
    assert not (tmp_path / "none.db").exists()
