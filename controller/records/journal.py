"""The journal: what happened on the line, kept in an embedded SQLite file.

Rules of this file:

- The scan hands its events over with `put`, which only appends to a queue: it never waits and never raises.
- One thread writes, in groups of a few ten milliseconds, one transaction a group. Only what `durable_events` counts
  has been reported as written, and that survives a crash. The events of one `put` are never torn apart.
- A group that cannot be written is kept and tried again. The queue is bounded; what no longer fits is counted, kept in
  the run's own row, and never passed over in silence.
- No clock is read here: the monotonic and wall time of a run's start are handed in.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import sqlite3
import threading
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field
from pathlib import Path
from typing import Self

from controller import __version__
from controller.events import Event
from controller.records.keeping import Recovery, Removal, recover
from controller.records.lock import WriterLock
from controller.records.rows import Group
from controller.records.schema import JournalError, Synchronous, explain, open_for_writing, utc

_GROUP_S = 0.05
"""At most so long an event waits for its group to be written."""
_GROUP_EVENTS = 4000
"""So many events are written without waiting for the group's time to be over."""
_RETRY_S = 0.25
_PATIENCE_S = 5.0
"""So long a caller waits for the disk before it is told that it does not answer."""
_DAY_NS = 86_400_000_000_000
_PRUNE_NS = 3_600_000_000_000
"""So long, by its own events, a run goes on until what has become too old meanwhile is removed."""


@dataclass(slots=True)
class _Order:
    """Something to be done in the order of the queue; with what was put before it, in one transaction."""

    apply: Callable[[sqlite3.Connection], object] | None = None
    run: int | None = None
    """The run that begins with it."""
    given_up: bool = False
    """Nobody waits for it any more and it shall not happen later by itself."""
    done: threading.Event = field(default_factory=threading.Event)


class Journal:
    """A journal open for writing; a `controller.ports.Recorder`. `put` and the runs belong to one thread."""

    def __init__(self, path: Path, line: str, connection: sqlite3.Connection, lock: WriterLock, bound: int) -> None:
        self.path = path
        self.line = line
        self.durable_events = 0
        """How many events have been written since the journal was opened; they survive a crash."""
        self.recovered: Recovery | None = None
        """What was set right on opening, after a run that ended without a stop."""
        self._connection = connection
        self._lock = lock
        self._bound = bound
        self._queue: deque[Sequence[Event] | _Order] = deque()
        self._accepted = 0
        self._lost = 0
        self._last_run = 0
        self._run: int | None = None
        self._refused = ""
        self._group: Group | None = None
        self._order: _Order | None = None
        self._removal: tuple[Removal, Future[int]] | None = None
        self._rolling: Removal | None = None
        self._keep_ns: int | None = None
        self._pruned_ns: int | None = None
        self._wall_ahead_ns = 0
        self._wake = threading.Event()
        self._stop = threading.Event()
        self._inode = path.stat().st_ino
        self._writer = threading.Thread(target=self._work, name="journal", daemon=True)

    @classmethod
    def open(cls, path: str | Path, line: str, *, synchronous: Synchronous = "FULL", bound: int = 200_000) -> Self:
        """Open or make the journal of a line and set right a run that ended without a stop.

        `bound` is how many events are held in memory while they cannot be written. With synchronous FULL what is
        reported as written survives a power cut, with NORMAL or OFF only the death of the process.
        Raises JournalError: held by another process, cannot be written, broken, or of an unknown schema.
        """
        file = Path(path).resolve()  # through links, so that two names of one file cannot be locked apart
        lock = WriterLock.take(file)
        connection: sqlite3.Connection | None = None
        try:
            connection = open_for_writing(file, synchronous)
            recovered = recover(connection)
            journal = cls(file, line, connection, lock, bound)
            # Not after the highest that is there: a removed run's number is never used again.
            last = connection.execute("SELECT coalesce(max(seq), 0) FROM sqlite_sequence").fetchone()
        except (OSError, sqlite3.Error, JournalError) as error:
            if connection is not None:
                connection.close()
            lock.release()
            raise error if isinstance(error, JournalError) else JournalError(explain(file, error)) from error
        journal.recovered, journal._last_run = recovered, last[0]
        journal._writer.start()
        return journal

    @property
    def ok(self) -> bool:
        """Whether everything put so far is kept or on its way, with no write refused."""
        return not self._refused and not self._lost

    @property
    def lost(self) -> int:
        """Events of this run that were not kept, because they were more than the bound or no run had begun."""
        return self._lost

    @property
    def backlog(self) -> int:
        """Events taken over and not yet written."""
        return self._accepted - self.durable_events

    @property
    def error(self) -> str:
        """Why it is not `ok`, and how to mend it, in one line; empty while it is."""
        lost = f"{self._lost} events were lost: begin a new run" if self._lost else ""
        waiting = f"{self._refused}; {self.backlog} events wait" if self._refused else ""
        return "; ".join(filter(None, (waiting, lost)))

    def begin_run(
        self,
        *,
        job: str,
        job_number: int,
        dry: bool,
        config: str,
        mono_ns: int,
        wall_ns: int,
        version: str = __version__,
    ) -> int:
        """Begin a run and give its number; `mono_ns` and `wall_ns` (since 1970) are one and the same instant.

        Waits until it is written. Raises JournalError where it cannot be, or where a run has not ended.
        """
        if self._run is not None:
            raise JournalError(f"journal {self.path}: run {self._run} has not ended; end it before another begins")
        self._last_run += 1
        run = self._last_run
        columns: dict[str, object] = {
            "id": run, "line": self.line, "job": job, "job_number": job_number, "dry": int(dry),
            "started_utc": utc(wall_ns), "anchor_mono_ns": mono_ns, "anchor_wall_ns": wall_ns, "seen_ns": mono_ns,
            "version": version, "config_sha256": hashlib.sha256(config.encode()).hexdigest(), "config": config,
        }  # fmt: skip
        sql = f"INSERT INTO runs ({', '.join(columns)}) VALUES ({', '.join(':' + name for name in columns)})"
        order = _Order(lambda connection: connection.execute(sql, columns), run)
        if not self._do(order, _PATIENCE_S):
            order.given_up = True
            raise JournalError(
                self.error or f"journal {self.path}: the run's beginning could not be written in {_PATIENCE_S:g} s"
            )
        self._run, self._lost, self._wall_ahead_ns = run, 0, wall_ns - mono_ns
        return run

    def end_run(self, reason: str, *, mono_ns: int | None = None, summary: Mapping[str, object] | None = None) -> bool:
        """End the run as stopped for that reason; True when all of it is written.

        `mono_ns` None: it ended with its last event. `summary` is kept as JSON.
        """
        run, lost = self._run, self._lost
        if run is None:
            return self.flush()
        text = None if summary is None else json.dumps(summary)

        def apply(connection: sqlite3.Connection) -> None:
            wall_ns = connection.execute(
                "SELECT anchor_wall_ns + coalesce(?, seen_ns) - anchor_mono_ns FROM runs WHERE id = ?", (mono_ns, run)
            ).fetchone()[0]
            connection.execute(
                "UPDATE runs SET ended = ?, ended_utc = ?, seen_ns = coalesce(?, seen_ns), lost = ?, summary = ? "
                "WHERE id = ?",
                (f"stopped: {reason}", utc(wall_ns), mono_ns, lost, text, run),
            )

        self._run = None
        return self._do(_Order(apply), _PATIENCE_S)

    def put(self, events: Sequence[Event]) -> None:
        """Take events over for keeping, all of them or none; never waits and never raises."""
        count = len(events)
        if self._run is None or self.backlog + count > self._bound or self._stop.is_set():
            self._lost += count
            return
        self._accepted += count
        self._queue.append(events)
        if self.backlog >= _GROUP_EVENTS and not self._wake.is_set():
            self._wake.set()

    def flush(self, timeout_s: float = _PATIENCE_S) -> bool:
        """Wait until everything put so far is written; False when that took longer."""
        return self._do(_Order(), timeout_s)

    def prune(self, keep_days: float, wall_ns: int) -> Future[int]:
        """Remove what ended more than `keep_days` before `wall_ns`, in small steps between the groups.

        That is whole runs, and what the run that goes on can be reported without; as long as it goes on, what becomes
        as old is removed from hour to hour. The future gives how many runs went now, or JournalError; a second call
        while one is at work gives that one's.
        """
        if self._stop.is_set():
            raise JournalError(f"journal {self.path}: it is closed; open it to remove old runs")
        self._keep_ns = round(keep_days * _DAY_NS)
        if self._removal is None:
            self._removal = (Removal(wall_ns - self._keep_ns), Future())
        return self._removal[1]

    def close(self, reason: str, *, mono_ns: int | None = None, summary: Mapping[str, object] | None = None) -> bool:
        """End the run, write what is left and let the file go; True when everything is kept, else see `error`."""
        if self._stop.is_set():
            return self.ok
        written = self.end_run(reason, mono_ns=mono_ns, summary=summary)
        self._stop.set()
        self._wake.set()
        self._writer.join(_PATIENCE_S)
        self._lost += self.backlog
        if not self._writer.is_alive():  # else the disk does not answer: the end of the process lets both go
            self._connection.close()
            self._lock.release()
        return written and self.ok

    def _do(self, order: _Order, timeout_s: float) -> bool:
        self._queue.append(order)
        self._wake.set()
        return order.done.wait(timeout_s)

    # From here on everything runs in the writer's thread.

    def _work(self) -> None:
        while not self._stop.is_set():
            self._wake.wait(_GROUP_S)
            self._wake.clear()
            try:
                while self._fill():
                    self._write()
                self._refused = ""
                self._prune_a_step()
            except Exception as error:  # whatever it is: a thread that died unseen would lose what follows
                self._refuse(error)
                self._stop.wait(_RETRY_S)
        if self._removal is not None:
            self._removal[1].set_result(self._removal[0].removed)

    def _fill(self) -> bool:
        """Fill the next group from the queue; True when there is something to write, also from a try that failed."""
        while self._order is None and self._queue and (self._group is None or self._group.events < _GROUP_EVENTS):
            item = self._queue.popleft()
            if isinstance(item, _Order):
                self._order = item
            elif self._group is not None:
                self._group.add(item)
        return self._order is not None or (self._group is not None and self._group.events > 0)

    def _write(self) -> None:
        """Write the group and the order behind it in one transaction."""
        group, order = self._group, self._order
        if order is not None and order.given_up:
            order = self._order = _Order()
        if (group is not None and group.events) or (order is not None and order.apply is not None):
            if self.path.stat().st_ino != self._inode:
                raise OSError("the file was replaced while it was in use")
            self._connection.execute("BEGIN IMMEDIATE")
            if group is not None and group.events:
                group.write(self._connection, self._lost)
            if order is not None and order.apply is not None:
                order.apply(self._connection)
            self._connection.execute("COMMIT")
        if group is not None:
            self.durable_events += group.events
            self._roll_on(group.last_ns)
            group.let_go()
            self._group = Group(group.run, group.next_seq)
        if order is not None:
            if order.run is not None:
                self._group, self._pruned_ns = Group(order.run, 0), None
            self._order = None
            order.done.set()

    def _roll_on(self, now_ns: int | None) -> None:
        """Have removed, from hour to hour of the run, what has become too old."""
        if now_ns is None or self._keep_ns is None:
            return
        if self._pruned_ns is None:
            self._pruned_ns = now_ns
        elif now_ns - self._pruned_ns >= _PRUNE_NS:
            self._pruned_ns = now_ns
            self._rolling = Removal(now_ns + self._wall_ahead_ns - self._keep_ns)

    def _prune_a_step(self) -> None:
        removal = self._removal
        if removal is not None:
            if not removal[0].step(self._connection):
                self._removal = None
                removal[1].set_result(removal[0].removed)
        elif self._rolling is not None and not self._rolling.step(self._connection):
            self._rolling = None

    def _refuse(self, error: Exception) -> None:
        if self._connection.in_transaction:
            with contextlib.suppress(sqlite3.Error):  # it has been said already; SQLite undoes the rest on its own
                self._connection.execute("ROLLBACK")
        self._refused = explain(self.path, error)
        self._rolling = None  # the next hour takes it up again
        if self._removal is not None:
            removal, self._removal = self._removal, None
            removal[1].set_exception(JournalError(self._refused))
