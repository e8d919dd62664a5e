"""What a scenario lets happen to the line and its I/O side, and when.

A happening is at a time after the profile's zero or as the belt reaches a travel. With a duration it is undone
by itself. Each is taken apart into single changes that the device carries out in order of time.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from sim.belt import Belt


class Kind(StrEnum):
    """What can happen."""

    INTERLOCK_OPEN = "interlock_open"
    INTERLOCK_CLOSE = "interlock_close"
    MARKER_FAULT = "marker_fault"
    MARKER_CLEAR = "marker_clear"
    NOT_READY = "not_ready"
    READY = "ready"
    LINK_DROP = "link_drop"
    IO_RESTART = "io_restart"
    FREEZE_HEARTBEAT = "freeze_heartbeat"
    UPSTREAM_EMPTY = "upstream_empty"
    DOWNSTREAM_BLOCKED = "downstream_blocked"
    STOP_REQUESTED = "stop_requested"
    JOB_LOADED = "job_loaded"


OPPOSITE = {
    Kind.INTERLOCK_CLOSE: Kind.INTERLOCK_OPEN,
    Kind.MARKER_CLEAR: Kind.MARKER_FAULT,
    Kind.READY: Kind.NOT_READY,
}
"""The kinds that only end another."""


@dataclass(frozen=True, slots=True)
class Happening:
    """One happening; exactly one of `at_ns` and `at_mm`. `on` False ends what `on` True began.

    `number` is the bit of an interlock, the station of a marker, or the number of the job loaded.
    """

    kind: Kind
    at_ns: int | None = None
    at_mm: float | None = None
    duration_ns: int | None = None
    number: int = 0
    on: bool = True

    def __post_init__(self) -> None:
        if (self.at_ns is None) == (self.at_mm is None):
            raise ValueError("a happening has either a time or a travel")


@dataclass(frozen=True, slots=True, order=True)
class Change:
    """A single change at a time of the clock: `kind` (never one of the ending kinds) begins or ends."""

    t_ns: int
    place: int
    kind: Kind
    on: bool
    number: int


def changes(happenings: Iterable[Happening], belt: Belt) -> list[Change]:
    """Give the single changes in order of time, without those that the belt never reaches; it must have its zero."""
    zero_ns = belt.zero_ns
    if zero_ns is None:
        raise ValueError("the belt's profile has not begun")
    found: list[Change] = []
    for happening in happenings:
        if happening.at_ns is not None:
            t_ns: int | None = zero_ns + happening.at_ns
        else:
            t_ns = belt.next_reach_ns(happening.at_mm or 0.0, zero_ns, 1)
        if t_ns is None:
            continue
        kind = OPPOSITE.get(happening.kind, happening.kind)
        on = happening.on and kind is happening.kind
        found.append(Change(t_ns, len(found), kind, on, happening.number))
        duration_ns = happening.duration_ns
        if kind is Kind.IO_RESTART and duration_ns is None:
            duration_ns = 0
        if duration_ns is not None:
            found.append(Change(t_ns + duration_ns, len(found), kind, not on, happening.number))
    return sorted(found)


def intervals(found: Iterable[Change], kinds: frozenset[Kind]) -> list[tuple[int, int | None]]:
    """From when until when one of the kinds lasts; None: for ever."""
    spans: list[tuple[int, int | None]] = []
    for kind in kinds:
        begun: int | None = None
        for change in found:
            if change.kind is not kind:
                continue
            if change.on and begun is None:
                begun = change.t_ns
            elif not change.on and begun is not None:
                spans.append((begun, change.t_ns))
                begun = None
        if begun is not None:
            spans.append((begun, None))
    return spans


def within(gaps: Iterable[tuple[int, int | None]], t_ns: int) -> bool:
    """Whether a time lies in one of the intervals; None ends none of them."""
    return any(begin <= t_ns and (end is None or t_ns < end) for begin, end in gaps)
