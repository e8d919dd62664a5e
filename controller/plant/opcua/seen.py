"""One line as its values see it: the image, how fresh it is, and wall times that stand still."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from asyncua import ua

from controller.plant.image import LineAbout, LineImage, LinkTiming
from controller.snapshot import FaultView, Snapshot
from controller.units import to_unit


@dataclass(frozen=True, slots=True)
class Bad:
    """No value, and why: an OPC UA status code."""

    code: int


WAITING = Bad(ua.StatusCodes.BadWaitingForInitialData)
INACTIVE = Bad(ua.StatusCodes.BadStateNotActive)
NOT_CONNECTED = Bad(ua.StatusCodes.BadNotConnected)


def wall(ns: int) -> datetime:
    """A wall clock's ns as a time."""
    return datetime.fromtimestamp(ns / 1e9, UTC)


class Memory:
    """What one line's values need of the past: wall times that stand still, and sums that are never set back."""

    MOST = 500

    def __init__(self) -> None:
        self.answer = ""
        """What the last command from here was answered."""
        self._times: dict[object, datetime] = {}
        self._sums: dict[str, tuple[int, int]] = {}

    def time(self, key: object, ns: int) -> datetime:
        """The wall time first given for that key: reckoned anew each time, it would seem to change."""
        found = self._times.get(key)
        if found is None:
            if len(self._times) >= self.MOST:
                self._times.clear()
            found = self._times[key] = wall(ns)
        return found

    def total(self, name: str, number: int) -> int:
        """A counter's sum over all its resets; what was counted in the period of a reset may be missing in it."""
        last, before = self._sums.get(name, (0, 0))
        before += max(0, last - number)
        self._sums[name] = (number, before)
        return before + number


@dataclass(slots=True)
class Seen:
    """What values are taken from. Lengths and speeds come out in the line's own units."""

    about: LineAbout
    image: LineImage
    memory: Memory
    snapshot: Snapshot = field(init=False)
    timing: LinkTiming = field(init=False)
    faults: dict[str, FaultView] = field(init=False)
    stale: bool = field(init=False)
    """The I/O side's last answer is older than `lost_after_s`, or there was none."""

    def __post_init__(self) -> None:
        self.snapshot, self.timing = self.image.snapshot, self.image.timing
        self.faults = {view.name: view for view in self.snapshot.faults}
        age_ns = self.snapshot.status_age_ns
        self.stale = age_ns is None or age_ns > self.about.lost_after_s * 1e9

    def length(self, mm: float) -> float:
        """A length in the line's unit."""
        return to_unit(mm, self.about.length_unit)

    def speed(self, mm_s: float) -> float:
        """A speed in the line's unit."""
        return to_unit(mm_s, self.about.speed_unit)

    def since(self, t_ns: int) -> datetime:
        """The wall time of a monotonic instant in the past."""
        return self.memory.time(t_ns, self.image.wall_ns - (self.snapshot.t_ns - t_ns))

    def acknowledged_at(self, view: FaultView) -> datetime:
        """When a fault was first seen acknowledged: at most one period after it was."""
        return self.memory.time((view.name, view.since_ns), self.image.wall_ns)


@dataclass(frozen=True, slots=True)
class Analog:
    """An analogue value's unit, by its name in `eu.CODES`, and the range to be expected in that unit."""

    unit: str
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Point:
    """One value of a line: where it stands, its type, and what it is now."""

    path: str
    """Under the line's object, with slashes."""
    type: ua.VariantType
    get: Callable[[Seen], Any]
    """The value, or `Bad`."""
    text: str = ""
    acquired: bool = False
    """It comes from the I/O side: as old as its last answer, and uncertain when that is stale."""
    analog: Callable[[LineAbout], Analog] | None = None
    """Of every analogue value."""
    structure: str = ""
    """The PackML structure where it is one or an array of them."""
    array: bool = False
