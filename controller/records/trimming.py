"""Removing what is old in a run that goes on, and keeping what a report needs of it as sums.

Rules of this file:

- Only a product or a request that has ended goes, and only one that adds up: what does not is left as the evidence.
- What goes is added to the run's sums in the same transaction, so a report counts the same before and after.
- One step is one transaction over a stretch of keys. Keys rise with time, so the first row that is young ends a table.
"""

from __future__ import annotations

import sqlite3
from typing import Self

from controller.records.balance import adds_up
from controller.records.schema import ROW_KEYS

MINUTE_NS = 60_000_000_000
_STEP_KEYS = 2000
"""Looked at in one transaction: the scan's own events never wait for more than this."""

_BEGINS = {"requests": "made_ns", "products": "seen_ns"}
"""Table → when its row began; `t_ns` for the others."""
_GOES = {
    "requests": f"done_ns < :before AND {adds_up('requests')}",
    "products": f"done_ns < :before AND {adds_up('products')}",
    "states": "t_ns < :before AND seq < (SELECT max(seq) FROM states WHERE run = :run)",
}
"""Table → which of its rows may go. The newest state stays: it is still being spent."""

# A state's row tells how long the one before it was, and all rows before the first that is left have been summed up.
_SPENT = """
    (SELECT run, seq, t_ns, old, t_ns - lag(t_ns, 1, :anchor + (
        SELECT coalesce(sum(n), 0) FROM removed WHERE run = :run AND what = 'states_ns'
    )) OVER (ORDER BY seq) AS spent_ns FROM states WHERE run = :run AND seq BETWEEN :first AND :last)"""

_SUMS = (
    ("products", "products", "fate", "count(*)", "true"),
    ("requests", "requests", "fate", "count(*)", "true"),
    ("requests", "missed", "reason", "count(*)", "fate = 'missed'"),
    ("requests", "minute", f"(done_ns - :anchor) / {MINUTE_NS}", "count(*)", "fate = 'marked'"),
    ("states", "states_ns", "old", "sum(spent_ns)", "true"),
    ("faults", "faults", "fault", "count(*)", "phase = 'raised'"),
    ("faults", "first_causes", "fault", "count(*)", "phase = 'raised' AND first"),
    ("test_marks", "test_marks", "''", "count(*)", "true"),
)
"""Table, what is summed up of it, by which name, how, and of which rows."""

_ADD = " ON CONFLICT DO UPDATE SET n = n + excluded.n"
_GREATEST = " ON CONFLICT DO UPDATE SET n = max(n, excluded.n)"


class Trimming:
    """One pass over a run: what ended before an instant goes, step by step."""

    def __init__(self, run: int, anchor_mono_ns: int, before_ns: int) -> None:
        whole_minutes_ns = (before_ns - anchor_mono_ns) // MINUTE_NS * MINUTE_NS
        self._values = {"run": run, "anchor": anchor_mono_ns, "before": anchor_mono_ns + whole_minutes_ns}
        self._tables = list(ROW_KEYS)
        self._from = 0

    @classmethod
    def of_the_running(cls, connection: sqlite3.Connection, before_wall_ns: int) -> Self | None:
        """Give the pass over the run that has not ended; None where there is none as old as that."""
        row = connection.execute("SELECT id, anchor_mono_ns, anchor_wall_ns FROM runs WHERE ended IS NULL").fetchone()
        if row is None or before_wall_ns - row[2] < MINUTE_NS:
            return None
        run, mono_ns, wall_ns = row
        return cls(run, mono_ns, before_wall_ns - wall_ns + mono_ns)

    def step(self, connection: sqlite3.Connection) -> bool:
        """Do one step; False when nothing is left to do. Raises sqlite3.Error, with nothing half done."""
        while self._tables:
            first = self._first(connection, self._tables[0])
            if first is not None:
                self._remove(connection, self._tables[0], first)
                self._from = first + _STEP_KEYS
                return True
            del self._tables[0]
            self._from = 0
        self._find_peak(connection)
        return False

    def _first(self, connection: sqlite3.Connection, table: str) -> int | None:
        """Give the next key to look at, None where the rows from there on are young."""
        key, begins = ROW_KEYS[table], _BEGINS.get(table, "t_ns")
        row = connection.execute(
            f"SELECT {key}, coalesce({begins}, 0) FROM {table} WHERE run = ? AND {key} >= ? ORDER BY {key} LIMIT 1",
            (self._values["run"], self._from),
        ).fetchone()
        return None if row is None or row[1] >= self._values["before"] else int(row[0])

    def _remove(self, connection: sqlite3.Connection, table: str, first: int) -> None:
        values = self._values | {"first": first, "last": first + _STEP_KEYS - 1}
        stretch = f"run = :run AND {ROW_KEYS[table]} BETWEEN :first AND :last AND {_GOES.get(table, 't_ns < :before')}"
        connection.execute("BEGIN IMMEDIATE")
        for source, what, name, n, of in _SUMS:
            if source == table:
                rows = _SPENT if table == "states" else table
                connection.execute(
                    f"INSERT INTO removed SELECT run, '{what}', {name}, {n} FROM {rows} WHERE {stretch} AND {of} "
                    f"GROUP BY run, {name}{_ADD}",
                    values,
                )
        if connection.execute(f"DELETE FROM {table} WHERE {stretch}", values).rowcount:
            connection.execute(f"INSERT INTO removed VALUES (:run, 'before_ns', '', :before){_GREATEST}", values)
        connection.execute("COMMIT")

    def _find_peak(self, connection: sqlite3.Connection) -> None:
        """Of minutes that are gone as a whole only the best is kept."""
        connection.execute("BEGIN IMMEDIATE")
        connection.execute(
            "INSERT INTO removed SELECT run, 'peak', '', max(n) FROM removed WHERE run = :run AND what = 'minute' "
            f"GROUP BY run{_GREATEST}",
            self._values,
        )
        connection.execute("DELETE FROM removed WHERE run = :run AND what = 'minute'", self._values)
        connection.execute("COMMIT")
