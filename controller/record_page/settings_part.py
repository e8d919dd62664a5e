"""Settings before and after, and the saved jobs: tables of a record out of what the store keeps. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from controller.job_state import when
from controller.job_text import changes, rows
from controller.record_page.model import Table
from controller.record_page.steps import changes_of, part_of
from controller.records.store import CommissioningResult, Revision
from controller.units import Display

DIGEST = 12
"""So many digits of a checksum tell two revisions apart for people."""


def changed_by_steps(results: Sequence[CommissioningResult]) -> list[Table]:
    """Each setting that a step changed: from, to, by which step, by whom, when; then what was only proposed."""
    columns = ["setting", "from", "to", "by", "who", "when"]
    tables = []
    for applied, caption in ((True, "Changed by the steps"), (False, "Proposed by a step, and not written by it")):
        found = [
            [c.setting, c.old, c.new, f"{part_of(r.step).title}, result {r.number}", r.who, when(r.wall_ns)]
            for r in results
            for c in changes_of(r.result)
            if c.applied is applied
        ]
        if found:
            tables.append(Table(caption, columns, found, words=range(6), long=True))
    return tables


def changed_otherwise(results: Sequence[CommissioningResult], now_sha256: str) -> list[str]:
    """Between which results the settings were changed by something else than the step itself."""
    notes = []
    ends = [(f"result {r.number}", r.settings_sha256) for r in results[1:]] + [("now", now_sha256)]
    for result, (name, sha256) in zip(results, ends, strict=True):
        wrote = any(c.applied for c in changes_of(result.result))
        if sha256 != result.settings_sha256 and not wrote:
            notes.append(
                f"Between result {result.number} ({part_of(result.step).title}) and {name} settings were changed by "
                "hand, or by loading a job."
            )
    return notes


def job_tables(revisions: Sequence[Revision], now: str, display: Display) -> list[Table]:
    """The saved revisions, what changed from each to the next of its job, and from the last of them to now."""
    if not revisions:
        return []
    ordered = sorted(revisions, key=lambda r: r.wall_ns)
    columns = ["job", "revision", "saved", "who", "why", "checksum (SHA-256)"]
    tables = [
        Table(
            "Saved revisions",
            columns,
            [
                [r.job, str(r.number), when(r.wall_ns), r.who, r.why + (" (kept by itself)" if r.aside else ""),
                 "DAMAGED, not used" if r.damaged else r.sha256[:DIGEST] + "…"] for r in ordered
            ],
            words=(0, 2, 3, 4, 5),
            long=True,
        )
    ]  # fmt: skip
    found: list[list[str]] = []
    for job in dict.fromkeys(r.job for r in ordered):
        own = [r for r in ordered if r.job == job and not r.damaged]
        for before, after in pairwise(own):
            names = f"{job}, {before.number} → {after.number}"
            found += [[place, a, b, names, after.who] for place, a, b in changes(before.text, after.text, display)]
    if found:
        columns = ["setting", "from", "to", "revision", "who"]
        tables.append(Table("What changed from revision to revision", columns, found, words=range(5), long=True))
    last = next((r for r in reversed(ordered) if not r.damaged and not r.aside), None)
    differs = [] if last is None else changes(last.text, now, display)
    if last is not None and differs:
        caption = f"What differs now from {last.job}, revision {last.number}: NOT SAVED"
        tables.append(Table(caption, ["setting", "saved", "now"], differs, words=range(3)))
    return tables


def now_table(now: str, display: Display) -> Table:
    """All settings of the job as they are."""
    return Table("", ["setting", "value"], rows(now, display), words=(0, 1), long=True)
