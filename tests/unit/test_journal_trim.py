"""What is old in a run that goes on is removed; its report says the same before and after."""

from __future__ import annotations

import dataclasses
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from controller import events as ev
from controller import model as m
from controller.records.journal import Journal
from controller.records.printed import render
from controller.records.report import Report, report
from controller.records.schema import JournalError

MONO_NS, WALL_NS = 5_000_000_000, 1_700_000_000_000_000_000
S, HOUR_NS, DAY_NS = 1_000_000_000, 3_600_000_000_000, 86_400_000_000_000


def begin(journal: Journal) -> None:
    journal.begin_run(job="tea-250", job_number=7, dry=False, config="", mono_ns=MONO_NS, wall_ns=WALL_NS)


def story(n: int, t_ns: int, end: m.Fate | m.Miss | None) -> list[ev.Event]:
    """One product with one request, made at `t_ns` and ended ten seconds later unless `end` is None."""
    events: list[ev.Event] = [
        ev.ProductSeen(t_ns, n, n * 100.0),
        ev.RequestMade(t_ns, n, n, 0, 0, n * 100.0 + 40),
    ]
    if end is None:
        return events
    fate, reason = (m.Fate.MISSED, end) if isinstance(end, m.Miss) else (end, None)
    product = m.ProductFate.MARKED if fate is m.Fate.MARKED else m.ProductFate.UNMARKED
    events.append(ev.RequestDone(t_ns + 10 * S, n, fate, reason))
    events.append(ev.ProductDone(t_ns + 10 * S, n, n * 100.0 + 50, 50.0, product, 1, 1))
    return events


def sums(found: Report) -> dict[str, Any]:
    """What a report must say before and after; the lists and the latest of each fault may be shorter."""
    kept = dataclasses.asdict(found)
    for name in ("removed_before_utc", "first_causes", "commands"):
        del kept[name]
    kept["faults"] = {f.fault: (f.raised, f.first_cause) for f in found.faults}
    return kept


def ask(path: Path, sql: str) -> list[tuple[Any, ...]]:
    connection = sqlite3.connect(path)
    try:
        return connection.execute(sql).fetchall()
    finally:
        connection.close()


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    journal = Journal.open(tmp_path / "line.db", "tea", synchronous="OFF")
    begin(journal)
    yield journal
    journal.close("test over")


def trim(journal: Journal, day: float) -> None:
    """Have everything removed that is more than a day old on that day of the run."""
    assert journal.flush()
    assert journal.prune(1, WALL_NS + round(day * DAY_NS)).result(30) == 0


steps = st.lists(
    st.tuples(
        st.integers(0, 3 * HOUR_NS),
        st.one_of(
            st.sampled_from([*m.Fate, *m.Miss, None]).filter(lambda end: end not in (m.Fate.PENDING, m.Fate.MISSED)),
            st.sampled_from([m.State.EXECUTE, m.State.HELD, m.State.STOPPED]),
            st.sampled_from(["link_lost", "jam"]),
            st.just("test mark"),
        ),
    ),
    min_size=1,
    max_size=40,
)


def told(what: list[tuple[int, Any]]) -> Iterator[list[ev.Event]]:
    t_ns, state = MONO_NS, m.State.STOPPED
    for n, (later_ns, event) in enumerate(what):
        t_ns += later_ns
        if isinstance(event, m.State):
            yield [ev.StateChanged(t_ns, state, event, "somebody")]
            state = event
        elif event == "test mark":
            yield [ev.TestMarked(t_ns, 0, "released", n)]
        elif isinstance(event, str) and event in ("link_lost", "jam"):
            yield [ev.FaultChanged(t_ns, event, m.FaultPhase.RAISED, "so", n % 2 == 0)]
        else:
            yield story(n, t_ns, event)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(what=steps, days=st.lists(st.floats(1, 8), min_size=1, max_size=3), step_keys=st.sampled_from([1, 3, 2000]))
def test_the_report_says_the_same_before_and_after(
    tmp_path_factory: pytest.TempPathFactory, what: list[tuple[int, Any]], days: list[float], step_keys: int
) -> None:
    path = tmp_path_factory.mktemp("trim") / "line.db"
    journal = Journal.open(path, "tea", synchronous="OFF")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("controller.records.trimming._STEP_KEYS", step_keys)
        patch.setattr("controller.records.journal._GROUP_S", 0.0005)
        try:
            begin(journal)
            for events in told(what):
                journal.put(events)
            assert journal.flush()
            before = report(path)
            for day in days:
                trim(journal, day)
                after = report(path)
                assert sums(after) == sums(before)
                assert after.balanced
        finally:
            assert journal.close("over")
    edge_ns = MONO_NS + round((max(days) - 1) * DAY_NS) - 60 * S
    for table, fate in (("requests", "pending"), ("products", "in_flight")):
        assert ask(path, f"SELECT count(*) FROM {table} WHERE done_ns < {edge_ns} AND fate <> '{fate}'") == [(0,)]
    for table in ("faults", "test_marks"):
        assert ask(path, f"SELECT count(*) FROM {table} WHERE t_ns < {edge_ns}") == [(0,)]
    assert ask(path, f"SELECT count(*) FROM states WHERE t_ns < {edge_ns}")[0][0] <= 1  # the one now in force
    assert ask(path, "SELECT count(*) FROM removed WHERE what = 'minute'") == [(0,)]


def test_the_best_minute_is_kept_whole(journal: Journal) -> None:
    for n in range(10):  # all marked in the minute that begins two days after the run did
        journal.put(story(n, MONO_NS + 2 * DAY_NS + 4 * n * S, m.Fate.MARKED))
    for n in range(10, 13):
        journal.put(story(n, MONO_NS + (n - 7) * DAY_NS, m.Fate.MARKED))
    assert journal.flush()
    assert report(journal.path).peak_marks_per_minute == 10
    for day in (3 + 30 / 86_400, 4.5, 6.5, 9):  # the first falls into the midst of that minute
        trim(journal, day)
        assert report(journal.path).peak_marks_per_minute == 10
    assert ask(journal.path, "SELECT count(*) FROM requests") == [(0,)]


def test_what_has_not_ended_stays_and_ends_once(journal: Journal) -> None:
    journal.put(story(1, MONO_NS, None))
    journal.put(story(2, MONO_NS, m.Fate.MARKED))
    trim(journal, 90)
    assert ask(journal.path, "SELECT request, fate FROM requests") == [(1, "pending")]
    assert ask(journal.path, "SELECT product, fate FROM products") == [(1, "in_flight")]
    journal.put([ev.RequestDone(MONO_NS + 90 * DAY_NS, 1, m.Fate.MISSED, m.Miss.VOID)])
    journal.put([ev.ProductDone(MONO_NS + 90 * DAY_NS, 1, None, None, m.ProductFate.UNMARKED, 0, 1)])
    assert journal.flush()
    found = report(journal.path)
    assert found.balanced
    assert found.requests == {"pending": 0, "marked": 1, "dry": 0, "missed": 1}
    assert (found.missed, found.detected) == ({"void": 1}, 2)


def test_what_does_not_add_up_stays_as_evidence(journal: Journal) -> None:
    journal.put(story(1, MONO_NS, m.Fate.MARKED))
    journal.put([ev.RequestDone(MONO_NS + 11 * S, 1, m.Fate.MARKED)])
    journal.put([ev.ProductDone(MONO_NS + 11 * S, 2, None, None, m.ProductFate.MARKED, 1, 1)])
    assert journal.flush()
    before = report(journal.path).imbalances
    trim(journal, 90)
    assert (
        report(journal.path).imbalances
        == before
        == ("1 products ended without having been seen", "1 requests given more than one fate")
    )


def test_a_fate_given_again_long_after_is_still_found(journal: Journal) -> None:
    journal.put(story(1, MONO_NS, m.Fate.MARKED))
    trim(journal, 90)
    journal.put([ev.RequestDone(MONO_NS + 90 * DAY_NS, 1, m.Fate.MARKED)])
    assert journal.flush()
    assert report(journal.path).imbalances == ("1 requests ended without having been made",)


def test_a_run_of_months_rolls_on_by_its_own_events(journal: Journal) -> None:
    journal.prune(1, WALL_NS).result(30)
    for hour in range(24 * 5):
        journal.put(story(hour, MONO_NS + hour * HOUR_NS, m.Fate.MARKED))
        assert journal.flush()
    for _ in range(200):  # the last pass goes on between the groups
        oldest = ask(journal.path, "SELECT min(done_ns) FROM requests")[0][0]
        if oldest >= MONO_NS + 94 * HOUR_NS:
            break
        assert journal.flush()
    else:
        pytest.fail(f"rows of more than a day ago are still there: the oldest is of hour {oldest / HOUR_NS:.0f}")
    found = report(journal.path)
    assert (found.created, found.requests["marked"], found.balanced) == (120, 120, True)
    assert "removed by age: what ended before 2023-11-1" in render(found)


def test_a_step_that_fails_changes_nothing_and_the_next_pass_goes_on(
    journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    for n in range(6):
        journal.put(story(n, MONO_NS, m.Fate.MARKED))
    journal.put([ev.FaultChanged(MONO_NS, "jam", m.FaultPhase.RAISED, "long", True)])
    assert journal.flush()
    before = sums(report(journal.path))
    connection = sqlite3.connect(journal.path)
    connection.execute("CREATE TRIGGER refuse BEFORE DELETE ON faults BEGIN SELECT raise(ABORT, 'not now'); END")
    connection.commit()
    with pytest.raises(JournalError, match="not now"):
        journal.prune(1, WALL_NS + 9 * DAY_NS).result(30)
    assert sums(report(journal.path)) == before
    connection.execute("DROP TRIGGER refuse")
    connection.commit()
    connection.close()
    trim(journal, 9)
    assert journal.ok
    assert sums(report(journal.path)) == before
    assert [(f.fault, f.last_utc, f.last_detail) for f in report(journal.path).faults] == [("jam", "", "")]
    assert ask(journal.path, "SELECT count(*) FROM faults") == [(0,)]


def test_the_sums_go_with_their_run(journal: Journal) -> None:
    journal.put(story(1, MONO_NS, m.Fate.MARKED))
    trim(journal, 9)
    assert ask(journal.path, "SELECT count(*) FROM removed") != [(0,)]
    assert journal.end_run("over")
    assert journal.prune(1, WALL_NS + 90 * DAY_NS).result(30) == 1
    assert ask(journal.path, "SELECT count(*) FROM removed") == [(0,)]


def test_a_journal_without_sums_gets_them_when_its_line_runs(tmp_path: Path) -> None:
    path = tmp_path / "line.db"
    journal = Journal.open(path, "tea")
    begin(journal)
    journal.put(story(1, MONO_NS, m.Fate.MARKED))
    assert journal.close("over")
    connection = sqlite3.connect(path)
    connection.executescript("DROP TABLE removed; UPDATE meta SET value = '1' WHERE name = 'schema'")
    connection.close()
    with pytest.raises(JournalError, match="its schema is 1, this program reads 2; run its line once") as refusal:
        report(path)
    assert "\n" not in str(refusal.value)
    assert Journal.open(path, "tea").close("over")
    assert report(path).requests["marked"] == 1
