"""The journal's file: its tables, how it is opened, and what is said when it cannot be.

Rules of this file:

- Times in the tables are the monotonic nanoseconds of the scans. Each run keeps one pair of monotonic and wall time,
  its anchor, from which any of its times can be shown in UTC.
- A product or a request is one row: made when it is seen, changed once at its end. `opened` and `closed` count how
  often each was told of, so that a fate given twice, or to something never made, can be found in the rows.
- What is only ever added (states, faults, commands and so on) has a number `seq` within its run, in the order told.
- `removed` keeps the sums of a run's rows that were removed by their age while it went on (`trimming`).
"""

from __future__ import annotations

import sqlite3
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

VERSION = 2
"""Of the tables below. A file with another number is refused, never converted by guessing."""

_BEFORE = "1"
"""What lacks nothing but `removed`: it is added when the file is opened for writing."""

Synchronous = Literal["FULL", "NORMAL", "OFF"]

_BUSY_S = 2.0
"""So long another program's write lock on the file is waited for."""

TABLES: dict[str, str] = {
    "runs": """
        id INTEGER PRIMARY KEY AUTOINCREMENT, line TEXT NOT NULL, job TEXT NOT NULL, job_number INTEGER NOT NULL,
        dry INTEGER NOT NULL, started_utc TEXT NOT NULL, ended_utc TEXT, ended TEXT, anchor_mono_ns INTEGER NOT NULL,
        anchor_wall_ns INTEGER NOT NULL, seen_ns INTEGER NOT NULL, lost INTEGER NOT NULL DEFAULT 0,
        removing INTEGER NOT NULL DEFAULT 0, version TEXT NOT NULL, config_sha256 TEXT NOT NULL, config TEXT NOT NULL,
        summary TEXT""",
    "products": """
        run INTEGER, product INTEGER, seen_ns INTEGER, lead_counts REAL, trail_counts REAL, length_mm REAL,
        fate TEXT NOT NULL DEFAULT 'in_flight', marks INTEGER, wanted INTEGER, done_ns INTEGER,
        opened INTEGER NOT NULL DEFAULT 0, closed INTEGER NOT NULL DEFAULT 0, PRIMARY KEY (run, product)""",
    "requests": """
        run INTEGER, request INTEGER, product INTEGER, station INTEGER, idx INTEGER, due_counts REAL,
        fate TEXT NOT NULL DEFAULT 'pending', reason TEXT, detail TEXT NOT NULL DEFAULT '', token INTEGER,
        target_counts INTEGER, speed_mm_s REAL, released_counts INTEGER, made_ns INTEGER, done_ns INTEGER,
        opened INTEGER NOT NULL DEFAULT 0, closed INTEGER NOT NULL DEFAULT 0, PRIMARY KEY (run, request)""",
    "states": "run INTEGER, seq INTEGER, t_ns INTEGER, old TEXT, new TEXT, cause TEXT, PRIMARY KEY (run, seq)",
    "modes": "run INTEGER, seq INTEGER, t_ns INTEGER, old TEXT, new TEXT, who TEXT, PRIMARY KEY (run, seq)",
    "faults": """
        run INTEGER, seq INTEGER, t_ns INTEGER, fault TEXT, phase TEXT, detail TEXT, first INTEGER,
        PRIMARY KEY (run, seq)""",
    "commands": """
        run INTEGER, seq INTEGER, t_ns INTEGER, verb TEXT, argument TEXT, who TEXT, source TEXT, accepted INTEGER,
        reason TEXT, PRIMARY KEY (run, seq)""",
    "test_marks": """
        run INTEGER, seq INTEGER, t_ns INTEGER, station INTEGER, result TEXT, released_counts INTEGER,
        PRIMARY KEY (run, seq)""",
    "counter_resets": "run INTEGER, seq INTEGER, t_ns INTEGER, who TEXT, PRIMARY KEY (run, seq)",
    "removed": "run INTEGER, what TEXT, name TEXT, n INTEGER NOT NULL, PRIMARY KEY (run, what, name)",
}
"""Table → its columns. Those of a run are kept in the order of their keys, so that a change finds its row at once."""

ROW_KEYS: dict[str, str] = {"requests": "request", "products": "product"} | {
    table: "seq" for table in TABLES if table not in ("runs", "requests", "products", "removed")
}
"""Table of a run's rows → the column that numbers them within the run."""


class JournalError(Exception):
    """The journal cannot be used; the text says where, what and how to mend it, in one line."""


def utc(wall_ns: int) -> str:
    """Write a wall time in ns since 1970 as UTC text of fixed length with milliseconds, which sorts as the times do."""
    return datetime.fromtimestamp(wall_ns // 1_000_000 / 1000, UTC).isoformat(timespec="milliseconds")[:-6] + "Z"


def open_for_writing(path: Path, synchronous: Synchronous) -> sqlite3.Connection:
    """Open the file, making it with its tables where it is new. Raises JournalError."""
    connection: sqlite3.Connection | None = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        connection = sqlite3.connect(path, timeout=_BUSY_S, isolation_level=None, check_same_thread=False)
        if not connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
            _create(connection)
        if _version(connection, path) == _BEFORE:
            _add_removed(connection)
        _check_version(connection, path)
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute(f"PRAGMA synchronous = {synchronous}")
        # The log beside the file is cut back to this after a checkpoint, so that one burst does not keep its space.
        connection.execute("PRAGMA journal_size_limit = 16777216")
    except (OSError, sqlite3.Error, JournalError) as error:
        if connection is not None:
            connection.close()
        raise error if isinstance(error, JournalError) else JournalError(explain(path, error)) from error
    return connection


def open_for_reading(path: Path) -> sqlite3.Connection:
    """Open the file read-only, as one unchanging view, also while a controller writes. Raises JournalError."""
    if not path.is_file():
        raise JournalError(f"journal {path}: no such file; name the one that the line's configuration names")
    connection: sqlite3.Connection | None = None
    try:
        address = f"{path.resolve().as_uri()}?mode=ro"
        connection = sqlite3.connect(address, uri=True, timeout=_BUSY_S, isolation_level=None)
        _check_version(connection, path)
        connection.execute("BEGIN")
    except (sqlite3.Error, JournalError) as error:
        if connection is not None:
            connection.close()
        raise error if isinstance(error, JournalError) else JournalError(explain(path, error)) from error
    return connection


def explain(path: Path, error: Exception) -> str:
    """One line for what the operating system or SQLite says of the file, with how to mend it."""
    text = " ".join((error.strerror if isinstance(error, OSError) and error.strerror else str(error)).split())
    broken = isinstance(error, sqlite3.DatabaseError) and ("malformed" in text or "not a database" in text)
    if broken:
        return f"journal {path}: broken, or no journal ({text}); move it and its -wal and -shm files away, then start"
    if "full" in text:
        return f"journal {path}: cannot be written ({text}); make room on its disk"
    if "locked" in text:
        return f"journal {path}: another program holds its write lock ({text}); close that program"
    return f"journal {path}: cannot be used ({text}); check the path, its rights and its disk, or name another"


def _create(connection: sqlite3.Connection) -> None:
    connection.execute("PRAGMA auto_vacuum = INCREMENTAL")
    connection.execute("BEGIN IMMEDIATE")
    for table in TABLES:
        _create_table(connection, table)
    connection.execute("CREATE TABLE meta (name TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT")
    connection.execute("INSERT INTO meta VALUES ('schema', ?)", (str(VERSION),))
    connection.execute("COMMIT")


def _create_table(connection: sqlite3.Connection, table: str) -> None:
    kind = "STRICT" if table == "runs" else "STRICT, WITHOUT ROWID"
    connection.execute(f"CREATE TABLE {table} ({TABLES[table]}) {kind}")


def _add_removed(connection: sqlite3.Connection) -> None:
    connection.execute("BEGIN IMMEDIATE")
    _create_table(connection, "removed")
    connection.execute("UPDATE meta SET value = ? WHERE name = 'schema'", (str(VERSION),))
    connection.execute("COMMIT")


def _version(connection: sqlite3.Connection, path: Path) -> str:
    if not connection.execute("SELECT count(*) FROM sqlite_master WHERE name = 'meta'").fetchone()[0]:
        raise JournalError(f"journal {path}: a database, but not a journal of this program; name another path")
    row = connection.execute("SELECT value FROM meta WHERE name = 'schema'").fetchone()
    return "none" if row is None else str(row[0])


def _check_version(connection: sqlite3.Connection, path: Path) -> None:
    found = _version(connection, path)
    if found == _BEFORE:
        raise JournalError(
            f"journal {path}: its schema is {found}, this program reads {VERSION}; "
            "run its line once with this program, which adds what is new, or read it with the program that wrote it"
        )
    if found != str(VERSION):
        raise JournalError(
            f"journal {path}: its schema is {found}, this program knows {VERSION}; "
            "use the program that wrote it, or move the file away"
        )
