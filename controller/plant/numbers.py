"""The numbers by which the plant knows faults. They never change: what is new is appended, what goes leaves a gap."""

from __future__ import annotations

from controller.faults import FAULTS
from controller.snapshot import Snapshot

FAULT_NUMBERS: dict[str, int] = {
    "interlock_open": 1,
    "interlock_opened": 2,
    "link_lost": 3,
    "heartbeat_lost": 4,
    "inhibited": 5,
    "enable_failed": 6,
    "io_restarted": 7,
    "count_jump": 8,
    "layout_unknown": 9,
    "other_owner": 10,
    "order_mismatch": 11,
    "order_refused": 12,
    "order_unanswered": 13,
    "release_unexpected": 14,
    "release_misplaced": 15,
    "release_missing": 16,
    "captures_lost": 17,
    "marker_fault": 18,
    "marker_not_ready": 19,
    "misses_in_a_row": 20,
    "job_mismatch": 21,
    "encoder_stalled": 22,
    "jam": 23,
    "journal_failed": 24,
    "upstream_empty": 25,
    "downstream_blocked": 26,
    "stop_requested": 27,
    "backing_up": 28,
    "counting_while_stopped": 29,
    "silent": 30,
}
"""Fault → its number, from 1; 0 is no fault."""


def first_cause_number(snapshot: Snapshot) -> int:
    """The number of what stopped the line, 0 where nothing did."""
    for view in snapshot.faults:
        if view.first:
            return FAULT_NUMBERS[view.name]
    # A cause that is gone and acknowledged leaves the list of faults, but is what stopped the line until Reset.
    cause = snapshot.first_cause
    return next((FAULT_NUMBERS[name] for name, kind in FAULTS.items() if cause.startswith(kind.text)), 0)
