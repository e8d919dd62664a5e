"""The job store's file: its tables, how it is opened for one call, and what is said when it cannot be."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

VERSION = 1
"""Of the tables below. A file with another number is refused, never converted by guessing."""
_BUSY_S = 5.0
"""So long another program that writes at the same time is waited for."""

_TABLES = {
    "revisions": """
        line TEXT NOT NULL, job TEXT NOT NULL, revision INTEGER NOT NULL, wall_ns INTEGER NOT NULL, who TEXT NOT NULL,
        why TEXT NOT NULL, aside INTEGER NOT NULL, text TEXT NOT NULL, sha256 TEXT NOT NULL,
        PRIMARY KEY (line, job, revision)""",
    "placed": """
        seq INTEGER PRIMARY KEY AUTOINCREMENT, line TEXT NOT NULL, what TEXT NOT NULL, job TEXT NOT NULL,
        revision INTEGER NOT NULL, wall_ns INTEGER NOT NULL, who TEXT NOT NULL, why TEXT NOT NULL,
        stage TEXT NOT NULL""",
    "commissioning": """
        seq INTEGER PRIMARY KEY AUTOINCREMENT, line TEXT NOT NULL, step TEXT NOT NULL, wall_ns INTEGER NOT NULL,
        who TEXT NOT NULL, result TEXT NOT NULL, raw TEXT NOT NULL, settings_sha256 TEXT NOT NULL""",
}
_KEPT = ("revisions", "commissioning")


class StoreError(Exception):
    """The job store cannot be used; the text says where, what and how to mend it, in one line."""


def is_new(path: Path) -> bool:
    """Whether nothing has been kept there yet. Raises StoreError where that cannot be known."""
    try:
        return path.stat().st_size == 0  # a crash may leave it made, and nothing in it
    except (FileNotFoundError, NotADirectoryError):
        return True
    except OSError as error:
        raise StoreError(_explain(path, error)) from error


@contextmanager
def opened(path: Path, *, new: bool) -> Iterator[sqlite3.Connection]:
    """Open the file for one call, making it where it is new; what is not committed by the end is undone."""
    connection: sqlite3.Connection | None = None
    try:
        if new:
            path.parent.mkdir(parents=True, exist_ok=True)
        # Never `ro`: what a crash left half written is undone by whoever opens the file next, and `rw` is content with
        # reading where the rights allow no more.
        address = f"{path.resolve().as_uri()}?mode={'rwc' if new else 'rw'}"
        connection = sqlite3.connect(address, uri=True, timeout=_BUSY_S, isolation_level=None)
        # A letter that is broken shows in the checksum; it shall not keep anybody from the other revisions.
        connection.text_factory = lambda raw: raw.decode(errors="replace")
        connection.execute("PRAGMA synchronous = FULL")
        if new:
            _create_if_empty(connection)
        _check_version(connection, path)
        yield connection
    except (OSError, sqlite3.Error) as error:
        raise StoreError(_explain(path, error)) from error
    finally:
        if connection is not None:
            with contextlib.suppress(sqlite3.Error):
                connection.close()


def _create_if_empty(connection: sqlite3.Connection) -> None:
    if connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
        return
    connection.execute("BEGIN IMMEDIATE")
    if not connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
        for table, columns in _TABLES.items():
            connection.execute(f"CREATE TABLE {table} ({columns}) STRICT")
        for table in _KEPT:
            for verb in ("UPDATE", "DELETE"):
                connection.execute(
                    f"CREATE TRIGGER {table}_{verb.lower()} BEFORE {verb} ON {table} "
                    f"BEGIN SELECT RAISE(ABORT, '{table} are only ever added'); END"
                )
        connection.execute(f"PRAGMA user_version = {VERSION}")
    connection.execute("COMMIT")


def _check_version(connection: sqlite3.Connection, path: Path) -> None:
    found = connection.execute("PRAGMA user_version").fetchone()[0]
    tables = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    if not set(_TABLES) <= tables:
        raise StoreError(f"job store {path}: a database, but no job store of this program; move it away")
    if found != VERSION:
        raise StoreError(
            f"job store {path}: its schema is {found}, this program knows {VERSION}; use the program that wrote it"
        )


def _explain(path: Path, error: Exception) -> str:
    """One line for what the operating system or SQLite says of the file, with how to mend it."""
    text = " ".join((error.strerror if isinstance(error, OSError) and error.strerror else str(error)).split())
    if "malformed" in text or "not a database" in text:
        return f"job store {path}: broken, or none ({text}); put a copy back, or move it away and save the jobs again"
    if "full" in text:
        return f"job store {path}: cannot be written ({text}); make room on its disk"
    if "locked" in text:
        return f"job store {path}: another program has been writing it for {_BUSY_S:g} s ({text}); close that program"
    return f"job store {path}: cannot be used ({text}); check the path, its rights and its disk"
