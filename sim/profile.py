"""A speed profile: what it is written as, and the pieces it is cut into once.

Within a piece the belt never turns round, so each place is passed at most once in it; positions come from closed
forms, never from steps.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

NS: Final = 1e-9
FOREVER_NS: Final = 1 << 62
"""More than a century: what has no end ends here."""


@dataclass(frozen=True, slots=True)
class Steady:
    """Constant speed: forward, creeping, standing (0) or backing up (negative). None lasts for ever."""

    speed_mm_s: float
    duration_ns: int | None = None


@dataclass(frozen=True, slots=True)
class Ramp:
    """Constant acceleration from the speed before to `to_mm_s`."""

    to_mm_s: float
    duration_ns: int


@dataclass(frozen=True, slots=True)
class Hunting:
    """A speed that swings: mean ± amplitude as a sine that begins at the mean and rises."""

    mean_mm_s: float
    amplitude_mm_s: float
    frequency_hz: float
    duration_ns: int


Segment = Steady | Ramp | Hunting


class Piece:
    """A stretch without a turn. `direction` is +1, −1 or 0."""

    __slots__ = ("accel", "amplitude", "begin_mm", "begin_ns", "direction", "end_mm", "end_ns", "omega", "phase",
                 "running", "speed")  # fmt: skip

    def __init__(
        self, begin_ns: int, end_ns: int, begin_mm: float, speed: float, running: bool, accel: float = 0.0,
        amplitude: float = 0.0, omega: float = 0.0, phase: float = 0.0,
    ) -> None:  # fmt: skip
        self.begin_ns, self.end_ns, self.begin_mm = begin_ns, end_ns, begin_mm
        self.speed, self.accel, self.amplitude, self.omega, self.phase = speed, accel, amplitude, omega, phase
        self.running = running
        self.end_mm = self.position_mm(end_ns)
        self.direction = (self.end_mm > begin_mm) - (self.end_mm < begin_mm)

    def position_mm(self, t_ns: int) -> float:
        """Place at a time of the profile, counted from the profile's own beginning."""
        s = (t_ns - self.begin_ns) * NS
        if self.omega:
            swing = self.amplitude / self.omega * (math.cos(self.phase) - math.cos(self.omega * s + self.phase))
            return self.begin_mm + self.speed * s + swing
        return self.begin_mm + s * (self.speed + 0.5 * self.accel * s)

    def speed_mm_s(self, t_ns: int) -> float:
        """Speed at a time of the profile."""
        s = (t_ns - self.begin_ns) * NS
        if self.omega:
            return self.speed + self.amplitude * math.sin(self.omega * s + self.phase)
        return self.speed + self.accel * s

    def guess_s(self, travel_mm: float) -> float:
        """About how long after its beginning the piece has covered `travel_mm`."""
        if not self.omega:
            root = math.sqrt(max(0.0, self.speed * self.speed + 2.0 * self.accel * travel_mm))
            below = self.speed + math.copysign(root, self.direction)
            return 2.0 * travel_mm / below if below else 0.0
        low, high = 0.0, (self.end_ns - self.begin_ns) * NS
        s = min(high, travel_mm / self.speed) if self.speed else 0.5 * high
        for _ in range(60):  # Newton, falling back on halving wherever it would leave the bracket
            angle = self.omega * s + self.phase
            missing = (
                travel_mm - self.speed * s - self.amplitude / self.omega * (math.cos(self.phase) - math.cos(angle))
            )
            if missing * self.direction > 0:
                low = s
            else:
                high = s
            speed = self.speed + self.amplitude * math.sin(angle)
            following = s + missing / speed if speed else math.inf
            if not low <= following <= high:
                following = 0.5 * (low + high)
            if abs(following - s) < 2e-10:
                return following
            s = following
        return s


def cut(segments: Sequence[Segment]) -> list[Piece]:
    """Give the pieces of a profile, in order. Raises ValueError where a segment makes no sense."""
    if not segments:
        raise ValueError("a speed profile needs at least one segment")
    pieces: list[Piece] = []
    t_ns, x_mm, speed = 0, 0.0, 0.0
    for number, segment in enumerate(segments, 1):
        duration_ns = segment.duration_ns
        if duration_ns is None and number < len(segments):
            raise ValueError(f"segment {number} has no duration, so what follows it never comes")
        if duration_ns is not None and duration_ns <= 0:
            raise ValueError(f"segment {number} needs a duration above zero")
        end_ns = FOREVER_NS if duration_ns is None else t_ns + duration_ns
        match segment:
            case Steady(speed_mm_s=steady):
                speed = steady
                pieces.append(Piece(t_ns, end_ns, x_mm, speed, running=speed != 0.0))
            case Ramp(to_mm_s=to):
                accel = (to - speed) / ((end_ns - t_ns) * NS)
                turn_ns = t_ns + round(-speed / accel / NS) if speed * to < 0 else None
                pieces += _ramp(t_ns, turn_ns, end_ns, x_mm, speed, accel)
                speed = to
            case Hunting():
                pieces += _hunting(segment, t_ns, end_ns, x_mm)
                speed = pieces[-1].speed_mm_s(end_ns)
        t_ns, x_mm = end_ns, pieces[-1].end_mm
    return pieces


@dataclass(frozen=True, slots=True)
class Slip:
    """What part of the belt's travel a wheel loses while the belt gains speed, and while it loses speed.

    Negative: the wheel runs ahead, as by its own mass. Only ramps have travel while the speed changes.
    """

    starting: float = 0.0
    stopping: float = 0.0

    def __post_init__(self) -> None:
        if not all(-1.0 < part < 1.0 for part in (self.starting, self.stopping)):
            raise ValueError("slip in starts and stops is a fraction between -1 and 1")

    @property
    def greatest(self) -> float:
        """The greater of the two, whichever way."""
        return max(abs(self.starting), abs(self.stopping))


def slipped(pieces: Sequence[Piece], slip: Slip) -> list[Piece]:
    """Give the pieces as a wheel on the belt goes through them that slips while the speed changes."""
    wheel: list[Piece] = []
    x_mm = 0.0
    for p in pieces:
        part = 1.0
        if p.accel:
            part -= slip.starting if p.speed * p.accel >= 0.0 else slip.stopping
        wheel.append(
            Piece(p.begin_ns, p.end_ns, x_mm, p.speed * part, p.running, p.accel * part, p.amplitude, p.omega, p.phase)
        )
        x_mm = wheel[-1].end_mm
    return wheel


def _ramp(begin_ns: int, turn_ns: int | None, end_ns: int, x_mm: float, speed: float, accel: float) -> list[Piece]:
    if turn_ns is None or not begin_ns < turn_ns < end_ns:
        return [Piece(begin_ns, end_ns, x_mm, speed, True, accel)]
    first = Piece(begin_ns, turn_ns, x_mm, speed, True, accel)
    return [first, Piece(turn_ns, end_ns, first.end_mm, first.speed_mm_s(turn_ns), True, accel)]


def _hunting(segment: Hunting, begin_ns: int, end_ns: int, x_mm: float) -> list[Piece]:
    """One piece where the swing never turns the belt round, else one for each turn."""
    omega = 2.0 * math.pi * segment.frequency_hz
    mean, amplitude = segment.mean_mm_s, segment.amplitude_mm_s
    if omega <= 0 or amplitude < 0:
        raise ValueError("hunting needs a frequency above zero and an amplitude of zero or more")
    edges_ns = [begin_ns]
    if abs(mean) < amplitude:
        turn = math.asin(-mean / amplitude)
        angles = sorted(a % (2.0 * math.pi) for a in (turn, math.pi - turn))
        cycle = 0
        while edges_ns[-1] < end_ns:
            edges_ns += [begin_ns + round((a + 2.0 * math.pi * cycle) / omega / NS) for a in angles]
            cycle += 1
        edges_ns = sorted({t for t in edges_ns if begin_ns <= t < end_ns})
    pieces: list[Piece] = []
    for at_ns, to_ns in zip(edges_ns, [*edges_ns[1:], end_ns], strict=True):
        phase = omega * (at_ns - begin_ns) * NS
        pieces.append(Piece(at_ns, to_ns, x_mm, mean, True, 0.0, amplitude, omega, phase))
        x_mm = pieces[-1].end_mm
    return pieces
