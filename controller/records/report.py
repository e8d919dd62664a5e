"""What a run was: read from the journal, also while a controller is writing it."""

from __future__ import annotations

import dataclasses
import json
import sqlite3
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from controller.model import Fate, Miss, ProductFate, State
from controller.records.balance import IMBALANCES
from controller.records.reading import RunInfo, find_run, reading
from controller.records.schema import utc
from controller.records.trimming import MINUTE_NS


@dataclass(frozen=True, slots=True)
class FaultTotal:
    """How often a fault was raised and how often as the first cause of a stop; when and why it was raised last.

    The last two are empty where that was so long ago that it was removed.
    """

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
    """A run in sums: of the rows and of what was summed up of those removed by age, not of the controller's beliefs."""

    run: RunInfo
    previous_end: str
    """How the run before this one ended; empty where there is none."""
    removed_before_utc: str
    """What ended before was removed by its age: it is in the sums, not in the lists. Empty where nothing was."""
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
        self._removed: dict[str, dict[str, int]] = {}
        for what, name, n in self._ask("SELECT what, name, n FROM removed WHERE run = :run"):
            self._removed.setdefault(what, {})[name] = n

    def report(self) -> Report:
        raised = self._ask(
            "SELECT fault, t_ns, detail, first FROM faults WHERE run = :run AND phase = 'raised' ORDER BY seq"
        )
        products = self._by(
            ProductFate, "products", "SELECT fate, count(*) FROM products WHERE run = :run GROUP BY fate"
        )
        requests = self._by(Fate, "requests", "SELECT fate, count(*) FROM requests WHERE run = :run GROUP BY fate")
        missed = self._by(
            Miss, "missed", "SELECT reason, count(*) FROM requests WHERE run = :run AND fate = 'missed' GROUP BY reason"
        )
        before_ns = self._sums("before_ns").get("")
        imbalances = self._imbalances()
        states_s = self._states_s()
        execute_s = states_s.get(State.EXECUTE.name, 0.0)
        return Report(
            run=self._info,
            previous_end=self._previous_end(),
            removed_before_utc="" if before_ns is None else self._at(before_ns),
            duration_s=(self._seen_ns - self._mono_ns) / 1e9,
            detected=sum(products.values()),
            products=products,
            created=sum(requests.values()),
            requests=requests,
            missed={reason: n for reason, n in missed.items() if n},
            balanced=not imbalances,
            imbalances=imbalances,
            test_marks=self._number("SELECT count(*) FROM test_marks WHERE run = :run")
            + self._sums("test_marks").get("", 0),
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

    def _sums(self, what: str) -> dict[str, int]:
        """What is kept of the rows that were removed; empty where none were."""
        return self._removed.get(what, {})

    def _at(self, t_ns: int) -> str:
        return utc(self._wall_ns + t_ns - self._mono_ns)

    def _by(self, kinds: type[Fate | ProductFate | Miss], what: str, sql: str) -> dict[str, int]:
        """Every one of its kind in its order, and whatever else the rows name."""
        found = dict(self._sums(what))
        for name, n in self._ask(sql):
            found[str(name)] = found.get(str(name), 0) + n
        return {str(kind): found.pop(kind, 0) for kind in kinds} | found

    def _peak(self) -> int:
        minute = f"(done_ns - {self._mono_ns}) / {MINUTE_NS}"
        marks = f"SELECT {minute}, count(*) FROM requests WHERE run = :run AND fate = 'marked' GROUP BY 1"
        minutes = {int(name): n for name, n in self._sums("minute").items()}
        for number, n in self._ask(marks):
            minutes[number] = minutes.get(number, 0) + n
        return max([self._sums("peak").get("", 0), *minutes.values()])

    def _previous_end(self) -> str:
        before = self._ask("SELECT id, ended FROM runs WHERE id < :run AND removing = 0 ORDER BY id DESC LIMIT 1")
        return f"run {before[0][0]} {before[0][1]}" if before else ""

    def _states_s(self) -> dict[str, float]:
        spent_ns = dict(self._sums("states_ns"))
        state, since_ns = None, self._mono_ns + sum(spent_ns.values())
        for t_ns, old, new in self._ask("SELECT t_ns, old, new FROM states WHERE run = :run ORDER BY seq"):
            spent_ns[old] = spent_ns.get(old, 0) + t_ns - since_ns
            state, since_ns = new, t_ns
        if state is not None:
            spent_ns[state] = spent_ns.get(state, 0) + self._seen_ns - since_ns
        return {name: ns / 1e9 for name, ns in spent_ns.items()}

    def _fault_totals(self, raised: list[Any]) -> tuple[FaultTotal, ...]:
        first_causes = self._sums("first_causes")
        totals = {
            fault: FaultTotal(fault, n, first_causes.get(fault, 0), "", "") for fault, n in self._sums("faults").items()
        }
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
        for text, table, condition in IMBALANCES:
            n = self._number(f"SELECT count(*) FROM {table} WHERE run = :run AND ({condition})")
            if n:
                found.append(f"{n} {text}")
        if self._info.lost:
            found.append(f"{self._info.lost} events could not be kept")
        return tuple(found)
