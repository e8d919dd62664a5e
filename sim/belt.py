"""Where the belt truly is: the exact integral of a speed profile, in mm against integer nanoseconds.

A crossing is given as the first whole nanosecond at which it has happened. Time zero of the profile may come later
than time zero of the clock: until `start` the belt stands.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable, Sequence

from sim.profile import FOREVER_NS, NS, Hunting, Piece, Ramp, Segment, Slip, Steady, cut, slipped

__all__ = ["FOREVER_NS", "Belt", "Hunting", "Ramp", "Segment", "Slip", "Steady"]


class Belt:
    """The belt. Positions are mm of true belt travel since time zero; backing up makes them smaller."""

    def __init__(
        self, segments: Sequence[Segment], *, repeat: bool = False, start_ns: int | None = 0, slip: Slip | None = None
    ) -> None:
        """With `slip` it is the belt as a wheel goes over it that slips in starts and stops."""
        self.zero_ns = start_ns
        self._pieces = cut(segments)
        last = self._pieces[-1]
        if not repeat and last.end_ns < FOREVER_NS:
            speed = last.speed_mm_s(last.end_ns)  # a profile that ends goes on at its last speed
            self._pieces.append(Piece(last.end_ns, FOREVER_NS, last.end_mm, speed, running=last.running))
        if slip is not None:
            self._pieces = slipped(self._pieces, slip)
        self._begins = [p.begin_ns for p in self._pieces]
        last = self._pieces[-1]
        if repeat and last.end_ns >= FOREVER_NS:
            raise ValueError("a profile that repeats needs a duration on every segment")
        self._cycle_ns = last.end_ns if repeat else 0
        self._cycle_mm = last.end_mm if repeat else 0.0
        if repeat and self._cycle_mm < 0:
            raise ValueError("a profile that repeats must not end behind its beginning")
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
        begin_mm, begin_ns, speed, half = piece.begin_mm, base_ns + piece.begin_ns, piece.speed, 0.5 * piece.accel
        seconds = [(t_ns - begin_ns) * NS for t_ns in times_ns]
        if piece.omega:
            # As `Piece.position_mm` has it, to the last bit.
            omega, phase, cos, swing_mm = piece.omega, piece.phase, math.cos, piece.amplitude / piece.omega
            first = cos(phase)
            return [base_mm + (begin_mm + speed * s + swing_mm * (first - cos(omega * s + phase))) for s in seconds]
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
