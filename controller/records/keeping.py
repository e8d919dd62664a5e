"""Setting right a run that ended without a stop, and removing by age whole runs and old rows of one that goes on."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

from controller.model import Fate, Miss, ProductFate
from controller.records.schema import ROW_KEYS, utc
from controller.records.trimming import Trimming

CRASHED = "ended without a stop"
_UNCONFIRMED = "the controller ended without a stop before the I/O side had shown what became of it"
_STEP_ROWS = 2000
"""Removed in one transaction: the scan's own events never wait for more than this."""
_STEP_PAGES = 500


@dataclass(frozen=True, slots=True)
class Recovery:
    """What was set right on opening, after a run that ended without a stop."""

    run: int
    last_utc: str
    """When the run was last heard of."""
    products_unknown: int
    requests_unconfirmed: int

    def __str__(self) -> str:
        return (
            f"run {self.run} {CRASHED}, last heard of at {self.last_utc}: {self.products_unknown} products are "
            f"unknown, {self.requests_unconfirmed} requests unconfirmed"
        )


def recover(connection: sqlite3.Connection) -> Recovery | None:
    """Set right a run that ended without a stop, in one transaction; None where there is none."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        recovery = _recover(connection)
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise
    return recovery


def _recover(connection: sqlite3.Connection) -> Recovery | None:
    row = connection.execute(
        "SELECT id, anchor_wall_ns + (seen_ns - anchor_mono_ns) FROM runs WHERE ended IS NULL"
    ).fetchone()
    if row is None:
        return None
    run, last_wall_ns = row
    products = connection.execute(
        "UPDATE products SET fate = ?, closed = closed + 1 WHERE run = ? AND fate = ?",
        (ProductFate.UNKNOWN, run, ProductFate.IN_FLIGHT),
    ).rowcount
    requests = connection.execute(
        "UPDATE requests SET fate = ?, reason = ?, detail = ?, closed = closed + 1 WHERE run = ? AND fate = ?",
        (Fate.MISSED, Miss.UNCONFIRMED, _UNCONFIRMED, run, Fate.PENDING),
    ).rowcount
    connection.execute("UPDATE runs SET ended = ?, ended_utc = ? WHERE id = ?", (CRASHED, utc(last_wall_ns), run))
    return Recovery(run, utc(last_wall_ns), products, requests)


class Removal:
    """Removes what ended before an instant, a small step at a time, and gives its space back: runs, and rows of the run
    that goes on.

    A run that is being removed is marked so first: readers no longer list it, and a removal cut short is
    taken up by the next one.
    """

    def __init__(self, before_wall_ns: int) -> None:
        self.removed = 0
        self._before_wall_ns = before_wall_ns
        self._trimming: Trimming | None = None
        self._whole_runs = True

    def step(self, connection: sqlite3.Connection) -> bool:
        """Do one step; False when nothing is left to do. Raises sqlite3.Error, with nothing half done."""
        run = self._next_run(connection)
        if run is not None:
            connection.execute("BEGIN IMMEDIATE")
            whole = self._remove_some(connection, run)
            connection.execute("COMMIT")
            self.removed += whole
            return True
        if self._whole_runs:
            self._whole_runs = False
            self._trimming = Trimming.of_the_running(connection, self._before_wall_ns)
        if self._trimming is not None:
            if not self._trimming.step(connection):
                self._trimming = None
            return True
        free = _free_pages(connection)
        # As a script: the statement gives a page back at every step, and `execute` takes only the first.
        connection.executescript(f"PRAGMA incremental_vacuum({_STEP_PAGES})")
        if _free_pages(connection) < free:
            return True
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        return False

    def _next_run(self, connection: sqlite3.Connection) -> int | None:
        row = connection.execute(
            "SELECT id FROM runs WHERE ended IS NOT NULL AND (removing = 1 OR ended_utc < ?) "
            "ORDER BY removing DESC, id LIMIT 1",
            (utc(self._before_wall_ns),),
        ).fetchone()
        return None if row is None else int(row[0])

    def _remove_some(self, connection: sqlite3.Connection, run: int) -> bool:
        connection.execute("UPDATE runs SET removing = 1 WHERE id = ?", (run,))
        left = _STEP_ROWS
        for table, key in ROW_KEYS.items():
            left -= connection.execute(
                f"DELETE FROM {table} WHERE run = ?1 AND {key} IN (SELECT {key} FROM {table} WHERE run = ?1 LIMIT ?2)",
                (run, left),
            ).rowcount
            if left <= 0:
                return False
        connection.execute("DELETE FROM removed WHERE run = ?", (run,))
        connection.execute("DELETE FROM runs WHERE id = ?", (run,))
        return True


def _free_pages(connection: sqlite3.Connection) -> int:
    return int(connection.execute("PRAGMA freelist_count").fetchone()[0])
