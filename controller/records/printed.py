"""A report as plain text, for a terminal or a printer."""

from __future__ import annotations

import io

from rich.console import Console
from rich.table import Table

from controller.records.report import Report

_Rows = list[tuple[str, ...]]


def render(report: Report, width: int = 110) -> str:
    """Write the report as text of `width` columns at most, every figure with its unit."""
    out = io.StringIO()
    console = Console(file=out, width=width, highlight=False, markup=False, emoji=False)
    _head(console, report)
    missed = [(f"  missed: {reason}", str(n)) for reason, n in report.missed.items()]
    _table(console, ("products", "number"), [("detected", str(report.detected)), *_counts(report.products)])
    _table(console, ("mark requests", "number"), [("created", str(report.created)), *_counts(report.requests), *missed])
    console.print(
        f"\nmarks: {report.marks_per_minute:.1f} a minute in Execute, {report.peak_marks_per_minute} in the best; "
        f"test marks, counted apart: {report.test_marks}"
    )
    console.print("balanced" if report.balanced else "NOT BALANCED: " + "; ".join(report.imbalances))
    _table(console, ("state", "time s"), [(state, f"{s:.1f}") for state, s in report.states_s.items()])
    faults: _Rows = [(f.fault, str(f.raised), str(f.first_cause), f.last_utc, f.last_detail) for f in report.faults]
    _table(console, ("fault", "times raised", "times first cause", "last at", "detail"), faults)
    _table(console, ("first cause of each stop",), [(cause,) for cause in report.first_causes])
    commands: _Rows = [
        (f"{c.verb} {c.argument}", c.utc, f"{c.who} ({c.source})", "accepted" if c.accepted else f"refused: {c.reason}")
        for c in report.commands
    ]
    _table(console, ("command", "at", "by", "answer"), commands)
    return "".join(line.rstrip() + "\n" for line in out.getvalue().splitlines())


def _head(console: Console, report: Report) -> None:
    run = report.run
    dry = ", dry" if run.dry else ""
    console.print(f"Run {run.run} of line {run.line}, job {run.job} (number {run.job_number}){dry}")
    console.print(f"  from {run.started_utc}, recorded over {report.duration_s:.1f} s")
    if run.ended is None:
        console.print("  not ended: still running, or its controller is gone and the next start will say so")
    else:
        console.print(f"  {run.ended}, at {run.ended_utc}")
    console.print(f"  program {run.version}, configuration sha256 {run.config_sha256[:16]}")
    if report.removed_before_utc:
        console.print(f"  removed by age: what ended before {report.removed_before_utc}; in the sums, not in the lists")
    if report.previous_end:
        console.print(f"  before it: {report.previous_end}")


def _counts(by_fate: dict[str, int]) -> _Rows:
    return [(f"  {fate}", str(n)) for fate, n in by_fate.items()]


def _table(console: Console, headings: tuple[str, ...], rows: _Rows) -> None:
    if not rows:
        return
    table = Table(box=None, show_edge=False, pad_edge=False, padding=(0, 2, 0, 0))
    for heading in headings:
        table.add_column(heading, overflow="fold")
    for row in rows:
        table.add_row(*row)
    console.print()
    console.print(table)
