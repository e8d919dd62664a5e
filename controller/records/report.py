"""What a run was: read from the journal, also while a controller is writing it."""

from __future__ import annotations

import dataclasses
import json
import sqlite3
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from controller.model import Fate, Miss, ProductFate, State
from controller.records.reading import RunInfo, find_run, reading
from controller.records.schema import utc


@dataclass(frozen=True, slots=True)
class FaultTotal:
    """How often a fault was raised and how often as the first cause of a stop; when and why it was raised last."""

    fault: str
    raised: int
    first_cause: int
    last_utc: str
    last_detail: str


@dataclass(frozen=True, slots=True)
class Given:
    """A command, who gave it and from where, and the reason where it was refused."""

    utc: str
    verb: str
    argument: str
    who: str
    source: str
    accepted: bool
    reason: str


@dataclass(frozen=True, slots=True)
class Report:
    """A run in sums. Everything is counted from the rows, nothing from what the controller believed."""

    run: RunInfo
    previous_end: str
    """How the run before this one ended; empty where there is none."""
    duration_s: float
    detected: int
    products: dict[str, int]
    """Fate → products."""
    created: int
    requests: dict[str, int]
    """Fate → requests."""
    missed: dict[str, int]
    """Reason → missed requests; reasons that did not occur are left out."""
    balanced: bool
    imbalances: tuple[str, ...]
    """What does not add up, in words; a defect of ours, or events that could not be kept."""
    test_marks: int
    marks_per_minute: float
    """Marks over the time spent in Execute."""
    peak_marks_per_minute: int
    """Marks in the best whole minute counted from the start."""
    states_s: dict[str, float]
    """State → seconds spent in it, up to the last thing recorded."""
    faults: tuple[FaultTotal, ...]
    first_causes: tuple[str, ...]
    """The first cause of each stop, in order: when, which fault, and its detail."""
    commands: tuple[Given, ...]
    summary: dict[str, object] | None
    """What the controller itself said of the run at its end."""


def report(path: str | Path, run: int | None = None) -> Report:
    """Sum up one run; the newest where `run` is None. Raises JournalError."""
    with reading(path) as connection:
        return _Rows(connection, find_run(connection, path, run)).report()


def to_json(report: Report) -> str:
    """Write the report as one JSON object on one line."""
    return json.dumps(dataclasses.asdict(report), ensure_ascii=False)


class _Rows:
    """The rows of one run, asked one question at a time."""

    def __init__(self, connection: sqlite3.Connection, info: RunInfo) -> None:
        self._connection = connection
        self._info = info
        head = "SELECT anchor_mono_ns, anchor_wall_ns, seen_ns, summary FROM runs WHERE id = :run"
        self._mono_ns, self._wall_ns, self._seen_ns, self._summary = self._ask(head)[0]

    def report(self) -> Report:
        raised = self._ask(
            "SELECT fault, t_ns, detail, first FROM faults WHERE run = :run AND phase = 'raised' ORDER BY seq"
        )
        products = self._by(ProductFate, "SELECT fate, count(*) FROM products WHERE run = :run GROUP BY fate")
        requests = self._by(Fate, "SELECT fate, count(*) FROM requests WHERE run = :run GROUP BY fate")
        missed = self._by(
            Miss, "SELECT reason, count(*) FROM requests WHERE run = :run AND fate = 'missed' GROUP BY reason"
        )
        imbalances = self._imbalances()
        states_s = self._states_s()
        execute_s = states_s.get(State.EXECUTE.name, 0.0)
        return Report(
            run=self._info,
            previous_end=self._previous_end(),
            duration_s=(self._seen_ns - self._mono_ns) / 1e9,
            detected=sum(products.values()),
            products=products,
            created=sum(requests.values()),
            requests=requests,
            missed={reason: n for reason, n in missed.items() if n},
            balanced=not imbalances,
            imbalances=imbalances,
            test_marks=self._number("SELECT count(*) FROM test_marks WHERE run = :run"),
            marks_per_minute=requests[Fate.MARKED] * 60 / execute_s if execute_s > 0 else 0.0,
            peak_marks_per_minute=self._peak(),
            states_s=states_s,
            faults=self._fault_totals(raised),
            first_causes=tuple(f"{self._at(t_ns)} {fault}: {detail}" for fault, t_ns, detail, first in raised if first),
            commands=self._commands(),
            summary=None if self._summary is None else json.loads(self._summary),
        )

    def _ask(self, sql: str) -> list[Any]:
        return self._connection.execute(sql, {"run": self._info.run}).fetchall()

    def _number(self, sql: str) -> int:
        return int(self._ask(sql)[0][0])

    def _at(self, t_ns: int) -> str:
        return utc(self._wall_ns + t_ns - self._mono_ns)

    def _by(self, kinds: type[Fate | ProductFate | Miss], sql: str) -> dict[str, int]:
        """Every one of its kind in its order, and whatever else the rows name."""
        found = {str(name): n for name, n in self._ask(sql)}
        return {str(kind): found.pop(kind, 0) for kind in kinds} | found

    def _peak(self) -> int:
        minute = f"(done_ns - {self._mono_ns}) / 60000000000"
        marks = f"SELECT count(*) AS n FROM requests WHERE run = :run AND fate = 'marked' GROUP BY {minute}"
        return self._number(f"SELECT coalesce(max(n), 0) FROM ({marks})")

    def _previous_end(self) -> str:
        before = self._ask("SELECT id, ended FROM runs WHERE id < :run AND removing = 0 ORDER BY id DESC LIMIT 1")
        return f"run {before[0][0]} {before[0][1]}" if before else ""

    def _states_s(self) -> dict[str, float]:
        spent_ns: dict[str, int] = {}
        state, since_ns = None, self._mono_ns
        for t_ns, old, new in self._ask("SELECT t_ns, old, new FROM states WHERE run = :run ORDER BY seq"):
            spent_ns[old] = spent_ns.get(old, 0) + t_ns - since_ns
            state, since_ns = new, t_ns
        if state is not None:
            spent_ns[state] = spent_ns.get(state, 0) + self._seen_ns - since_ns
        return {name: ns / 1e9 for name, ns in spent_ns.items()}

    def _fault_totals(self, raised: list[Any]) -> tuple[FaultTotal, ...]:
        totals: dict[str, FaultTotal] = {}
        for fault, t_ns, detail, first in raised:
            before = totals.get(fault, FaultTotal(fault, 0, 0, "", ""))
            totals[fault] = FaultTotal(fault, before.raised + 1, before.first_cause + first, self._at(t_ns), detail)
        return tuple(totals.values())

    def _commands(self) -> tuple[Given, ...]:
        columns = "t_ns, verb, argument, who, source, accepted, reason"
        rows = self._ask(f"SELECT {columns} FROM commands WHERE run = :run ORDER BY seq")
        return tuple(
            Given(self._at(t_ns), verb, argument, who, source, bool(accepted), reason)
            for t_ns, verb, argument, who, source, accepted, reason in rows
        )

    def _imbalances(self) -> tuple[str, ...]:
        """Say what keeps each product and request from having been made once and having ended once at most."""
        found = []
        for text, table, condition in _IMBALANCES:
            n = self._number(f"SELECT count(*) FROM {table} WHERE run = :run AND ({condition})")
            if n:
                found.append(f"{n} {text}")
        if self._info.lost:
            found.append(f"{self._info.lost} events could not be kept")
        return tuple(found)


_IMBALANCES = (
    ("products ended without having been seen", "products", "opened = 0"),
    ("products seen twice under one number", "products", "opened > 1"),
    ("products given more than one fate", "products", "closed > 1"),
    ("products ended without a fate", "products", "(closed > 0) <> (fate <> 'in_flight')"),
    ("requests ended without having been made", "requests", "opened = 0"),
    ("requests made twice under one number", "requests", "opened > 1"),
    ("requests given more than one fate", "requests", "closed > 1"),
    ("requests ended without a fate", "requests", "(closed > 0) <> (fate <> 'pending')"),
    (
        "requests missed without a reason or not missed with one",
        "requests",
        "(fate = 'missed') <> (reason IS NOT NULL)",
    ),
)
"""What it is, and the table and the condition on its rows that find it."""
