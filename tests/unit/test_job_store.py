"""The job store: revisions and results that are only ever added, on a file that people share with one another."""

from __future__ import annotations

import sqlite3
import threading
from pathlib import Path

import pytest

from controller.records.store import Placing, Store, StoreError, store_path

DAY_NS = 86_400_000_000_000


def store(tmp_path: Path, line: str = "tea") -> Store:
    return Store(tmp_path / "line.jobs.sqlite", line)


def test_it_stands_beside_the_journal_under_its_name() -> None:
    assert store_path(Path("/var/lib/x/tea.sqlite")) == Path("/var/lib/x/tea.jobs.sqlite")


def test_nothing_is_there_before_the_first_save_and_looking_makes_no_file(tmp_path: Path) -> None:
    new = store(tmp_path)
    assert (new.revisions(), new.last_placing(), new.cut_short(), new.results()) == ([], None, None, [])
    assert not new.path.exists()


def test_each_save_is_the_next_revision_of_its_job_with_who_why_and_when(tmp_path: Path) -> None:
    kept = store(tmp_path)
    for n, job in enumerate(("a", "b", "a")):
        kept.save(job, f'{{"n": {n}}}', who="anna", why=f"why {n}", wall_ns=n)
    assert [(r.job, r.number, r.who, r.why, r.wall_ns) for r in kept.revisions()] == [
        ("a", 1, "anna", "why 0", 0), ("a", 2, "anna", "why 2", 2), ("b", 1, "anna", "why 1", 1),
    ]  # fmt: skip
    assert not any(r.damaged or r.aside for r in kept.revisions())
    assert kept.last_placing() == Placing("save", "a", 2, 2, "anna", "why 2")
    assert kept.last_placing("b") == Placing("save", "b", 1, 1, "anna", "why 1")


def test_lines_that_share_a_file_do_not_see_each_other(tmp_path: Path) -> None:
    store(tmp_path).save("a", "{}", who="anna", why="x", wall_ns=0)
    other = store(tmp_path, "coffee")
    assert other.revisions() == []
    assert other.save("a", "{}", who="bert", why="y", wall_ns=0).number == 1


def test_what_is_kept_aside_is_a_revision_and_not_what_is_in_place(tmp_path: Path) -> None:
    kept = store(tmp_path)
    kept.save("a", "1", who="anna", why="x", wall_ns=0)
    assert kept.keep_aside("a", "2", who="anna", why="y", wall_ns=1).number == 2
    assert [r.aside for r in kept.revisions("a")] == [False, True]
    placed = kept.last_placing()
    assert placed is not None
    assert placed.revision == 1


def test_a_placing_that_did_not_end_is_told_until_the_next_one_has(tmp_path: Path) -> None:
    kept, placing = store(tmp_path), Placing("load", "a", 1, 5, "anna", "x")
    kept.begin_placing(placing)
    assert (kept.cut_short(), kept.last_placing()) == (placing, None)
    again = kept.begin_placing(placing)
    kept.end_placing(again, done=True)
    assert (kept.cut_short(), kept.last_placing()) == (None, placing)


def test_a_placing_that_changed_nothing_is_as_if_it_had_not_been(tmp_path: Path) -> None:
    kept = store(tmp_path)
    kept.end_placing(kept.begin_placing(Placing("load", "a", 1, 5, "anna", "x")), done=False)
    assert (kept.cut_short(), kept.last_placing()) == (None, None)


@pytest.mark.parametrize("table", ["revisions", "commissioning"])
@pytest.mark.parametrize("order", ["DELETE FROM {}", "UPDATE {} SET who = 'nobody'"])
def test_the_file_itself_refuses_to_change_or_remove_what_is_kept(tmp_path: Path, table: str, order: str) -> None:
    kept = store(tmp_path)
    kept.save("a", "{}", who="anna", why="x", wall_ns=0)
    kept.add_result("scale", who="anna", wall_ns=0, result={}, raw={}, settings_sha256="0")
    connection = sqlite3.connect(kept.path)
    with pytest.raises(sqlite3.IntegrityError, match="only ever added"):
        connection.execute(order.format(table))
    connection.close()


def test_a_letter_changed_on_the_disk_is_damage_and_the_other_revisions_are_sound(tmp_path: Path) -> None:
    kept = store(tmp_path)
    for text in ("first", "second"):
        kept.save("a", text, who="anna", why="x", wall_ns=0)
    raw = kept.path.read_bytes()
    assert raw.count(b"second") == 1
    kept.path.write_bytes(raw.replace(b"second", b"se\xffond"))
    assert [r.damaged for r in kept.revisions("a")] == [False, True]


def test_results_of_commissioning_come_back_as_they_were_given(tmp_path: Path) -> None:
    kept = store(tmp_path)
    result, raw = {"mm_per_count": 0.0375, "unknown": None}, {"counts": [1, 2], "note": "ä"}
    assert kept.add_result("scale", who="anna", wall_ns=7, result=result, raw=raw, settings_sha256="ab") == 1
    kept.add_result("sense", who="bert", wall_ns=8, result={}, raw={}, settings_sha256="ab")
    (found,) = kept.results("scale")
    assert (found.result, found.raw, found.who, found.wall_ns) == (result, raw, "anna", 7)
    assert [r.step for r in kept.results()] == ["scale", "sense"]
    with pytest.raises(ValueError, match="JSON"):
        kept.add_result("scale", who="anna", wall_ns=7, result={"x": float("nan")}, raw={}, settings_sha256="ab")


def test_saving_waits_for_another_who_is_saving_and_numbers_stay_apart(tmp_path: Path) -> None:
    kept = store(tmp_path)

    def save_ten(who: str) -> None:
        for n in range(10):
            kept.save("a", f"{who} {n}", who=who, why="x", wall_ns=n)

    threads = [threading.Thread(target=save_ten, args=(who,)) for who in ("anna", "bert", "carl")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert [r.number for r in kept.revisions("a")] == list(range(1, 31))


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"no database at all, but long enough to look at" * 9, "broken, or none"),
        (None, "a database, but no job store"),
    ],
)
def test_a_file_that_is_no_store_is_told_in_one_line(tmp_path: Path, content: bytes | None, words: str) -> None:
    kept = store(tmp_path)
    if content is None:
        connection = sqlite3.connect(kept.path)
        connection.execute("CREATE TABLE other (x)")
        connection.close()
    else:
        kept.path.write_bytes(content)
    for ask in (kept.revisions, lambda: kept.save("a", "{}", who="anna", why="x", wall_ns=0)):
        with pytest.raises(StoreError, match=words) as told:
            ask()
        assert str(kept.path) in str(told.value)
        assert "\n" not in str(told.value)


def test_a_store_of_a_later_program_is_refused(tmp_path: Path) -> None:
    kept = store(tmp_path)
    kept.save("a", "{}", who="anna", why="x", wall_ns=0)
    connection = sqlite3.connect(kept.path)
    connection.execute("PRAGMA user_version = 99")
    connection.close()
    with pytest.raises(StoreError, match="its schema is 99"):
        kept.revisions()


def test_an_empty_file_left_by_a_crash_is_a_new_store(tmp_path: Path) -> None:
    kept = store(tmp_path)
    kept.path.touch()
    assert kept.revisions() == []
    assert kept.save("a", "{}", who="anna", why="x", wall_ns=0).number == 1
