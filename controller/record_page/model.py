"""What stands in a record of commissioning, ready to be laid out: texts, tables and pictures. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

HELD = "\u00a0"
"""A space at which no line is broken: a number stays with its unit."""


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure as it is read: value and uncertainty to the same place, unit, and what the uncertainty covers."""

    name: str
    value: str
    unit: str = ""
    spread: str = ""
    """After ±; empty: none is stated."""
    covers: str = ""
    """What ± is: "95 %", or "k = 1" for one standard uncertainty."""
    beside: str = ""
    """The same in mm, where the line's people read another unit."""

    @property
    def text(self) -> str:
        """All of it in one cell."""
        parts = [self.value, f"±{HELD}{self.spread}" if self.spread else "", self.unit.replace(" ", HELD)]
        whole = HELD.join(part for part in parts if part)
        return f"{whole} ({self.beside})" if self.beside else whole


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of texts under their columns. A long one may be broken between pages, its head repeated."""

    caption: str
    columns: Sequence[str]
    rows: Sequence[Sequence[str]]
    note: str = ""
    long: bool = False
    words: Sequence[int] = ()
    """Columns (from 0) that hold words; the others hold figures and stand to the right."""


@dataclass(frozen=True, slots=True)
class Picture:
    """A drawing as SVG, made by this program, and what it shows."""

    svg: str
    caption: str


@dataclass(slots=True)
class Body:
    """What one step found, laid out."""

    outcome: str = ""
    """In one line, for the list of all steps."""
    figures: list[Figure] = field(default_factory=list)
    tables: list[Table] = field(default_factory=list)
    pictures: list[Picture] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Unknown:
    """What a step could not tell, why, and what would tell it."""

    what: str
    why: str
    needs: str


@dataclass(frozen=True, slots=True)
class Changed:
    """One setting that a step changed, or would have changed."""

    setting: str
    old: str
    new: str
    applied: bool


@dataclass(frozen=True, slots=True)
class StepPart:
    """One result of a step."""

    number: int
    title: str
    question: str
    made: str
    """When and by whom."""
    settings: str
    """Which settings it was made with, beside those of now."""
    remark: str
    """What took its place; empty where nothing did."""
    body: Body
    verdict: Sequence[str]
    unknown: Sequence[Unknown]
    changes: Sequence[Changed]
    data: Sequence[Table]
    """What it was computed from."""


@dataclass(frozen=True, slots=True)
class Done:
    """One row of the list of all steps; `made` is empty where a step was not done."""

    title: str
    number: str
    made: str
    outcome: str
    remark: str


@dataclass(frozen=True, slots=True)
class Record:
    """The whole record."""

    line: str
    mark: str
    """Tells this record from every other; stands on each page."""
    facts: Sequence[tuple[str, str]]
    cautions: Sequence[str]
    done: Sequence[Done]
    settings: Sequence[Table]
    settings_notes: Sequence[str]
    steps: Sequence[StepPart]
    jobs: Sequence[Table]
    job_notes: Sequence[str]
    now: Table
    """All settings as they are."""
