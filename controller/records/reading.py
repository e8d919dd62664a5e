"""Finding a run in the journal, also while a controller is writing it."""

from __future__ import annotations

import dataclasses
import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from controller.records.schema import JournalError, explain, open_for_reading


@dataclass(frozen=True, slots=True)
class RunInfo:
    """One run; `ended` and `ended_utc` are None while it goes on. `lost` counts events that could not be kept."""

    run: int
    line: str
    job: str
    job_number: int
    dry: bool
    started_utc: str
    ended_utc: str | None
    ended: str | None
    version: str
    config_sha256: str
    lost: int


_COLUMNS = ", ".join("id" if f.name == "run" else f.name for f in dataclasses.fields(RunInfo))


def runs(path: str | Path) -> list[RunInfo]:
    """List all runs of the journal, the oldest first. Raises JournalError."""
    with reading(path) as connection:
        return all_runs(connection)


def summaries(path: str | Path) -> list[tuple[RunInfo, dict[str, Any]]]:
    """List the runs that ended with a summary, and that, the oldest first. Raises JournalError."""
    with reading(path) as connection:
        kept = dict(connection.execute("SELECT id, summary FROM runs WHERE summary IS NOT NULL"))
        return [(info, json.loads(kept[info.run])) for info in all_runs(connection) if info.run in kept]


@contextmanager
def reading(path: str | Path) -> Iterator[sqlite3.Connection]:
    """Hold a read-only view of the journal that does not change meanwhile. Raises JournalError."""
    file = Path(path)
    with closing(open_for_reading(file)) as connection:
        try:
            yield connection
        except sqlite3.Error as error:
            raise JournalError(explain(file, error)) from error


def find_run(connection: sqlite3.Connection, path: str | Path, run: int | None) -> RunInfo:
    """Give the run of that number, the newest where it is None. Raises JournalError where there is none."""
    known = all_runs(connection)
    found = [info for info in known if run is None or info.run == run]
    if found:
        return found[-1]
    if not known:
        raise JournalError(f"journal {path}: it holds no run yet; run the line first")
    raise JournalError(f"journal {path}: no run {run} in it; it holds runs {known[0].run} to {known[-1].run}")


def all_runs(connection: sqlite3.Connection) -> list[RunInfo]:
    """List the runs seen by a view that is held, without those that are being removed."""
    rows = connection.execute(f"SELECT {_COLUMNS} FROM runs WHERE removing = 0 ORDER BY id")
    return [dataclasses.replace(info, dry=bool(info.dry)) for info in (RunInfo(*row) for row in rows)]
