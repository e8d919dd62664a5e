"""The line as the outside sees it: a snapshot, made after a scan."""

from __future__ import annotations

from controller.calls import not_forcible, start_blockers
from controller.faults import FAULTS, Reaction
from controller.line import Line
from controller.model import State
from controller.ordering import lead_counts
from controller.snapshot import Snapshot

_NEXT: dict[State, str] = {
    State.STOPPED: "Reset, then Start",
    State.IDLE: "Start",
    State.HELD: "mend the cause, then Unhold",
    State.SUSPENDED: "wait for the line, then Unsuspend",
    State.COMPLETE: "Reset for the next job",
    State.ABORTED: "mend the cause, then Clear, Reset, Start",
    State.EXECUTE: "nothing: marking",
}


def snapshot(line: Line, now_ns: int) -> Snapshot:
    """What the displays and the plant are given. Every figure carries its unit in its name."""
    spec, book = line.spec, line.book
    speed = line.travel.speed_counts_s
    lead_mm = lead_counts(line, max(0.0, speed)) * spec.scale_mm
    blockers = start_blockers(line)
    good_ns = line.watch.good_ns
    return Snapshot(
        t_ns=now_ns,
        line=spec.name,
        job=spec.job_name,
        path=" and ".join(dict.fromkeys(s.release for s in spec.stations)),
        state=line.state,
        state_ns=line.state_ns,
        mode=line.mode,
        remote=line.remote,
        dry=spec.dry,
        status_age_ns=None if good_ns is None else now_ns - good_ns,
        link_error=line.link_error,
        travel_counts=line.travel.counts,
        speed_mm_s=speed * spec.scale_mm,
        unknown_mm=line.unknown_counts * spec.scale_mm,
        in_flight=len(book.products),
        pending=book.pending,
        armed=len(book.sent),
        counters=book.counters.copy(),
        balanced=book.balanced,
        faults=line.faults.views(),
        first_cause=line.faults.describe(line.faults.first) if line.faults.first else "",
        not_permitted="; ".join(blockers),
        next_step=_next_step(line, blockers),
        lead_ms=line.link.lead_s * 1e3,
        lead_mm=lead_mm,
        exchange_ms=line.link.exchange_ns * 1e-6,
        worst_exchange_ms=line.link.worst_exchange_s * 1e3,
        scans=line.scans,
        job_loaded=0 if line.status is None else line.status.job_loaded,
        forced=line.forced,
        not_forcible=not_forcible(line),
    )


def _next_step(line: Line, blockers: list[str]) -> str:
    faults = line.faults
    serious = faults.present(Reaction.SUSPEND)
    if serious:
        return FAULTS[max(serious, key=faults.reaction)].mend
    if line.state in (State.ABORTED, State.HELD) and faults.first:
        return FAULTS[faults.first].mend
    if blockers and line.state in (State.STOPPED, State.IDLE):
        return f"first: {blockers[0]}"
    if line.unknown_counts and line.state is State.EXECUTE:
        return (
            f"{line.unknown_counts * line.spec.scale_mm:.0f} mm of line hold products nobody saw; line-clear if empty"
        )
    return _NEXT.get(line.state, "wait")
