"""The job store: revisions of a line's jobs, what was put in place when, and the results of commissioning.

Rules of this file:

- It is a file of its own beside the journal. The journal has one writer, which is the running controller; this one is
  written by people, a row at a time, while that controller goes on.
- Revisions and results are only ever added. The file itself refuses to change or remove them; no retention knows it.
- Every call opens the file, does one short transaction and closes it. No clock is read: wall times are handed in.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from controller.records.store_file import StoreError, is_new, opened

__all__ = ["CommissioningResult", "Placing", "Revision", "Store", "StoreError", "checksum", "store_path"]

SUFFIX = ".jobs.sqlite"


@dataclass(frozen=True, slots=True)
class Revision:
    """One saved state of a job."""

    job: str
    number: int
    wall_ns: int
    who: str
    why: str
    aside: bool
    """Kept by itself before something else was put in place; nobody asked for it."""
    text: str
    sha256: str

    @property
    def damaged(self) -> bool:
        """Whether the text is no longer the one that was saved."""
        return checksum(self.text) != self.sha256


@dataclass(frozen=True, slots=True)
class Placing:
    """When a revision and the line's files became the same: by saving the files, or by writing them from it."""

    what: str
    """save, load or restore"""
    job: str
    revision: int
    wall_ns: int
    who: str
    why: str


@dataclass(frozen=True, slots=True)
class CommissioningResult:
    """What one step of commissioning found, with the data that it was computed from."""

    number: int
    line: str
    step: str
    wall_ns: int
    who: str
    result: dict[str, Any]
    raw: dict[str, Any]
    settings_sha256: str
    """Checksum of the settings that the step was made with, as `controller.settings.saved` writes them."""


def checksum(text: str) -> str:
    """SHA-256 of a text, in hexadecimal digits."""
    return hashlib.sha256(text.encode()).hexdigest()


def store_path(journal: Path) -> Path:
    """Where the jobs of the line with that journal are kept."""
    return journal.with_name(journal.stem + SUFFIX)


@dataclass(frozen=True, slots=True)
class Store:
    """The part of a job store that belongs to one line. Every method may raise StoreError."""

    path: Path
    line: str

    def save(self, job: str, text: str, *, who: str, why: str, wall_ns: int) -> Revision:
        """Keep the text as the job's next revision, the one that the line's files now are."""
        with self._writing() as connection:
            revision = self._add(connection, job, text, who, why, wall_ns, aside=False)
            self._place(connection, Placing("save", job, revision.number, wall_ns, who, why), "done")
        return revision

    def keep_aside(self, job: str, text: str, *, who: str, why: str, wall_ns: int) -> Revision:
        """Keep the text as the job's next revision before something else takes its place."""
        with self._writing() as connection:
            return self._add(connection, job, text, who, why, wall_ns, aside=True)

    def begin_placing(self, placing: Placing) -> int:
        """Note that the line's files are about to be written from a revision; its number, for `end_placing`."""
        with self._writing() as connection:
            return self._place(connection, placing, "begun")

    def end_placing(self, number: int, *, done: bool) -> None:
        """Note that the files have been written, or that nothing was changed after all."""
        with self._writing() as connection:
            connection.execute("UPDATE placed SET stage = ? WHERE seq = ?", ("done" if done else "undone", number))

    def revisions(self, job: str | None = None) -> list[Revision]:
        """The revisions of a job, or of all jobs, oldest first; also those that are damaged."""
        rows = self._read(
            "SELECT job, revision, wall_ns, who, why, aside, text, sha256 FROM revisions "
            "WHERE line = ? AND job = coalesce(?, job) ORDER BY job, revision",
            (self.line, job),
        )
        return [
            Revision(job, number, wall_ns, who, why, bool(aside), text, sha256)
            for job, number, wall_ns, who, why, aside, text, sha256 in rows
        ]

    def revision(self, job: str, number: int) -> Revision | None:
        """One revision; None where there is none of that number."""
        return next((r for r in self.revisions(job) if r.number == number), None)

    def last_placing(self, job: str | None = None) -> Placing | None:
        """The last time that a revision of the job, or of any, and the files became the same."""
        rows = self._read(
            "SELECT what, job, revision, wall_ns, who, why FROM placed WHERE line = ? AND job = coalesce(?, job) "
            "AND stage = 'done' ORDER BY seq DESC LIMIT 1",
            (self.line, job),
        )
        return Placing(*rows[0]) if rows else None

    def cut_short(self) -> Placing | None:
        """The load or restore that ended in the middle, if nothing was put in place or saved since."""
        rows = self._read(
            "SELECT what, job, revision, wall_ns, who, why, stage FROM placed WHERE line = ? AND stage != 'undone' "
            "ORDER BY seq DESC LIMIT 1",
            (self.line,),
        )
        return Placing(*rows[0][:6]) if rows and rows[0][6] == "begun" else None

    def add_result(
        self,
        step: str,
        *,
        who: str,
        wall_ns: int,
        result: Mapping[str, Any],
        raw: Mapping[str, Any],
        settings_sha256: str,
    ) -> int:
        """Keep what a step of commissioning found, and its raw data; its number.

        Raises TypeError or ValueError for what is no JSON value.
        """
        row = (self.line, step, wall_ns, who, _json(result), _json(raw), settings_sha256)
        with self._writing() as connection:
            return _inserted(
                connection,
                "INSERT INTO commissioning (line, step, wall_ns, who, result, raw, settings_sha256) "
                "VALUES (?, ?, ?, ?, ?, ?, ?)",
                row,
            )

    def results(self, step: str | None = None) -> list[CommissioningResult]:
        """What the steps of commissioning found on this line, or one step did, oldest first."""
        rows = self._read(
            "SELECT seq, line, step, wall_ns, who, result, raw, settings_sha256 FROM commissioning "
            "WHERE line = ? AND step = coalesce(?, step) ORDER BY seq",
            (self.line, step),
        )
        return [
            CommissioningResult(number, line, step, wall_ns, who, json.loads(result), json.loads(raw), sha256)
            for number, line, step, wall_ns, who, result, raw, sha256 in rows
        ]

    def _add(
        self, connection: sqlite3.Connection, job: str, text: str, who: str, why: str, wall_ns: int, *, aside: bool
    ) -> Revision:
        last = connection.execute(
            "SELECT coalesce(max(revision), 0) FROM revisions WHERE line = ? AND job = ?", (self.line, job)
        ).fetchone()[0]
        revision = Revision(job, last + 1, wall_ns, who, why, aside, text, checksum(text))
        row = (self.line, job, last + 1, wall_ns, who, why, int(aside), text, revision.sha256)
        connection.execute("INSERT INTO revisions VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", row)
        return revision

    def _place(self, connection: sqlite3.Connection, placing: Placing, stage: str) -> int:
        p = placing
        return _inserted(
            connection,
            "INSERT INTO placed (line, what, job, revision, wall_ns, who, why, stage) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            (self.line, p.what, p.job, p.revision, p.wall_ns, p.who, p.why, stage),
        )

    def _read(self, sql: str, values: tuple[object, ...]) -> list[tuple[Any, ...]]:
        if is_new(self.path):
            return []
        with opened(self.path, new=False) as connection:
            connection.execute("PRAGMA query_only = ON")
            return connection.execute(sql, values).fetchall()

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        with opened(self.path, new=True) as connection:
            connection.execute("BEGIN IMMEDIATE")
            yield connection
            connection.execute("COMMIT")


def _json(value: Mapping[str, Any]) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)


def _inserted(connection: sqlite3.Connection, sql: str, values: tuple[object, ...]) -> int:
    number = connection.execute(sql, values).lastrowid
    if number is None:
        raise sqlite3.DatabaseError("a row was not added")
    return number
