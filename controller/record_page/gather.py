"""From what was kept of a line to its record: reads the job store, and lays out every step."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence

from controller import __version__
from controller.commission_record import results_of
from controller.commissioning.cautions import BELT, MARKING
from controller.job_files import state_of, store_of
from controller.job_state import JobState, when
from controller.record_page.data import data_tables
from controller.record_page.model import Done, Record, StepPart
from controller.record_page.settings_part import changed_by_steps, changed_otherwise, job_tables, now_table
from controller.record_page.shown import Shown
from controller.record_page.steps import PARTS, body_of, changes_of, part_of, unknown_of, verdict_of
from controller.records.store import CommissioningResult, Revision, checksum
from controller.settings.line import LineConfig
from controller.settings.saved import text_of

NO_SAFETY = (
    "beltcue is not a safety function: guards, emergency stop and beam shutters act in hard wiring, tested by licensed "
    "people; local codes and licensed practice decide, whatever stands in this record"
)
HEAT_AND_FUMES = "marking equipment can hurt eyes, skin and lungs and can set things on fire"
SUPERSEDED = "superseded"
MARK_DIGITS = 12


class NothingKeptError(Exception):
    """There is nothing to make a record of; one line."""


def gather(config: LineConfig, since_ns: int | None = None) -> Record:
    """Make the line's record of what was kept from that wall time on, or of all.

    Raises NothingKeptError where no step was kept, StoreError, SettingsError.
    """
    every = [result for result, _ in results_of(config)]
    results = [result for result in every if since_ns is None or result.wall_ns >= since_ns]
    if not results:
        raise NothingKeptError(_nothing(config, every))
    store, now = store_of(config.path, config.settings), text_of(config)
    revisions, state, shown = store.revisions(), state_of(config), Shown(config.display)
    last = {_key(result): result.number for result in results}
    whole = [r for r in results if r.number == last[_key(r)] or any(c.applied for c in changes_of(r.result))]
    whole.sort(key=lambda r: (_order(r), r.number))
    where = f"all of them are in result {{}} of {store.path.name}"
    parts = [_part(r, now, revisions, shown, where.format(r.number), last[_key(r)]) for r in whole]
    done, left_out = _done(results, parts, last, now, shown), len(every) - len(results)
    return Record(
        line=config.name,
        mark=_mark(config, results, revisions, now),
        facts=_facts(config, results, left_out, state, now, revisions, done),
        cautions=[NO_SAFETY, HEAT_AND_FUMES, *MARKING, BELT],
        done=done,
        settings=changed_by_steps(results),
        settings_notes=changed_otherwise(results, checksum(now)),
        steps=parts,
        jobs=job_tables(revisions, now, config.display),
        job_notes=[f"Job “{state.job}”: {state}."],
        now=now_table(now, config.display),
    )


def _nothing(config: LineConfig, every: Sequence[CommissioningResult]) -> str:
    if every:
        return (
            f"{config.path}: nothing was kept of {config.name} since then; the last is of {when(every[-1].wall_ns)}: "
            "give an earlier --since, or none"
        )
    return (
        f"{config.path}: nothing was kept of {config.name} yet, so there is nothing to record; run a step first, e.g. "
        f"beltcue commission limits {config.path}"
    )


def _key(result: CommissioningResult) -> tuple[str, ...]:
    """A later result of the same key takes a result's place."""
    both = result.raw | result.result
    return result.step, *(str(both.get(name) or "") for name in part_of(result.step).of)


def _order(result: CommissioningResult) -> int:
    known = list(PARTS)
    return known.index(result.step) if result.step in known else len(known)


def _part(
    result: CommissioningResult, now: str, revisions: Sequence[Revision], shown: Shown, where: str, newest: int
) -> StepPart:
    part = part_of(result.step)
    return StepPart(
        number=result.number,
        title=part.title,
        question=part.question,
        made=f"{when(result.wall_ns)}, {result.who}",
        settings=_settings(result, now, revisions),
        remark="" if result.number == newest else _remark(result, now, newest),
        body=body_of(result.step, result.number, result.result, result.raw, shown),
        verdict=verdict_of(result.result),
        unknown=unknown_of(result.result),
        changes=changes_of(result.result),
        data=data_tables(result.raw, where),
    )


def _remark(result: CommissioningResult, now: str, newest: int) -> str:
    if result.number != newest:
        return f"{SUPERSEDED} by result {newest}"
    return "" if result.settings_sha256 == checksum(now) else "settings changed since"


def _settings(result: CommissioningResult, now: str, revisions: Sequence[Revision]) -> str:
    """Which settings a result was made with."""
    same = "those of now" if result.settings_sha256 == checksum(now) else "others than those of now"
    saved = [r for r in revisions if r.sha256 == result.settings_sha256]
    which = f", saved as “{saved[-1].job}”, revision {saved[-1].number}" if saved else ""
    return f"{same}{which} (checksum {result.settings_sha256[:MARK_DIGITS]}…)"


def _done(
    results: Sequence[CommissioningResult],
    parts: Sequence[StepPart],
    last: dict[tuple[str, ...], int],
    now: str,
    shown: Shown,
) -> list[Done]:
    """Every step in its order, also those that were not done, and every result of it."""
    whole = {part.number: part for part in parts}
    steps = [*PARTS, *(r.step for r in results if r.step not in PARTS)]
    rows = []
    for step in dict.fromkeys(steps):
        title, own = part_of(step).title, [r for r in results if r.step == step]
        if not own:
            rows.append(Done(title, "", "", "", "not done"))
        for r in own:
            part = whole.get(r.number)
            outcome = (part.body if part else body_of(step, r.number, r.result, r.raw, shown)).outcome
            remark = _remark(r, now, last[_key(r)])
            rows.append(Done(title, str(r.number), f"{when(r.wall_ns)}, {r.who}", outcome, remark))
    return rows


def _facts(
    config: LineConfig, results: Sequence[CommissioningResult], left_out: int, state: JobState, now: str,
    revisions: Sequence[Revision], done: Sequence[Done],
) -> list[tuple[str, str]]:  # fmt: skip
    people = ", ".join(dict.fromkeys(r.who for r in results))
    show = config.display
    older = f"; {left_out} older ones left out" if left_out else ""
    first, end = (when(r.wall_ns) for r in (results[0], results[-1]))
    rows = [
        ("Line", f"{config.name} ({config.path.name})"),
        ("Job", f"“{state.job}”, {state}"),
        ("Checksum of the settings", checksum(now)),
        (
            "Steps",
            f"{len(results)} results, {first} to {end}{older}",
        ),
        ("Commissioned by", people),
        ("Scale", f"{show.length(config.settings.encoder.scale_mm())} a count, {config.settings.encoder.forward}"),
        *(
            (f"Station {s.name}", f"{show.length(s.distance)} from the eye, response {show.time(s.response)}")
            for s in config.settings.stations
        ),
        ("Speeds", f"{show.speed(config.settings.line.lowest_speed)} to {show.speed(config.settings.line.top_speed)}"),
        *(("Acceptance", _accepted(row)) for row in done if row.title == PARTS["accept"].title and _newest(row)),
        ("Program", f"beltcue {__version__}"),
    ]
    saved = next((r for r in revisions if r.sha256 == checksum(now)), None)
    if saved is not None:
        rows.insert(2, ("Saved", f"revision {saved.number}, {when(saved.wall_ns)}, {saved.who}: {saved.why}"))
    return rows


def _newest(row: Done) -> bool:
    return not row.remark.startswith(SUPERSEDED)


def _accepted(row: Done) -> str:
    return "; ".join(filter(None, (row.outcome, row.made, row.remark)))


def _mark(config: LineConfig, results: Sequence[CommissioningResult], revisions: Sequence[Revision], now: str) -> str:
    """Tell this record from every other: the same store, settings and program give the same."""
    kept = [[r.number, r.step, r.wall_ns, r.who, r.result, r.raw, r.settings_sha256] for r in results]
    jobs = [[r.job, r.number, r.sha256] for r in revisions]
    text = json.dumps([__version__, config.name, now, kept, jobs], ensure_ascii=False, sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:MARK_DIGITS]
