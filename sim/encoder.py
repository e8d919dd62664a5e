"""The wheel and its counter: true belt travel turned into raw counts, and counts into times.

`travel` here is the counter's own unwrapped travel since time zero, upward with true forward movement:
travel T is the stretch of belt [T, T + 1) × `mm_per_count`. The raw value adds the start count, the sense in which
the encoder is wired, and the wrap. A wheel that is dirty or out of true takes more belt for a count on one side of a
turn than on the other; the mean over a turn stays. A wheel that slips in starts and stops goes over a belt of its own
(`sim.belt`), which is that much shorter.
"""

from __future__ import annotations

import math

from sim.belt import Belt


class Encoder:
    """An encoder. `mm_per_count` is the true length of the belt under its wheel that one count is, slip included.

    By the part `uneven` of it that length swings as a cosine of the wheel's angle, once in `turn_mm` of belt.
    """

    __slots__ = ("_start", "_turn_counts", "_uneven", "belt", "mm_per_count", "modulus", "sense")

    def __init__(
        self, belt: Belt, wheel_mm_per_count: float, *, slip: float = 0.0, start: int = 0,
        modulus: int = 1 << 32, sense: int = 1, uneven: float = 0.0, turn_mm: float = math.inf,
    ) -> None:  # fmt: skip
        if wheel_mm_per_count <= 0:
            raise ValueError("a count must stand for more than 0 mm")
        if not 0.0 <= slip < 1.0:
            raise ValueError("slip is a fraction from 0 up to, not including, 1")
        if modulus < 4 or modulus % 2:
            raise ValueError("a counter needs an even modulus of at least 4")
        if sense not in (1, -1):
            raise ValueError("sense is +1 or -1")
        if not 0.0 <= uneven < 0.5 or (uneven and not 0.0 < turn_mm < math.inf):
            raise ValueError("unevenness is a fraction from 0 up to, not including, 0.5, of a turn with a length")
        self.belt = belt
        self.mm_per_count = wheel_mm_per_count / (1.0 - slip)
        self.modulus = modulus
        self.sense = sense
        self._start = start
        self._uneven = uneven
        self._turn_counts = turn_mm / self.mm_per_count

    def start(self, t_ns: int) -> None:
        """Begin the profile of the belt under the wheel at this time of the clock."""
        self.belt.start(t_ns)

    def place_mm(self, travel: int) -> float:
        """Give the place of the belt under the wheel at which a travel begins."""
        if not self._uneven:
            return travel * self.mm_per_count
        radian = self._turn_counts / (2.0 * math.pi)
        return (travel + self._uneven * radian * math.sin(travel / radian)) * self.mm_per_count

    def _uneven_travel(self, position_mm: float) -> int:
        # The place grows with the travel by at least half a count a count, so each step comes nearer.
        travel = math.floor(position_mm / self.mm_per_count)
        while (step := math.floor((position_mm - self.place_mm(travel)) / self.mm_per_count)) not in (0, -1):
            travel += step
        while self.place_mm(travel) > position_mm:
            travel -= 1
        while self.place_mm(travel + 1) <= position_mm:
            travel += 1
        return travel

    def travel_of_mm(self, position_mm: float) -> int:
        """Give the travel in which a place of the belt lies."""
        if self._uneven:
            return self._uneven_travel(position_mm)
        travel = int(position_mm // self.mm_per_count)
        # Multiplication rounds otherwise than division: agree with `enter_ns` to the last bit.
        if (travel + 1) * self.mm_per_count <= position_mm:
            return travel + 1
        if travel * self.mm_per_count > position_mm:
            return travel - 1
        return travel

    def travel(self, t_ns: int) -> int:
        """Travel at a time of the clock."""
        return self.travel_of_mm(self.belt.position_mm(t_ns))

    def raw_of(self, travel: int) -> int:
        """Give the counter's value while the belt is in a travel."""
        return (self._start + self.sense * travel) % self.modulus

    def raw(self, t_ns: int) -> int:
        """Give the counter's value at a time of the clock."""
        return self.raw_of(self.travel(t_ns))

    def raws(self, times_ns: range) -> list[int]:
        """Give the counter's values at evenly spaced times of the clock."""
        start, sense, modulus, count_mm = self._start, self.sense, self.modulus, self.mm_per_count
        raws = []
        for mm in self.belt.positions_mm(times_ns):
            travel = int(mm // count_mm)
            if self._uneven or not travel * count_mm <= mm < (travel + 1) * count_mm:
                travel = self.travel_of_mm(mm)
            raws.append((start + sense * travel) % modulus)
        return raws

    def preset(self, raw: int, t_ns: int) -> None:
        """Set the counter, as a restart of the I/O side does."""
        self._start = raw - self.sense * self.travel(t_ns)

    def enter_ns(self, travel: int, after_ns: int) -> int | None:
        """First time from `after_ns` on with the belt in `travel` or beyond it; None: never."""
        return self.belt.next_reach_ns(self.place_mm(travel), after_ns, 1)

    def fall_ns(self, travel: int, after_ns: int) -> int | None:
        """First time from `after_ns` on with the belt in `travel` or before it; None: never."""
        return self.belt.next_reach_ns(self.place_mm(travel + 1), after_ns, -1)
