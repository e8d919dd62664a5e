"""What a scan reports, in the order in which it happened. `t_ns` is the scan's own time, in monotonic ns.

Travel is the unwrapped, direction-corrected signed count since start. Values made with every product are not frozen,
which would double the time to make them; nobody changes one all the same.
"""

from __future__ import annotations

from dataclasses import dataclass

from controller.model import Fate, FaultPhase, Miss, Mode, ProductFate, Reply, State


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
