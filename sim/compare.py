"""The position compare of the I/O side: targets held, ahead and behind told, the first forward crossing.

Forward travel here is what the I/O side takes for it: it reads the counter with the sense that the controller
set. Where that is not the sense in which the encoder is wired, the belt's true forward movement runs this travel
backward. Times come from the belt's closed form, so a target that is armed already has its hour.
"""

from __future__ import annotations

from bisect import insort
from collections import deque
from dataclasses import dataclass

from controller.registers import AckResult
from sim.encoder import Encoder

GHOSTS = 32
"""How many targets already released a compare without rule 6 goes on watching."""


@dataclass(slots=True, order=True)
class Target:
    """A target in forward travel, with the token of its order and the station it is for."""

    travel: int
    number: int
    token: int
    station: int


class Compare:
    """The targets now held. `next_ns` is when the next one is reached or dropped; `step` does it."""

    def __init__(self, encoder: Encoder, depths: tuple[int, ...], rules_off: frozenset[int]) -> None:
        self._encoder = encoder
        self._depths = depths
        self._rules_off = rules_off
        self._half = encoder.modulus // 2
        self._targets: list[Target] = []
        self._ghosts: deque[Target] = deque(maxlen=GHOSTS)
        self.armed = [0] * len(depths)
        self._counts_down = False
        self._same = encoder.sense > 0
        self._greatest = self.travel(0)
        self._seen_ns = 0
        self._number = 0
        self.next_ns: int | None = None
        self._due: tuple[str, Target] | None = None

    # Forward travel as the I/O side reads it.

    def travel(self, t_ns: int) -> int:
        """Forward travel now."""
        travel = self._encoder.travel(t_ns)
        return travel if self._same else -travel - 1

    def raw_of(self, travel: int) -> int:
        """Give the counter's value while forward travel is this."""
        return self._encoder.raw_of(travel if self._same else -travel - 1)

    def distance(self, raw_to: int, raw_from: int) -> int:
        """Forward travel from one counter value to another, 0 … modulus − 1."""
        step = raw_from - raw_to if self._counts_down else raw_to - raw_from
        return step % self._encoder.modulus

    @property
    def forward_is_true(self) -> bool:
        """Whether what the I/O side takes for forward is the belt's true forward."""
        return self._same

    def set_sense(self, counts_down: bool, t_ns: int) -> None:
        """Read the counter the other way from now on."""
        if counts_down != self._counts_down:
            self._counts_down = counts_down
            self._same = (self._encoder.sense < 0) == counts_down
            self.enable_rose(t_ns)

    def enable_rose(self, t_ns: int) -> None:
        """Count the greatest travel from here on."""
        self._greatest = self.travel(t_ns)
        self._seen_ns = t_ns

    def _enter_ns(self, travel: int, t_ns: int) -> int | None:
        if self._same:
            return self._encoder.enter_ns(travel, t_ns)
        return self._encoder.fall_ns(-travel - 1, t_ns)

    def _fall_ns(self, travel: int, t_ns: int) -> int | None:
        if self._same:
            return self._encoder.fall_ns(travel, t_ns)
        return self._encoder.enter_ns(-travel - 1, t_ns)

    def _follow(self, t_ns: int) -> None:
        """Bring the greatest travel up to now."""
        extreme_mm = self._encoder.belt.extreme_mm(self._seen_ns, t_ns, 1 if self._same else -1)
        travel = self._encoder.travel_of_mm(extreme_mm)
        self._greatest = max(self._greatest, travel if self._same else -travel - 1)
        self._seen_ns = t_ns

    # Orders.

    def arm(self, raw: int, token: int, station: int, t_ns: int) -> AckResult:
        """Arm a target at a counter value. LATE without rule 5 means: release it at once, it is not held."""
        self._follow(t_ns)
        ahead = self.distance(raw, self.raw_of(self._greatest))
        if ahead == 0 or ahead >= self._half:
            return AckResult.LATE
        travel = self._greatest + ahead
        if 5 not in self._rules_off and (ahead > self._half // 2 or travel - self.travel(t_ns) >= self._half):
            return AckResult.TOO_FAR
        if not 0 <= station < len(self._depths) or self.armed[station] >= self._depths[station]:
            return AckResult.FULL
        self._number += 1
        target = Target(travel, self._number, token, station)
        insort(self._targets, target)
        self.armed[station] += 1
        if self._targets[0] is target or self._may_drop():
            self.look(t_ns)
        return AckResult.ARMED

    def cancel(self, token: int, t_ns: int) -> bool:
        """Drop the target with this token; False when none is held (released already, or dropped)."""
        for target in self._targets:
            if target.token == token:
                self._remove(target)
                self.look(t_ns)
                return True
        return False

    def in_window(self, first: int, last: int, t_ns: int) -> bool:
        """Whether the present count lies from `first` to `last`, both included, in forward travel."""
        now = self.raw_of(self.travel(t_ns))
        return self.distance(now, first) < self._half and self.distance(last, now) < self._half

    def drop_all(self) -> None:
        """Forget every target."""
        self._targets.clear()
        self._ghosts.clear()
        self.armed = [0] * len(self._depths)
        self.next_ns = self._due = None

    # Time.

    def look(self, t_ns: int) -> None:
        """Find anew what comes next, as after the belt has been started."""
        self.next_ns = self._due = None
        if self._targets:
            # Targets lie ahead of everything reached so far: the least is reached first, the greatest drops first.
            self._consider("reach", self._targets[0], self._enter_ns(self._targets[0].travel, t_ns))
            if self._may_drop():
                last = self._targets[-1]
                self._consider("drop", last, self._fall_ns(last.travel - self._half, t_ns))
        if self._ghosts:
            now = self.travel(t_ns)
            for ghost in self._ghosts:
                inside = now >= ghost.travel
                crossed_ns = self._fall_ns(ghost.travel - 1, t_ns) if inside else self._enter_ns(ghost.travel, t_ns)
                self._consider("back" if inside else "again", ghost, crossed_ns)

    def _may_drop(self) -> bool:
        """Whether the belt could ever back up so far that a target drops: a quarter of the range at least."""
        far_mm = self._encoder.belt.backtrack_mm + 2.0 * self._encoder.mm_per_count
        quarter_mm = self._half // 2 * self._encoder.mm_per_count
        return not self._same or 5 in self._rules_off or far_mm >= quarter_mm

    def _consider(self, what: str, target: Target, t_ns: int | None) -> None:
        if t_ns is not None and (self.next_ns is None or t_ns < self.next_ns):
            self.next_ns, self._due = t_ns, (what, target)

    def step(self) -> tuple[Target, int] | None:
        """Do what is due at `next_ns`: the target to release with the counter's value, or None when it is dropped."""
        assert self._due is not None and self.next_ns is not None
        (what, target), t_ns = self._due, self.next_ns
        raw = self.raw_of(target.travel - 1 if what == "back" else target.travel)
        if what in ("reach", "drop"):
            self._remove(target)
        if what == "reach":
            self._greatest = max(self._greatest, target.travel)
            if 6 in self._rules_off:
                self._ghosts.append(target)
        self.look(t_ns)
        return None if what == "drop" else (target, raw)

    def _remove(self, target: Target) -> None:
        self._targets.remove(target)
        self.armed[target.station] -= 1
