"""A scan's events as rows: gathered over a group, what is made and ended within it becomes one insert.

The rows that result do not depend on how the events were cut into groups.

Many rows go in one statement: between two steps of SQLite the writer's thread has to win the interpreter back from a
scan at work, which row by row would starve it. And the writer never holds the interpreter for long, as a scan that is
due would have to wait: rows are built for one statement at a time, and let go piece by piece, by the writer itself. So
nothing here may hold itself in a circle: the rows of a whole group would be left to the loop's collection of garbage.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable, Iterable
from itertools import islice
from typing import Any

from controller import events as ev
from controller.waking import give_way

_REQUEST_MADE = ("product", "station", "idx", "due_counts", "made_ns", "opened")
_REQUEST_DONE = (
    "fate", "reason", "detail", "token", "target_counts", "speed_mm_s", "released_counts", "done_ns", "closed",
)  # fmt: skip
_PRODUCT_MADE = ("lead_counts", "seen_ns", "opened")
_PRODUCT_DONE = ("trail_counts", "length_mm", "fate", "marks", "wanted", "done_ns", "closed")

_Part = tuple[object, ...]

_PAUSE_S = 50e-6
_PAUSE_EVENTS = 64
_PAUSE_FREED = 500

_AT_ONCE = (64, 8, 1)
"""Rows in one statement: few sizes, so that SQLite has each of them prepared."""


def _pause() -> None:
    """Let others have the interpreter, and be out of the way of a scan that is about to begin."""
    time.sleep(_PAUSE_S)
    give_way()


def _insert(connection: sqlite3.Connection, head: str, columns: int, rows: Iterable[_Part], tail: str = "") -> None:
    """Insert the rows with as few statements as the sizes allow; their order is kept."""
    row = f"({', '.join('?' * columns)})"
    coming = iter(rows)
    while some := list(islice(coming, _AT_ONCE[0])):
        done = 0
        for size in _AT_ONCE:
            while len(some) - done >= size:
                values = [value for part in some[done : done + size] for value in part]
                connection.execute(f"{head} VALUES {', '.join([row] * size)}{tail}", values)
                done += size
        if done == _AT_ONCE[0]:
            _pause()


def _let_go(rows: dict[int, _Part] | list[_Part]) -> None:
    """Free rows that have been written, some at a time."""
    while rows:
        for _ in range(min(len(rows), _PAUSE_FREED)):
            rows.popitem() if isinstance(rows, dict) else rows.pop()
        _pause()


class _Pairs:
    """One table whose rows are told of twice: when made and when ended; the last word on either stands."""

    def __init__(self, table: str, key: str, made: tuple[str, ...], done: tuple[str, ...]) -> None:
        self._made: dict[int, _Part] = {}
        self._done: dict[int, _Part] = {}
        self._again: list[tuple[bool, int, _Part]] = []
        self._sql = [_upsert(table, key, columns) for columns in (made + done, made, done)]
        self._columns = [len(columns) + 2 for columns in (made + done, made, done)]

    def make(self, key: int, part: _Part) -> None:
        if key in self._made:
            self._again.append((True, key, self._made[key]))
        self._made[key] = part

    def end(self, key: int, part: _Part) -> None:
        if key in self._done:
            self._again.append((False, key, self._done[key]))
        self._done[key] = part

    def write(self, connection: sqlite3.Connection, run: int) -> None:
        for is_made, key, part in self._again:
            self._insert(connection, 1 if is_made else 2, [(run, key, *part)])
        made, done = self._made, self._done
        self._insert(connection, 0, ((run, k, *p, *done[k]) for k, p in made.items() if k in done))
        self._insert(connection, 1, ((run, k, *p) for k, p in made.items() if k not in done))
        self._insert(connection, 2, ((run, k, *p) for k, p in done.items() if k not in made))

    def let_go(self) -> None:
        _let_go(self._made)
        _let_go(self._done)

    def _insert(self, connection: sqlite3.Connection, which: int, rows: Iterable[_Part]) -> None:
        head, tail = self._sql[which]
        _insert(connection, head, self._columns[which], rows, tail)


class Group:
    """The rows of events put one after the other, to be written in one transaction.

    `first_seq` numbers the next row of those that are only added.
    """

    def __init__(self, run: int, first_seq: int) -> None:
        self.run = run
        self.events = 0
        self.next_seq = first_seq
        self.last_ns: int | None = None
        """When the last of them happened."""
        self._requests = _Pairs("requests", "request", _REQUEST_MADE, _REQUEST_DONE)
        self._products = _Pairs("products", "product", _PRODUCT_MADE, _PRODUCT_DONE)
        self._added: dict[str, list[_Part]] = {}

    def add(self, events: Iterable[ev.Event]) -> None:
        """Take events in, in the order in which they happened."""
        for event in events:
            _TAKE[type(event)](self, event)
            self.events += 1
            if self.events % _PAUSE_EVENTS == 0:
                _pause()
            self.last_ns = event.t_ns

    def write(self, connection: sqlite3.Connection, lost: int) -> None:
        """Write the rows within the transaction that is open; `lost` is how many events the run is short of so far."""
        self._requests.write(connection, self.run)
        self._products.write(connection, self.run)
        for table, rows in self._added.items():
            _insert(connection, f"INSERT INTO {table}", len(rows[0]), rows)
        connection.execute(
            "UPDATE runs SET seen_ns = coalesce(?, seen_ns), lost = ? WHERE id = ?", (self.last_ns, lost, self.run)
        )

    def let_go(self) -> None:
        """Free what has been written; nothing is left of the group."""
        self._requests.let_go()
        self._products.let_go()
        for rows in self._added.values():
            _let_go(rows)

    def _request_made(self, e: ev.RequestMade) -> None:
        self._requests.make(e.request, (e.product, e.station, e.index, e.due_counts, e.t_ns, 1))

    def _request_done(self, e: ev.RequestDone) -> None:
        part = (e.fate, e.reason, e.detail, e.token, e.target_counts, e.speed_mm_s, e.released_counts, e.t_ns, 1)
        self._requests.end(e.request, part)

    def _product_seen(self, e: ev.ProductSeen) -> None:
        self._products.make(e.product, (e.lead_counts, e.t_ns, 1))

    def _product_done(self, e: ev.ProductDone) -> None:
        self._products.end(e.product, (e.trail_counts, e.length_mm, e.fate, e.marks, e.wanted, e.t_ns, 1))

    def _call_answered(self, e: ev.CallAnswered) -> None:
        call, reply = e.reply.call, e.reply
        self._append(
            "commands", e.t_ns, call.verb, call.argument, call.who, call.source, int(reply.accepted), reply.reason
        )

    def _append(self, table: str, *values: object) -> None:
        self._added.setdefault(table, []).append((self.run, self.next_seq, *values))
        self.next_seq += 1


_TAKE: dict[type, Callable[[Group, Any], None]] = {
    ev.RequestMade: Group._request_made,
    ev.RequestDone: Group._request_done,
    ev.ProductSeen: Group._product_seen,
    ev.ProductDone: Group._product_done,
    ev.StateChanged: lambda g, e: g._append("states", e.t_ns, e.old.name, e.new.name, e.cause),
    ev.ModeChanged: lambda g, e: g._append("modes", e.t_ns, e.old.name, e.new.name, e.who),
    ev.FaultChanged: lambda g, e: g._append("faults", e.t_ns, e.fault, e.phase, e.detail, int(e.first)),
    ev.CallAnswered: Group._call_answered,
    ev.TestMarked: lambda g, e: g._append("test_marks", e.t_ns, e.station, e.result, e.released_counts),
    ev.CountersReset: lambda g, e: g._append("counter_resets", e.t_ns, e.who),
}
"""Kind of event → how a group takes it in."""


def _upsert(table: str, key: str, columns: tuple[str, ...]) -> tuple[str, str]:
    """Insert rows or change those that are there; the two counters add up, everything else is replaced."""
    changes = ", ".join(
        f"{c} = {c} + excluded.{c}" if c in ("opened", "closed") else f"{c} = excluded.{c}" for c in columns
    )
    names = ", ".join(("run", key, *columns))
    return f"INSERT INTO {table} ({names})", f" ON CONFLICT (run, {key}) DO UPDATE SET {changes}"
