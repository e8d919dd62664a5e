"""What a trial is given and what it says. Lengths in mm, speeds in mm/s, delays in s. Pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from controller.commissioning.correction import Correction
from controller.commissioning.least_squares import student
from controller.commissioning.mark_length import Length
from controller.commissioning.uncertainty import Array
from controller.spec import Pacing


class Term(StrEnum):
    """What may be wrong."""

    DISTANCE = "distance"
    DELAY = "delay"
    SCALE = "scale"


class Why(StrEnum):
    """Why something cannot be known from these marks."""

    ONE_SPEED = "one speed"
    ONE_DISTANCE = "one distance"
    TOGETHER = "speed and distance changed together"


@dataclass(frozen=True, slots=True)
class Marks:
    """What was measured, an entry a mark; NaN where a length is not. Each step is the smallest that was read in."""

    speed_mm_s: Array
    position_mm: Array
    length_mm: Array | None = None
    distance_mm: Array | None = None
    position_step_mm: float = 0.0
    length_step_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Setup:
    """The line as it stood in the trial, and what is wanted of it. `response_s` is the configured one."""

    offset_mm: float
    distance_mm: float
    response_s: float
    lowest_mm_s: float
    highest_mm_s: float
    tolerance_mm: float
    design_length_mm: float | None = None
    pacing: Pacing | None = None
    count_mm: float = 0.0
    """The belt for one count; marks are released at whole counts."""


@dataclass(frozen=True, slots=True)
class Interval:
    """A value and the interval that covers the truth with 95 % confidence."""

    value: float
    half_width: float

    @property
    def low(self) -> float:
        """The lower end."""
        return self.value - self.half_width

    @property
    def high(self) -> float:
        """The upper end."""
        return self.value + self.half_width

    @property
    def shows(self) -> bool:
        """Whether it leaves zero out."""
        return abs(self.value) > self.half_width

    def within(self, limit: float) -> bool:
        """Whether all of it lies within ± limit."""
        return abs(self.value) + self.half_width <= limit


@dataclass(frozen=True, slots=True)
class Mean:
    """The mean error in mm at the line's distance and a speed, its standard uncertainty and the degrees of freedom."""

    value_mm: float
    u_mm: float
    dof: float

    def interval(self, confidence: float = 0.95) -> Interval:
        """The interval that covers the true mean with this confidence."""
        return Interval(self.value_mm, student(self.dof, confidence) * self.u_mm)


@dataclass(frozen=True, slots=True)
class Predicted:
    """The mean error at a speed, as the line stands and after the changes; `mark_half_width` is for a single mark."""

    speed_mm_s: float
    now: Interval
    after: Interval
    mark_half_width: float


@dataclass(frozen=True, slots=True)
class AtSpeed:
    """The marks of one speed: how many, their mean error, and their scatter about it (0: only one)."""

    speed_mm_s: float
    n: int
    mean_mm: float
    scatter_mm: float


@dataclass(frozen=True, slots=True)
class Trial:
    """All that a trial says. `outliers` are indices of the marks that were left out."""

    terms: dict[Term, Interval]
    unknown: dict[Term, Why]
    standstill: Interval | None
    """The whole error at the line's distance and speed zero, where the marks tell it."""
    scatter_mm: float
    scatter_dof: float
    by_speed: list[AtSpeed]
    unequal: bool
    """Whether the scatter differs between speeds beyond chance; intervals then go by each speed's own."""
    lack_of_fit_p: float | None
    outliers: list[int]
    length: Length | None
    scales_apart: tuple[Interval, Interval] | None
    """The scale's error by positions and by lengths where they do not agree; the lengths are then left out."""
    correction: Correction | None
    mean: Callable[[float], Mean | None]
    """The mean error, as the line stands, at any speed in mm/s; None where the marks do not tell it."""
    predict: Callable[[float], Predicted | None]
    """The mean error at any speed in mm/s, at the line's distance; None where the marks do not tell it."""
    predicted: list[Predicted]
    """At the line's lowest and highest speed, where it is told."""
    within_tolerance: bool | None
    within_after: bool | None
