"""The markers at their stations: each takes a trigger, begins its mark after its response, and rearms.

From the trigger until response + mark time + rearm a marker is busy, and ready is off. One whose busy tells of the mark
itself is busy only from the mark's beginning to its end. A disturbance may make it not
ready or faulty on top; a fault before the mark begins prevents the mark, one during it prevents the done report.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from heapq import heappop, heappush

from controller.registers import ReleaseResult, StationStatus
from sim.belt import Belt


@dataclass(frozen=True, slots=True)
class MarkerSpec:
    """A marker as built: its true distance from the eye in mm, its times in ns, its place in the compare.

    `length_mm` is the real length of a mark along the belt where travel paces it; None: what passes in its mark time.
    Only `window_mm` of belt can be reached while one mark is made; the rest of the mark is cut off.
    """

    distance_mm: float
    response_ns: int = 0
    mark_ns: int = 0
    rearm_ns: int = 0
    depth: int = 32
    length_mm: float | None = 0.0
    window_mm: float | None = None
    busy_marks: bool = False
    """Busy only while the mark is made."""


@dataclass(slots=True)
class MarkTruth:
    """A mark as it really began. `position_mm` is the belt's true travel then; `speed_mm_s` that at the release.

    `length_mm` is its real length along the belt.
    """

    token: int
    station: int
    raw: int
    release_ns: int
    mark_ns: int
    position_mm: float
    speed_mm_s: float
    length_mm: float = 0.0


class Marker:
    """One marker's present state."""

    __slots__ = ("_begin_ns", "_busy_until_ns", "_done_ns", "_end_ns", "done_total", "fault", "not_ready", "spec")

    def __init__(self, spec: MarkerSpec) -> None:
        self.spec = spec
        self.done_total = 0
        self.fault = False
        self.not_ready = False
        self._begin_ns = self._end_ns = self._busy_until_ns = 0
        self._done_ns: int | None = None

    def busy(self, t_ns: int) -> bool:
        """Whether it says that it is busy: with a mark or the rearming after it, or with the mark alone."""
        if self.spec.busy_marks:
            return self._begin_ns <= t_ns < self._end_ns
        return t_ns < self._busy_until_ns

    @property
    def complete(self) -> bool:
        """Whether the last mark taken is complete; False before the first."""
        return self.done_total > 0 and self._done_ns is None

    def unready_ns(self, t_ns: int) -> int | None:
        """When a busy marker will be neither busy nor ready, for a fault or as not ready; None: not to be expected.

        One that is also so for a while at each mark: when it next begins or ends being so.
        """
        if self.spec.busy_marks:
            return min(
                (at_ns for at_ns in (self._begin_ns, self._end_ns, self._busy_until_ns) if at_ns > t_ns), default=None
            )
        return self._busy_until_ns if (self.fault or self.not_ready) and self.busy(t_ns) else None

    def ready(self, t_ns: int) -> bool:
        """Whether a trigger would be taken."""
        return not (self.fault or self.not_ready or t_ns < self._busy_until_ns)

    def trigger(self, t_ns: int) -> int:
        """Take a trigger; gives the time at which the mark begins."""
        self.settle(t_ns)
        begin_ns = t_ns + self.spec.response_ns
        self._begin_ns, self._end_ns = begin_ns, begin_ns + self.spec.mark_ns
        self._done_ns = self._end_ns
        self._busy_until_ns = self._end_ns + self.spec.rearm_ns
        return begin_ns

    def settle(self, t_ns: int) -> None:
        """Count a mark that is complete by now."""
        if self._done_ns is not None and self._done_ns <= t_ns:
            self.done_total = (self.done_total + 1) & 0xFFFF
            self._done_ns = None

    def break_down(self, t_ns: int) -> None:
        """Raise the fault; a mark in progress is never reported done."""
        self.settle(t_ns)
        self.fault = True
        self._done_ns = None

    def status(self, armed: int, t_ns: int) -> StationStatus:
        """Say how the station stands."""
        self.settle(t_ns)
        return StationStatus(
            armed, self.spec.depth, self.ready(t_ns), self.busy(t_ns), self.fault, self.done_total
        )  # fmt: skip


class Markers:
    """All markers of the line. Without rule 7 one that cannot take a trigger is triggered all the same, in vain."""

    def __init__(
        self, specs: Sequence[MarkerSpec], belt: Belt, rules_off: frozenset[int],
        on_mark: Callable[[MarkTruth], None],
    ) -> None:  # fmt: skip
        self._belt = belt
        self._force = 7 in rules_off
        self._on_mark = on_mark
        self._coming: list[tuple[int, int, MarkTruth]] = []
        self._number = 0
        self.each = [Marker(s) for s in specs]

    @property
    def next_ns(self) -> int | None:
        """When the next mark begins that has been triggered and has not begun."""
        return self._coming[0][0] if self._coming else None

    def unready_ns(self, t_ns: int) -> int | None:
        """When the first of the busy ones will be neither busy nor ready; None: not to be expected."""
        times_ns = [at_ns for marker in self.each if (at_ns := marker.unready_ns(t_ns)) is not None]
        return min(times_ns) if times_ns else None

    def step(self) -> None:
        """Begin the mark due at `next_ns`, unless its marker has broken down since."""
        truth = heappop(self._coming)[2]
        if not self.each[truth.station].fault:
            self._on_mark(truth)

    def trigger(self, token: int, station: int, raw: int, t_ns: int) -> ReleaseResult:
        """Trigger a marker at the count."""
        marker = self.each[station]
        if not marker.ready(t_ns):
            if self._force:
                return ReleaseResult.RELEASED
            return ReleaseResult.MARKER_BUSY if marker.busy(t_ns) else ReleaseResult.MARKER_NOT_READY
        mark_ns = marker.trigger(t_ns)
        place_mm, speed_mm_s = self._belt.position_mm(mark_ns), self._belt.speed_mm_s(t_ns)
        length_mm = self._length_mm(marker.spec, mark_ns, place_mm)
        truth = MarkTruth(token, station, raw, t_ns, mark_ns, place_mm, speed_mm_s, length_mm)
        if mark_ns == t_ns:
            self._on_mark(truth)
        else:
            self._number += 1
            heappush(self._coming, (mark_ns, self._number, truth))
        return ReleaseResult.RELEASED

    def _length_mm(self, spec: MarkerSpec, mark_ns: int, place_mm: float) -> float:
        """How long the mark that begins then becomes along the belt."""
        if spec.length_mm is not None and spec.window_mm is None:
            return spec.length_mm
        passed_mm = self._belt.position_mm(mark_ns + spec.mark_ns) - place_mm
        length_mm = passed_mm if spec.length_mm is None else spec.length_mm
        if spec.window_mm is None or passed_mm <= spec.window_mm:
            return length_mm
        return length_mm * spec.window_mm / passed_mm
