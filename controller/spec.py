"""A line as the decision core sees it: plain numbers in mm, mm/s, s and counts, already checked.

Made from the configuration by `controller.settings`; made by hand in tests. Nothing here reads a file.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum


class PlanEdge(StrEnum):
    """The product edge that positions of marks count from."""

    LEADING = "leading"
    TRAILING = "trailing"


class Material(StrEnum):
    """Separate products, or endless material under an eye that stays blocked."""

    DISCRETE = "discrete"
    WEB = "web"


class Grid(StrEnum):
    """Where the grid of marks on a web begins."""

    EDGE = "edge"
    START = "start"
    PHASE = "phase"


@dataclass(frozen=True, slots=True)
class Counter:
    """The belt counter: how many values it has before it wraps, and which way forward travel counts."""

    modulus: int = 1 << 32
    sense: int = 1
    greatest_counts_s: float | None = None
    """Faster it loses counts; None: not known to."""

    def __post_init__(self) -> None:
        if self.modulus < 4 or self.modulus % 2:
            raise ValueError("a counter needs an even modulus of at least 4")
        if self.sense not in (1, -1):
            raise ValueError("sense is +1 or -1")


@dataclass(frozen=True, slots=True)
class Detector:
    """The product sensor and the filters on its edges."""

    captured: bool = True
    response_s: float = 0.0
    least_length_mm: float = 0.0
    least_gap_mm: float = 0.0
    hold_off_mm: float = 0.0
    jam_length_mm: float | None = None
    """Blocked over more belt than this is a jam; None: never (endless material)."""
    silent_after_s: float | None = None
    """No product for so long while running is a warning; None: never."""


@dataclass(frozen=True, slots=True)
class MarkPlan:
    """Where the marks go on a product.

    `count` None means continuously while material lasts. `length_mm` is the mark's length along the belt;
    `keep_on_product` refuses a mark that would run off the trailing edge.
    """

    edge: PlanEdge = PlanEdge.LEADING
    offset_mm: float = 0.0
    pitch_mm: float = 0.0
    count: int | None = 1
    length_mm: float = 0.0
    keep_on_product: bool = False


class ReleasePath(StrEnum):
    """How a station's marker is told to mark.

    COMPARE: a target sent ahead, released by the I/O side at the count. TIMED: an order sent at the instant at which it
    arrives as the belt crosses the target. SCAN: a plain output, set in the scan that comes nearest.
    """

    COMPARE = "compare"
    TIMED = "timed"
    SCAN = "scan"


@dataclass(frozen=True, slots=True)
class Station:
    """A marker downstream of the detector."""

    name: str
    distance_mm: float
    plan: MarkPlan
    response_s: float = 0.0
    mark_time_s: float = 0.0
    rearm_s: float = 0.0
    max_speed_mm_s: float | None = None
    """Faster than this the marker would be cut short: the mark is missed as too fast."""
    release: ReleasePath = ReleasePath.COMPARE
    window_mm: float = 2.0
    """A timed or scan release is permitted so much belt before and after its target; outside it is a miss."""
    mark_window_mm: float | None = None
    """So much belt may pass while one mark is made; None: the marker follows as far as it takes."""

    @property
    def window_speed_mm_s(self) -> float | None:
        """Up to this speed a mark is finished within the marking window, in mm/s; None: at any."""
        if self.mark_window_mm is None or self.mark_time_s <= 0.0:
            return None
        return self.mark_window_mm / self.mark_time_s

    @property
    def cut_off_mm_s(self) -> float | None:
        """Beyond this speed a mark would be cut short, in mm/s; None: never."""
        known = [speed for speed in (self.max_speed_mm_s, self.window_speed_mm_s) if speed is not None]
        return min(known, default=None)


class Pacing(StrEnum):
    """What a marker paces itself from along the belt."""

    SHARED_COUNT = "shared count"
    OWN_ENCODER = "own encoder"
    OWN_TIME_BASE = "own time base"


TELL_GRACE_S = 0.1
"""A marker may be so late in telling that it marks."""


@dataclass(frozen=True, slots=True)
class PlainStation:
    """A marker at a plain output: how long its trigger is held, and whether the marker tells that it marks."""

    width_s: float = 0.02
    told: bool = False
    """A busy or done input tells that the mark was made; else the answer to the write must do."""


@dataclass(frozen=True, slots=True)
class Plain:
    """A device of plain inputs and outputs, which keeps none of the field block's rules by itself.

    An exchange reads all inputs and then writes all outputs, in so many requests of which the last read brings the
    count. `io_scan_s` is how often the device takes its inputs and sets its outputs.
    """

    stations: tuple[PlainStation, ...]
    requests: int = 2
    io_scan_s: float = 0.0
    has_enable: bool = True
    """Whether there is an output that permits marking, beside the triggers."""
    watchdog_s: float | None = None
    """Not written for so long, the device drops all its outputs; None: it has no watchdog."""
    one_shot: bool = False
    """The device ends a trigger's pulse by itself."""
    unproven: str = ""
    """Why this line may be run dry only; empty where a kept cable-pull test proves that the outputs drop."""

    @property
    def act_share(self) -> float:
        """When an output acts, in exchanges after the sending, by a fit that dates counts at the middle of theirs."""
        return 0.5 + 1.0 / self.requests


@dataclass(frozen=True, slots=True)
class Limits:
    """Figures that bound what the core waits for; each is named where it is used."""

    lease_s: float = 0.1
    link_lost_s: float = 0.1
    """No good exchange for so long is a lost link."""
    enable_s: float = 1.0
    """Starting, Unholding and Unsuspending raise enable within this time or abort."""
    stop_s: float = 2.0
    """Stopping, Holding, Suspending and Aborting wait so long for a mark in progress and for withdrawals."""
    order_s: float = 0.5
    """An order not answered for so long, over a link that answers, is a fault."""
    stall_s: float = 0.5
    """Drive running without a count for so long is a stalled encoder."""
    least_lead_s: float = 0.0
    """Added to the measured lead, for a device that needs time to take up an order."""
    misses_in_a_row: int = 10
    """So many misses one after the other hold the line; 0: never."""


@dataclass(frozen=True, slots=True)
class LineSpec:
    """Everything the core must know of one line."""

    name: str
    scale_mm: float
    stations: tuple[Station, ...]
    counter: Counter = Counter()
    detector: Detector = Detector()
    limits: Limits = Limits()
    material: Material = Material.DISCRETE
    grid: Grid = Grid.EDGE
    top_speed_mm_s: float = 1000.0
    max_accel_mm_s2: float = 1000.0
    period_s: float = 0.005
    exchange_s: float = 0.005
    """The worst exchange to reckon with until the link itself has shown one."""
    has_drive: bool = True
    """Whether the line tells that its drive runs."""
    plain: Plain | None = None
    """What the I/O side is where it is no field block; None: it is one."""
    job_number: int = 0
    job_name: str = ""
    interlocks: dict[int, str] = field(default_factory=dict)
    """Bit of the interlocks register → the name of the interlock."""
    auxiliary: tuple[str, ...] = ("line_stop", "running")
    """The outputs that the I/O side has beside those for marking; they may be forced for a check of the wiring."""
    auto_unsuspend: bool = False
    dry: bool = False
    remote: bool = False
    raised_reactions: dict[str, str] = field(default_factory=dict)
    """Fault name → a stronger reaction than the table's, as the plant wishes."""

    def told_within_ns(self, station: int) -> int:
        """How long after its trigger a marker behind plain inputs may take to tell that it marks; 0: it does not."""
        if self.plain is None or not self.plain.stations[station].told:
            return 0
        marker = self.stations[station]
        return round((marker.response_s + marker.mark_time_s + marker.rearm_s + TELL_GRACE_S) * 1e9)
