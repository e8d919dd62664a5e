"""A run as files for other programs, and as values to compare two runs by."""

from __future__ import annotations

import csv
import sqlite3
from pathlib import Path

from controller.records.reading import find_run, reading
from controller.records.schema import ROW_KEYS, JournalError

_TIMES = ("t_ns", "seen_ns", "made_ns", "done_ns")
_BOOKKEEPING = ("run", "seq", "opened", "closed")
"""Columns that say nothing of the line itself."""
_UTC = "strftime('%Y-%m-%dT%H:%M:%S', ns / 1000000000, 'unixepoch') || printf('.%03dZ', ns / 1000000 % 1000)"


def export_csv(path: str | Path, run: int | None, directory: str | Path) -> list[Path]:
    """Write one file per table of a run (the newest where None) into the directory, and give their paths.

    RFC 4180, UTF-8, a heading line with the units in the names. Times are in ns since the run's start, and of the first
    one the wall time in UTC is added. An empty field is a value that was never there; rows removed by their age are
    not there. Raises JournalError.
    """
    with reading(path) as connection:
        number = find_run(connection, path, run).run
        try:
            Path(directory).mkdir(parents=True, exist_ok=True)
            return [_write(connection, number, table, Path(directory)) for table in ROW_KEYS]
        except OSError as error:
            raise JournalError(
                f"{directory}: cannot be written ({error.strerror}); name a directory that can"
            ) from error


def dump(path: str | Path, run: int | None = None) -> dict[str, list[tuple[object, ...]]]:
    """All rows of a run (the newest where None), in their order, with times in ns since its start and no wall clock.

    Two runs in which the same happened at the same times give equal dumps. Raises JournalError.
    """
    with reading(path) as connection:
        number = find_run(connection, path, run).run
        head = "SELECT line, job, job_number, dry, ended, lost, seen_ns - anchor_mono_ns FROM runs WHERE id = ?"
        tables = {"runs": connection.execute(head, (number,)).fetchall()}
        for table in ROW_KEYS:
            names = [name for name in _columns(connection, table) if name not in _BOOKKEEPING]
            tables[table] = connection.execute(_select(table, names), {"run": number}).fetchall()
    return tables


def _write(connection: sqlite3.Connection, run: int, table: str, directory: Path) -> Path:
    names = [name for name in _columns(connection, table) if name not in ("opened", "closed")]
    first_time = next(name for name in names if name in _TIMES)
    shown = _UTC.replace("ns", f"(anchor_wall_ns + {first_time} - anchor_mono_ns)")
    target = directory / f"run-{run}-{table}.csv"
    with target.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow([*names, "utc"])
        writer.writerows(connection.execute(_select(table, names, f", {shown}"), {"run": run}))
    return target


def _columns(connection: sqlite3.Connection, table: str) -> list[str]:
    return [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]


def _select(table: str, names: list[str], more: str = "") -> str:
    shown = ", ".join(f"{name} - anchor_mono_ns" if name in _TIMES else name for name in names)
    return (
        f"SELECT {shown}{more} FROM {table} JOIN (SELECT id, anchor_mono_ns, anchor_wall_ns FROM runs) ON id = run "
        f"WHERE run = :run ORDER BY {ROW_KEYS[table]}"
    )
