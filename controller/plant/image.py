"""What the servers for the plant are handed: images of the lines, made after a scan, and a way to give a command.

The servers run in a process of their own (`controller.plant.process`); nothing here touches a line.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from controller.model import Call, Reply
from controller.settings.plant import PlantSection
from controller.snapshot import Snapshot


class PlantError(Exception):
    """A server cannot be opened; one line that says which, why and what to do."""


@dataclass(frozen=True, slots=True)
class LineAbout:
    """What does not change of a line while it runs. Lengths in mm, speeds in mm/s, times in s."""

    name: str
    job: str
    job_number: int
    stations: tuple[str, ...]
    interlocks: tuple[str, ...]
    top_speed_mm_s: float
    scale_mm: float
    distance_mm: float
    """From the detector to the farthest station."""
    lost_after_s: float
    """Values older than that are stale."""
    period_s: float
    length_unit: str
    speed_unit: str


@dataclass(frozen=True, slots=True)
class LinkTiming:
    """How the scan and the link to the I/O side keep their time; sums since launch."""

    exchanges: int
    failed: int
    reconnects: int
    overruns: int
    link_limited: int
    exchange_median_us: float
    exchange_p99_us: float
    late_median_us: float
    late_p99_us: float


@dataclass(frozen=True, slots=True)
class LineImage:
    """One line as it was after a scan."""

    snapshot: Snapshot
    timing: LinkTiming
    wall_ns: int
    """Wall clock at `snapshot.t_ns`, for timestamps only."""


@dataclass(frozen=True, slots=True)
class LinePlan:
    """What of one line is to be served. `folder` is where the line's file is: paths in `section` start there."""

    about: LineAbout
    section: PlantSection
    folder: Path


Give = Callable[[str, Call], Awaitable[Reply]]
"""Give a call to the line of that name; it answers and never raises."""

Tell = Callable[[str, str, Mapping[str, str | int | float]], None]
"""Log one event: level ("info" or "warning"), what happened, words about it."""

TOLD_PER_MINUTE = 60
"""So many refusals are logged a minute; the rest are counted only, so that nobody fills the disk by knocking."""


class Desk:
    """What the servers of one process share: the way to the lines, the log, and the count of what was refused."""

    def __init__(self, give: Give, tell: Tell) -> None:
        self.give = give
        self._tell = tell
        self.refusals: Counter[str] = Counter()
        """Why → how often since launch: the reasons are few and fixed, such as "wrong password"."""
        self._minute, self._told = 0, 0

    def tell(self, level: str, what: str, **words: str | int | float) -> None:
        """Log one event in the controller's own log; `level` is "info" or "warning"."""
        self._tell(level, what, words)

    def refused(self, why: str, **words: str | int | float) -> None:
        """Count something refused, and log it with words about it unless too much was lately."""
        self.refusals[why] += 1
        minute = time.monotonic_ns() // 60_000_000_000
        if minute != self._minute:
            self._minute, self._told = minute, 0
        self._told += 1
        if self._told <= TOLD_PER_MINUTE:
            self.tell("warning", "refused", why=why, **words)
        if self._told == TOLD_PER_MINUTE:
            self.tell("warning", "more refusals of this minute are counted, not logged")


class PlantServer(Protocol):
    """One server for the plant, of one or more lines. All its calls come from one task of the plant's process."""

    async def open(self) -> None:
        """Begin to serve. Raises PlantError, one line, for what the user can mend."""
        ...

    async def publish(self, line: str, image: LineImage | None) -> None:
        """Show the line as it is now; None: the controller has fallen silent, what is shown is stale."""
        ...

    async def close(self) -> None:
        """End every connection and stop listening; harmless when it is not open."""
        ...
