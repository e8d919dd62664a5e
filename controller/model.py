"""The words of the line as values: products, mark requests, their fates, and what a scan reports.

Travel is the unwrapped, direction-corrected signed count since start; all times are monotonic
nanoseconds that were handed in. Values made with every scan or product are not frozen, which would double the time
to make them; nobody changes one all the same. Those made with every scan write their `__init__` out, which only then
is compiled with the rest (`deploy/compile`).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum, StrEnum
from typing import TypeVar

from controller.registers import Command, Status

Kept = TypeVar("Kept")


def _ordinary(cls: type[Kept]) -> type[Kept]:
    """Keep a class an ordinary one in a compiled core, which cannot unpickle frozen values of its own classes."""
    return cls


class State(IntEnum):
    """The PackML states with the numbers of ISA-TR88.00.02."""

    CLEARING = 1
    STOPPED = 2
    STARTING = 3
    IDLE = 4
    SUSPENDED = 5
    EXECUTE = 6
    STOPPING = 7
    ABORTING = 8
    ABORTED = 9
    HOLDING = 10
    HELD = 11
    UNHOLDING = 12
    SUSPENDING = 13
    UNSUSPENDING = 14
    RESETTING = 15
    COMPLETING = 16
    COMPLETE = 17


class Mode(IntEnum):
    """The PackML unit modes."""

    PRODUCTION = 1
    MAINTENANCE = 2
    MANUAL = 3


class Fate(StrEnum):
    """How a mark request ended; PENDING has not ended."""

    PENDING = "pending"
    MARKED = "marked"
    DRY = "dry"
    MISSED = "missed"


class Miss(StrEnum):
    """Why a mark was missed."""

    LATE = "late"
    BUSY = "busy"
    NOT_READY = "not_ready"
    TOO_FAST = "too_fast"
    FULL = "full"
    NOT_PERMITTED = "not_permitted"
    VOID = "void"
    UNCONFIRMED = "unconfirmed"


class ProductFate(StrEnum):
    """How a product ended; IN_FLIGHT has not ended."""

    IN_FLIGHT = "in_flight"
    MARKED = "marked"
    PART_MARKED = "part_marked"
    UNMARKED = "unmarked"
    UNKNOWN = "unknown"


class FaultPhase(StrEnum):
    """What happened to a fault."""

    RAISED = "raised"
    CLEARED = "cleared"
    ACKNOWLEDGED = "acknowledged"


@dataclass(slots=True, init=False)
class Image:
    """What one exchange brought: the status, or None and the error when it failed.

    `sent_ns` and `got_ns` bound the instant at which the I/O side sampled its inputs. `journal_ok` is the
    health of the record keeping, an input like any other.
    """

    status: Status | None
    sent_ns: int
    got_ns: int
    error: str
    journal_ok: bool

    def __init__(
        self, status: Status | None, sent_ns: int, got_ns: int, error: str = "", journal_ok: bool = True
    ) -> None:
        self.status, self.sent_ns, self.got_ns = status, sent_ns, got_ns
        self.error, self.journal_ok = error, journal_ok


@_ordinary
@dataclass(frozen=True, slots=True)
class Call:
    """Something a person or the plant asks of the controller.

    `verb` is a PackML command (start, stop, reset, hold, unhold, suspend, unsuspend, complete, abort,
    clear) or one of mode, acknowledge, reset-counters, local, remote, test-mark, line-clear, force, unforce. `source`
    is "local" or "plant". `argument` is the mode's name, the fault's name, the station's number or "output=1".
    """

    verb: str
    who: str
    source: str = "local"
    argument: str = ""


class Refusal(StrEnum):
    """Why a call is refused, for whoever asks by machine; the words are in `Reply.reason`."""

    STATE = "state"
    """The state or the mode does not take it."""
    PLACE = "place"
    """The line is set to be commanded from elsewhere."""
    CAUSE = "cause"
    """The state would take it, but something that is present forbids it."""
    ARGUMENT = "argument"
    """There is no such command, or nothing of the name that was given."""


@_ordinary
@dataclass(frozen=True, slots=True)
class Reply:
    """The answer to a `Call`: accepted, or refused with the reason and no change."""

    call: Call
    accepted: bool
    reason: str = ""
    kind: Refusal | None = None
    """None where it was accepted, and where the line has ended."""


# What a scan reports, in the order in which it happened. `t_ns` is the scan's own time.


@dataclass(slots=True)
class ProductSeen:
    """A product's leading edge, at `lead_counts` of travel (the edge's own place, response removed)."""

    t_ns: int
    product: int
    lead_counts: float


@dataclass(slots=True)
class ProductDone:
    """A product with its length and fate; `trail_counts` None where its end was never seen."""

    t_ns: int
    product: int
    trail_counts: float | None
    length_mm: float | None
    fate: ProductFate
    marks: int
    wanted: int


@dataclass(slots=True)
class RequestMade:
    """A mark request: product, station, index on the product, and the travel at which it is due."""

    t_ns: int
    request: int
    product: int
    station: int
    index: int
    due_counts: float


@dataclass(slots=True)
class RequestDone:
    """A request's one fate.

    `target_counts` is the travel that was ordered (None: never ordered), `speed_mm_s` the speed predicted
    for the release, `released_counts` the travel at which the I/O side says it released.
    """

    t_ns: int
    request: int
    fate: Fate
    reason: Miss | None = None
    detail: str = ""
    token: int | None = None
    target_counts: int | None = None
    speed_mm_s: float | None = None
    released_counts: int | None = None


@dataclass(frozen=True, slots=True)
class StateChanged:
    """A change of the PackML state and what caused it."""

    t_ns: int
    old: State
    new: State
    cause: str


@dataclass(frozen=True, slots=True)
class ModeChanged:
    """A change of the unit mode."""

    t_ns: int
    old: Mode
    new: Mode
    who: str


@dataclass(frozen=True, slots=True)
class FaultChanged:
    """A fault raised, cleared or acknowledged; `first` when it is the first cause of the present stop."""

    t_ns: int
    fault: str
    phase: FaultPhase
    detail: str
    first: bool = False


@dataclass(frozen=True, slots=True)
class CallAnswered:
    """A command with who gave it and whether it was accepted."""

    t_ns: int
    reply: Reply


@dataclass(frozen=True, slots=True)
class TestMarked:
    """A test mark, counted apart from production."""

    t_ns: int
    station: int
    result: str
    released_counts: int | None


@dataclass(frozen=True, slots=True)
class CountersReset:
    """The job's counters were set back by someone; what is in flight goes on counting."""

    t_ns: int
    who: str


Event = (
    ProductSeen
    | ProductDone
    | RequestMade
    | RequestDone
    | StateChanged
    | ModeChanged
    | FaultChanged
    | CallAnswered
    | TestMarked
    | CountersReset
)


@dataclass(slots=True)
class Counters:
    """Sums over a run. They always balance (`balanced`); anything else is a defect of ours."""

    detected: int = 0
    products: dict[ProductFate, int] = field(
        default_factory=lambda: {f: 0 for f in ProductFate if f is not ProductFate.IN_FLIGHT}
    )
    created: int = 0
    marked: int = 0
    dry: int = 0
    missed: dict[Miss, int] = field(default_factory=lambda: dict.fromkeys(Miss, 0))
    test_marks: int = 0

    def copy(self) -> Counters:
        """The sums as they are now, which go on changing no more."""
        return Counters(
            self.detected, dict(self.products), self.created, self.marked, self.dry, dict(self.missed), self.test_marks
        )

    def balanced(self, in_flight: int, pending: int) -> bool:
        """Whether every product and every request is in exactly one place."""
        products = sum(self.products.values()) + in_flight
        requests = self.marked + self.dry + sum(self.missed.values()) + pending
        return self.detected == products and self.created == requests


@dataclass(slots=True, init=False)
class Outcome:
    """What one scan decided: the command block to write, what happened, and whether to exchange at once.

    `at_once` asks for an exchange without waiting for the next period: an order to place or an output
    that must drop. `send_at_ns` is the monotonic instant at which the command is to be sent, as exactly as can
    be: it carries a timed release. None: with the next period, or at once.
    """

    command: Command
    events: tuple[Event, ...]
    replies: tuple[Reply, ...]
    at_once: bool
    send_at_ns: int | None

    def __init__(
        self, command: Command, events: tuple[Event, ...], replies: tuple[Reply, ...], at_once: bool,
        send_at_ns: int | None = None,
    ) -> None:  # fmt: skip
        self.command, self.events, self.replies = command, events, replies
        self.at_once, self.send_at_ns = at_once, send_at_ns


@dataclass(slots=True, init=False)
class NextAct:
    """When the decision can next act: not before the belt reaches `counts` of travel nor before `at_ns`.

    Orders are left out: they hang on the speed of the moment. The rest holds unless an input other than the belt
    count changes, but for detector edges: the first one to come may wait to be read until the belt is
    `edge_waits[0]` counts past it, the one after that `edge_waits[1]`; one that finds no place there must be read by
    the next scan.
    """

    counts: float
    at_ns: int
    edge_waits: tuple[float, ...]

    def __init__(self, counts: float, at_ns: int, edge_waits: tuple[float, ...] = ()) -> None:
        self.counts, self.at_ns, self.edge_waits = counts, at_ns, edge_waits


@dataclass(frozen=True, slots=True)
class Forced:
    """An auxiliary output held by a person, for a check of its wiring."""

    name: str
    on: bool
    who: str
    since_ns: int
    boot_id: int
    """The run of the I/O side that it is held in: it does not come back with the power."""


@_ordinary
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


@_ordinary
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
