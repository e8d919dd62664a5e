"""The line as the outside sees it: made after a scan, never changed, and handed to other processes."""

from __future__ import annotations

from dataclasses import dataclass

from controller.model import Counters, Forced, Mode, State, ordinary


@ordinary
@dataclass(frozen=True, slots=True)
class FaultView:
    """A fault as the operator sees it."""

    name: str
    text: str
    mend: str
    reaction: str
    detail: str
    active: bool
    acknowledged: bool
    first: bool
    count: int
    since_ns: int


@ordinary
@dataclass(frozen=True, slots=True)
class Snapshot:
    """The controller as the outside sees it; made after a scan, never changed."""

    t_ns: int
    line: str
    job: str
    path: str
    """How marks are released: the paths of the line's stations, "compare" or "timed"."""
    state: State
    state_ns: int
    """Since when it has been in that state, in monotonic ns."""
    mode: Mode
    remote: bool
    dry: bool
    status_age_ns: int | None
    """Since the I/O side's last answer; None before the first."""
    link_error: str
    travel_counts: int
    speed_mm_s: float
    unknown_mm: float
    """How much of the line holds products that nobody saw pass the detector."""
    in_flight: int
    pending: int
    armed: int
    counters: Counters
    balanced: bool
    faults: tuple[FaultView, ...]
    first_cause: str
    not_permitted: str
    """What keeps the next start from being accepted; empty when nothing does."""
    next_step: str
    """What the operator should do next, in one line."""
    lead_ms: float
    lead_mm: float
    exchange_ms: float
    worst_exchange_ms: float
    scans: int
    job_loaded: int
    forced: Forced | None = None
    """The output that someone holds; None: all are as the controller wants them."""
    not_forcible: str = ""
    """What keeps an output from being forced now; empty when nothing does."""
