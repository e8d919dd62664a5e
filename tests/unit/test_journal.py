"""The journal: what is put is kept, however it is grouped; what cannot be used is refused in one line."""

from __future__ import annotations

import gc
import os
import sqlite3
import subprocess
import sys
import typing
import weakref
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from controller import events as ev
from controller import model as m
from controller.records.export import dump
from controller.records.journal import Journal
from controller.records.reading import runs
from controller.records.report import report
from controller.records.rows import Group
from controller.records.schema import JournalError

MONO_NS, WALL_NS = 5_000_000_000, 1_700_000_000_000_000_000


def begin(journal: Journal) -> int:
    return journal.begin_run(job="tea-250", job_number=7, dry=False, config="[line]", mono_ns=MONO_NS, wall_ns=WALL_NS)


def seen(n: int) -> ev.ProductSeen:
    return ev.ProductSeen(MONO_NS + n, n, n * 100.5)


def made(n: int) -> ev.RequestMade:
    return ev.RequestMade(MONO_NS + n, n, n, 0, 0, n * 100.5 + 40)


def done(n: int, fate: m.Fate = m.Fate.MARKED, reason: m.Miss | None = None) -> ev.RequestDone:
    return ev.RequestDone(MONO_NS + n + 9, n, fate, reason, "", n % 65536, n * 100 + 40, 250.0, n * 100 + 41)


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    journal = Journal.open(tmp_path / "line.db", "tea", synchronous="OFF")
    begin(journal)
    yield journal
    journal.close("test over")


def ask(journal: Journal, sql: str) -> list[tuple[object, ...]]:
    connection = sqlite3.connect(journal.path)
    try:
        return connection.execute(sql).fetchall()
    finally:
        connection.close()


def test_every_kind_of_event_has_its_table(journal: Journal) -> None:
    call = m.Call("start", "mara", "plant", "now")
    events: list[ev.Event] = [
        seen(0),
        made(0),
        done(0),
        ev.ProductDone(MONO_NS + 10, 0, 180.25, 79.9, m.ProductFate.MARKED, 1, 1),
        ev.StateChanged(MONO_NS, m.State.STOPPED, m.State.RESETTING, "reset by mara"),
        ev.ModeChanged(MONO_NS, m.Mode.PRODUCTION, m.Mode.MANUAL, "mara"),
        ev.FaultChanged(MONO_NS, "link_lost", m.FaultPhase.RAISED, "no answer", True),
        ev.CallAnswered(MONO_NS, m.Reply(call, False, "not in Stopped")),
        ev.TestMarked(MONO_NS, 0, "released", None),
        ev.CountersReset(MONO_NS, "mara"),
    ]
    assert {type(event) for event in events} == set(typing.get_args(ev.Event))
    journal.put(events)
    assert journal.flush()
    assert journal.durable_events == len(events)
    kept = dump(journal.path)
    assert kept["products"] == [(0, 0, 0.0, 180.25, 79.9, "marked", 1, 1, 10)]
    assert kept["requests"] == [(0, 0, 0, 0, 40.0, "marked", None, "", 0, 40, 250.0, 41, 0, 9)]
    assert kept["states"] == [(0, "STOPPED", "RESETTING", "reset by mara")]
    assert kept["modes"] == [(0, "PRODUCTION", "MANUAL", "mara")]
    assert kept["faults"] == [(0, "link_lost", "raised", "no answer", 1)]
    assert kept["commands"] == [(0, "start", "now", "mara", "plant", 0, "not in Stopped")]
    assert kept["test_marks"] == [(0, 0, "released", None)]
    assert kept["counter_resets"] == [(0, "mara")]


def test_a_request_pending_over_a_flush_is_one_row_changed_at_its_end(journal: Journal) -> None:
    journal.put([made(1)])
    assert journal.flush()
    assert ask(journal, "SELECT fate, made_ns, done_ns, opened, closed FROM requests") == [
        ("pending", MONO_NS + 1, None, 1, 0)
    ]
    journal.put([done(1, m.Fate.MISSED, m.Miss.BUSY)])
    assert journal.flush()
    assert ask(journal, "SELECT fate, reason, made_ns, done_ns, opened, closed FROM requests") == [
        ("missed", "busy", MONO_NS + 1, MONO_NS + 10, 1, 1)
    ]


numbers = st.integers(0, 4)
anything = st.one_of(
    st.builds(seen, numbers),
    st.builds(made, numbers),
    st.builds(done, numbers, st.sampled_from([m.Fate.MARKED, m.Fate.DRY])),
    st.builds(done, numbers, st.just(m.Fate.MISSED), st.sampled_from(m.Miss)),
    st.builds(
        ev.ProductDone,
        st.just(MONO_NS),
        numbers,
        st.none(),
        st.none(),
        st.just(m.ProductFate.UNMARKED),
        numbers,
        numbers,
    ),
    st.builds(ev.CountersReset, st.just(MONO_NS), st.sampled_from(["mara", "iven"])),
)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(groups=st.lists(st.lists(anything, max_size=12), max_size=6))
def test_grouping_never_shows_and_only_orderly_stories_balance(
    tmp_path_factory: pytest.TempPathFactory, groups: list[list[ev.Event]]
) -> None:
    path = tmp_path_factory.mktemp("groups") / "line.db"
    journal = Journal.open(path, "tea", synchronous="OFF")
    try:
        begin(journal)
        for group in groups:  # each its own transaction
            journal.put(group)
            assert journal.flush()
        journal.end_run("over")
        begin(journal)
        journal.put([event for group in groups for event in group])  # all in one
        journal.end_run("over")
    finally:
        assert journal.close("over")
    assert dump(path, 1) == dump(path, 2)
    told = "SELECT request, opened, closed FROM requests WHERE run = {0} UNION ALL " \
        "SELECT product, opened, closed FROM products WHERE run = {0}"  # fmt: skip
    assert ask(journal, told.format(1)) == ask(journal, told.format(2))

    events = [event for group in groups for event in group]
    orderly = True
    for first, last, key in (
        (ev.ProductSeen, ev.ProductDone, "product"),
        (ev.RequestMade, ev.RequestDone, "request"),
    ):
        firsts = [getattr(e, key) for e in events if isinstance(e, first)]
        lasts = [getattr(e, key) for e in events if isinstance(e, last)]
        orderly &= len(set(firsts)) == len(firsts) and len(set(lasts)) == len(lasts) and set(lasts) <= set(firsts)
    assert report(path, 1).balanced == report(path, 2).balanced == orderly


@settings(max_examples=25, deadline=None)
@given(ends=st.lists(st.sampled_from([*m.Miss, m.Fate.MARKED, m.Fate.DRY, None]), min_size=1, max_size=60))
def test_orderly_stories_add_up(tmp_path_factory: pytest.TempPathFactory, ends: list[m.Miss | m.Fate | None]) -> None:
    path = tmp_path_factory.mktemp("sums") / "line.db"
    journal = Journal.open(path, "tea", synchronous="OFF")
    try:
        begin(journal)
        for n, end in enumerate(ends):
            journal.put([seen(n), made(n)])
            if isinstance(end, m.Miss):
                journal.put([done(n, m.Fate.MISSED, end)])
            elif end is not None:
                journal.put([done(n, end)])
    finally:
        assert journal.close("over")
    sums = report(path)
    assert sums.balanced
    assert sums.detected == sums.created == len(ends)
    assert sums.requests == {
        "pending": ends.count(None),
        "marked": ends.count(m.Fate.MARKED),
        "dry": ends.count(m.Fate.DRY),
        "missed": sum(isinstance(end, m.Miss) for end in ends),
    }
    assert sums.missed == {str(reason): ends.count(reason) for reason in m.Miss if reason in ends}


def test_more_than_the_bound_is_counted_as_lost_and_the_run_says_so(tmp_path: Path) -> None:
    journal = Journal.open(tmp_path / "line.db", "tea", synchronous="OFF", bound=10)
    try:
        begin(journal)
        journal.put([made(n) for n in range(11)])
        assert (journal.ok, journal.lost) == (False, 11)
        assert "11 events were lost" in journal.error
        journal.put([made(1)])
        assert journal.flush()
        assert report(journal.path).imbalances == ("11 events could not be kept",)
        journal.end_run("over")
        begin(journal)
        assert (journal.ok, journal.error) == (True, "")
    finally:
        journal.close("over")


def test_what_is_put_outside_a_run_is_counted_as_lost(tmp_path: Path) -> None:
    journal = Journal.open(tmp_path / "line.db", "tea", synchronous="OFF")
    journal.put([made(1)])
    assert (journal.ok, journal.lost) == (False, 1)
    begin(journal)
    assert journal.close("over")
    journal.put([made(2)])
    assert not journal.ok
    assert report(journal.path).created == 0


def test_runs_follow_one_another_with_their_own_ends(journal: Journal) -> None:
    with pytest.raises(JournalError, match="run 1 has not ended"):
        begin(journal)
    assert journal.end_run("by mara", mono_ns=MONO_NS + 1_500_000_000, summary={"balanced": True})
    assert begin(journal) == 2
    assert ask(journal, "SELECT id, started_utc, ended_utc, ended, summary FROM runs ORDER BY id") == [
        (1, "2023-11-14T22:13:20.000Z", "2023-11-14T22:13:21.500Z", "stopped: by mara", '{"balanced": true}'),
        (2, "2023-11-14T22:13:20.000Z", None, None, None),
    ]


def test_a_file_moved_away_in_use_is_noticed_and_nothing_is_lost_when_it_is_back(journal: Journal) -> None:
    aside = journal.path.with_name("aside.db")
    journal.path.rename(aside)
    journal.put([made(1)])
    assert not journal.flush(0.5)
    assert not journal.ok
    assert "No such file" in journal.error
    aside.rename(journal.path)
    assert journal.flush()
    assert journal.ok
    assert ask(journal, "SELECT count(*) FROM requests") == [(1,)]


def test_a_run_whose_beginning_was_refused_does_not_begin_later_by_itself(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("controller.records.journal._PATIENCE_S", 0.4)
    journal = Journal.open(tmp_path / "line.db", "tea", synchronous="OFF")
    journal.path.rename(tmp_path / "aside.db")
    with pytest.raises(JournalError, match="No such file"):
        begin(journal)
    (tmp_path / "aside.db").rename(journal.path)
    assert journal.flush(5.0)
    assert runs(journal.path) == []
    run = begin(journal)
    assert [info.run for info in runs(journal.path)] == [run]
    assert journal.close("over")


def test_a_value_that_no_file_can_hold_is_a_fault_that_keeps_its_reason(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("controller.records.journal._PATIENCE_S", 0.3)
    journal = Journal.open(tmp_path / "line.db", "tea", synchronous="OFF")
    begin(journal)
    journal.put([made(1), ev.RequestDone(MONO_NS, 1, m.Fate.MARKED, released_counts=1 << 70)])
    assert not journal.flush(0.7)  # tried more than once
    assert "too large" in journal.error
    assert report(journal.path).created == 0  # not one half of what was put together
    assert not journal.close("over")
    assert journal.lost == 2


def test_what_has_been_written_leaves_nothing_to_collect() -> None:
    group = Group(1, 0)
    group.add([seen(1), made(1), done(1), ev.CountersReset(MONO_NS, "mara")])
    gone = weakref.ref(group)
    collecting = gc.isenabled()
    gc.disable()  # as while the loop runs
    try:
        del group
        assert gone() is None
    finally:
        if collecting:
            gc.enable()


HOLDER = """
import sys
from controller.records.journal import Journal
journal = Journal.open(sys.argv[1], "tea")
print("held", flush=True)
sys.stdin.read()
journal.close("over")
"""


def test_a_second_controller_is_refused_and_told_who_holds_it(tmp_path: Path) -> None:
    path, other_name = tmp_path / "line.db", tmp_path / "link.db"
    other_name.symlink_to(path)
    root = str(Path(__file__).parents[2])
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(path)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, env={**os.environ, "PYTHONPATH": root},
    )  # fmt: skip
    with holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"held\n"
        for name in (path, other_name):
            with pytest.raises(
                JournalError, match=rf"line\.db: another controller \(process {holder.pid}\)"
            ) as refusal:
                Journal.open(name, "tea")
            assert "\n" not in str(refusal.value)
    Journal.open(path, "tea").close("over")


def test_what_cannot_be_a_journal_is_refused_in_one_line_and_left_as_it_is(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    garbage = tmp_path / "garbage.db"
    garbage.write_bytes(b"no database at all, " * 400)
    other = sqlite3.connect(tmp_path / "other.db")
    other.execute("CREATE TABLE recipes (tea TEXT)")
    other.close()
    newer = Journal.open(tmp_path / "newer.db", "tea")
    newer.close("over")
    changed = sqlite3.connect(newer.path)
    changed.execute("UPDATE meta SET value = '99'")
    changed.commit()
    changed.close()
    (tmp_path / "directory.db").mkdir()

    for name, says in (
        ("file/line.db", "cannot be used"),
        ("garbage.db", "move it"),
        ("other.db", "not a journal of this program"),
        ("newer.db", "its schema is 99, this program knows 2"),
        ("directory.db", "cannot be used"),
    ):
        for _ in range(2):  # the first refusal leaves no lock behind
            with pytest.raises(JournalError, match=says) as refusal:
                Journal.open(tmp_path / name, "tea")
            assert name.rpartition("/")[2] in str(refusal.value)
            assert "\n" not in str(refusal.value)
    assert garbage.read_bytes() == b"no database at all, " * 400


def test_a_journal_with_a_wrecked_page_is_refused_or_a_fault_never_a_traceback(journal: Journal) -> None:
    journal.put([made(n) for n in range(5000)])
    assert journal.close("over")
    size = journal.path.stat().st_size
    with journal.path.open("r+b") as file:
        file.seek(4096)
        file.write(b"\xff" * (size - 4096))
    with pytest.raises(JournalError, match="move it"):
        Journal.open(journal.path, "tea")
    with pytest.raises(JournalError, match="move it"):
        report(journal.path)
