"""Where the belt truly is: the exact integral of a speed profile, in mm against integer nanoseconds.

Rules of this file: a profile is cut once into pieces within which the belt never turns round, so each place is
passed at most once in a piece; positions come from closed forms, never from steps; a crossing is given as the
first whole nanosecond at which it has happened. Time zero of the profile may come later than time zero of the
clock: until `start` the belt stands.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass

NS = 1e-9
FOREVER_NS = 1 << 62
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
        self, begin_ns: int, end_ns: int, begin_mm: float, speed: float, accel: float = 0.0, amplitude: float = 0.0,
        omega: float = 0.0, phase: float = 0.0, *, running: bool,
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


class Belt:
    """The belt. Positions are mm of true belt travel since time zero; backing up makes them smaller."""

    def __init__(self, segments: Sequence[Segment], *, repeat: bool = False, start_ns: int | None = 0) -> None:
        self.zero_ns = start_ns
        self._pieces = cut(segments)
        self._begins = [p.begin_ns for p in self._pieces]
        last = self._pieces[-1]
        if repeat and last.end_ns >= FOREVER_NS:
            raise ValueError("a profile that repeats needs a duration on every segment")
        self._cycle_ns = last.end_ns if repeat else 0
        self._cycle_mm = last.end_mm if repeat else 0.0
        if repeat and self._cycle_mm < 0:
            raise ValueError("a profile that repeats must not end behind its beginning")
        if not repeat and last.end_ns < FOREVER_NS:
            speed = last.speed_mm_s(last.end_ns)  # a profile that ends goes on at its last speed
            self._pieces.append(Piece(last.end_ns, FOREVER_NS, last.end_mm, speed, running=last.running))
            self._begins.append(last.end_ns)
        self._ahead_min = _running_extreme(self._pieces, min)
        self._ahead_max = _running_extreme(self._pieces, max)
        self.backtrack_mm = self._greatest_backtrack_mm()
        self._near(0)

    def start(self, t_ns: int) -> None:
        """Begin the profile at this time of the clock."""
        self.zero_ns = t_ns
        self._near(t_ns)

    def _near(self, t_ns: int) -> None:
        """Keep the piece around a time at hand: nearly every question is about now."""
        self._from_ns = self._to_ns = 0
        if self.zero_ns is not None and t_ns >= self.zero_ns:
            self._index, self._base_mm, self._base_ns = self._locate(t_ns)
            self._piece = self._pieces[self._index]
            self._from_ns = self._base_ns + self._piece.begin_ns
            self._to_ns = self._base_ns + self._piece.end_ns

    def speeds_mm_s(self) -> list[float]:
        """Give the steady speeds of the profile other than standing, each once, in order of size."""
        return sorted({p.speed for p in self._pieces if p.running and not p.accel and not p.omega and p.speed})

    def speed_range_mm_s(self) -> tuple[float, float]:
        """Give the least and the greatest speed of the profile."""
        speeds: list[float] = []
        for p in self._pieces:
            if p.omega:
                speeds += [p.speed - p.amplitude, p.speed + p.amplitude]
            elif p.end_ns >= FOREVER_NS:
                speeds.append(p.speed)
            else:
                speeds += [p.speed, p.speed_mm_s(p.end_ns)]
        return min(speeds), max(speeds)

    def _locate(self, t_ns: int) -> tuple[int, float, int]:
        """Index of the piece, and the mm and ns to add to its own figures, at a time of the clock."""
        zero_ns = self.zero_ns
        assert zero_ns is not None
        t = t_ns - zero_ns
        if self._cycle_ns:
            cycle, t = divmod(t, self._cycle_ns)
            return bisect_right(self._begins, t) - 1, cycle * self._cycle_mm, zero_ns + cycle * self._cycle_ns
        return bisect_right(self._begins, t) - 1, 0.0, zero_ns

    def position_mm(self, t_ns: int) -> float:
        """Give true travel at a time of the clock."""
        if not self._from_ns <= t_ns < self._to_ns:
            if self.zero_ns is None or t_ns <= self.zero_ns:
                return 0.0
            self._near(t_ns)
        return self._base_mm + self._piece.position_mm(t_ns - self._base_ns)

    def positions_mm(self, times_ns: range) -> list[float]:
        """Give true travel at evenly spaced times of the clock."""
        first_ns, last_ns = times_ns[0], times_ns[-1]
        if not self._from_ns <= first_ns <= last_ns < self._to_ns:
            return [self.position_mm(t_ns) for t_ns in times_ns]
        base_mm, base_ns, piece = self._base_mm, self._base_ns, self._piece
        if piece.omega:
            return [base_mm + piece.position_mm(t_ns - base_ns) for t_ns in times_ns]
        begin_mm, begin_ns, speed, half = piece.begin_mm, base_ns + piece.begin_ns, piece.speed, 0.5 * piece.accel
        seconds = [(t_ns - begin_ns) * NS for t_ns in times_ns]
        return [base_mm + (begin_mm + s * (speed + half * s)) for s in seconds]

    def speed_mm_s(self, t_ns: int) -> float:
        """Give true speed at a time of the clock, negative backward."""
        if self.zero_ns is None or t_ns < self.zero_ns:
            return 0.0
        index, _, base_ns = self._locate(t_ns)
        return self._pieces[index].speed_mm_s(t_ns - base_ns)

    def running(self, t_ns: int) -> bool:
        """Whether the drive is commanded to move, even where the speed is momentarily zero."""
        if self.zero_ns is None or t_ns < self.zero_ns:
            return False
        return self._pieces[self._locate(t_ns)[0]].running

    def running_changes_ns(self, after_ns: int) -> int | None:
        """Give the next time after `after_ns` at which `running` changes; None: never, or not yet started."""
        if self.zero_ns is None:
            return None
        if after_ns < self.zero_ns:
            return self.zero_ns if self._pieces[0].running else self.running_changes_ns(self.zero_ns)
        index, _, base_ns = self._locate(after_ns)
        now = self._pieces[index].running
        for _ in range(2 * len(self._pieces)):
            index += 1
            if index == len(self._pieces):
                if not self._cycle_ns:
                    return None
                index, base_ns = 0, base_ns + self._cycle_ns
            if self._pieces[index].running != now:
                return base_ns + self._begins[index]
        return None

    def next_piece_ns(self, after_ns: int) -> int | None:
        """When the piece that the belt is in ends: no earlier than the belt next turns round. None: never."""
        if self.zero_ns is None:
            return None
        if after_ns < self.zero_ns:
            return self.zero_ns
        index, _, base_ns = self._locate(after_ns)
        return base_ns + self._pieces[index].end_ns

    def extreme_mm(self, from_ns: int, to_ns: int, direction: int) -> float:
        """Give the furthest place between two times: the greatest for direction +1, the least for −1."""
        best = max if direction > 0 else min
        found = best(self.position_mm(from_ns), self.position_mm(to_ns))
        if self._from_ns <= from_ns <= to_ns < self._to_ns:
            return found
        if self.zero_ns is None or to_ns <= self.zero_ns:
            return found
        index, base_mm, base_ns = self._locate(max(from_ns, self.zero_ns))
        while base_ns + self._pieces[index].end_ns < to_ns:
            found = best(found, base_mm + self._pieces[index].end_mm)
            index += 1
            if index == len(self._pieces):
                index, base_mm, base_ns = 0, base_mm + self._cycle_mm, base_ns + self._cycle_ns
        return found

    def next_reach_ns(self, position_mm: float, after_ns: int, direction: int) -> int | None:
        """First time from `after_ns` on with the belt at or past a place (+1), or short of it (−1); None: never.

        Where that holds already, the answer is `after_ns` itself.
        """
        here_mm = self.position_mm(after_ns)
        if here_mm >= position_mm if direction > 0 else here_mm < position_mm:
            return after_ns
        if self.zero_ns is None:
            return None
        if self._from_ns <= after_ns < self._to_ns:
            index, base_mm, base_ns = self._index, self._base_mm, self._base_ns
        else:
            after_ns = max(after_ns, self.zero_ns)
            index, base_mm, base_ns = self._locate(after_ns)
        while True:
            want_mm = position_mm - base_mm
            if direction > 0:
                possible = self._ahead_max[index] >= want_mm or self._cycle_mm > 0
                if self._cycle_ns and not self._cycle_mm:
                    possible = self._ahead_max[0] >= want_mm
            else:
                lowest_mm = self._ahead_min[index]
                if self._cycle_ns:
                    lowest_mm = min(lowest_mm, self._cycle_mm + self._ahead_min[0])
                possible = lowest_mm < want_mm
            if not possible:
                return None
            piece = self._pieces[index]
            passed = piece.end_mm >= want_mm if direction > 0 else piece.end_mm < want_mm
            if piece.direction == direction and passed:
                begin_ns = max(piece.begin_ns, after_ns - base_ns)
                return base_ns + _first_ns(piece, position_mm, base_mm, begin_ns, direction)
            index += 1
            if index == len(self._pieces):
                if not self._cycle_ns:
                    return None
                cycle = (base_ns - self.zero_ns) // self._cycle_ns + 1
                index, base_mm, base_ns = 0, cycle * self._cycle_mm, base_ns + self._cycle_ns
                missing_mm = position_mm - base_mm - self._ahead_max[0]
                if direction > 0 and missing_mm > 2.0 * self._cycle_mm:
                    # Cycles that surely do not come so far need not be walked through.
                    if missing_mm / self._cycle_mm * self._cycle_ns > FOREVER_NS:
                        return None
                    more = int(missing_mm / self._cycle_mm) - 1
                    base_mm, base_ns = (cycle + more) * self._cycle_mm, base_ns + more * self._cycle_ns

    def _greatest_backtrack_mm(self) -> float:
        """How far the belt ever runs back behind a place that it had reached."""
        top, back, base_mm = 0.0, 0.0, 0.0
        for _ in range(2 if self._cycle_ns else 1):  # a dip may reach from one cycle into the next, no further
            for piece in self._pieces:
                top = max(top, base_mm + piece.begin_mm)
                back = max(back, top - base_mm - piece.end_mm)
            base_mm += self._cycle_mm
        return back


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


def _ramp(begin_ns: int, turn_ns: int | None, end_ns: int, x_mm: float, speed: float, accel: float) -> list[Piece]:
    if turn_ns is None or not begin_ns < turn_ns < end_ns:
        return [Piece(begin_ns, end_ns, x_mm, speed, accel, running=True)]
    first = Piece(begin_ns, turn_ns, x_mm, speed, accel, running=True)
    return [first, Piece(turn_ns, end_ns, first.end_mm, first.speed_mm_s(turn_ns), accel, running=True)]


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
        pieces.append(Piece(at_ns, to_ns, x_mm, mean, 0.0, amplitude, omega, phase, running=True))
        x_mm = pieces[-1].end_mm
    return pieces


def _running_extreme(pieces: Sequence[Piece], best: Callable[[float, float], float]) -> list[float]:
    """For each piece the furthest place from its beginning to the end of the list."""
    found: list[float] = []
    last = pieces[-1].end_mm
    for piece in reversed(pieces):
        last = best(last, best(piece.begin_mm, piece.end_mm))
        found.append(last)
    return found[::-1]


def _first_ns(piece: Piece, place_mm: float, base_mm: float, from_ns: int, direction: int) -> int:
    """First whole ns of the piece, not before `from_ns`, with the place reached; it is reached by the piece's end."""

    def reached(t_ns: int) -> bool:
        here_mm = base_mm + piece.position_mm(t_ns)  # rounded as `Belt.position_mm` rounds, to agree to the last bit
        return here_mm >= place_mm if direction > 0 else here_mm < place_mm

    guess_s = min(piece.guess_s(place_mm - base_mm - piece.begin_mm), (piece.end_ns - piece.begin_ns) * NS)
    guess_ns = min(max(piece.begin_ns + math.ceil(guess_s / NS), from_ns), piece.end_ns)
    if guess_ns > from_ns and reached(guess_ns) and not reached(guess_ns - 1):
        return guess_ns
    # The guess is off by the rounding of a float at most, which is many ns only where the belt hardly moves:
    # widen in doubling steps until the crossing is enclosed, then halve.
    step = 1
    if reached(guess_ns):
        high = guess_ns
        low = high - step
        while low >= from_ns and reached(low):
            high, step = low, 2 * step
            low = high - step
        low = max(low, from_ns - 1)
    else:
        low = guess_ns
        high = low + step
        while high < piece.end_ns and not reached(high):
            low, step = high, 2 * step
            high = low + step
        high = min(high, piece.end_ns)
    while high - low > 1:
        middle = (low + high) // 2
        if reached(middle):
            high = middle
        else:
            low = middle
    return high
