"""The product eye: blocked as a function of the belt's place, also while running backward.

The line's material is a row of transitions at places of the belt. Crossing one forward sets what is after it,
crossing it backward sets what is before it; the output follows after the response, and is captured when it changes.
Products that touch have no transition between them that the eye could see. Bounce within a distance is more
transitions at each edge; bounce within a time is more changes of the output after each edge.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from heapq import heappop, heappush

from sim.belt import Belt
from sim.products import Product

OnChange = Callable[[int, bool, bool, Product | None], None]
"""Called with time, blocked, whether the belt ran backward, and the product whose leading edge this is."""


@dataclass(frozen=True, slots=True)
class EyeSpec:
    """The eye: response in ns; bounce as extra pulses at each edge, within a distance in mm or a time in ns."""

    response_ns: int = 0
    bounces: int = 0
    bounce_mm: float = 0.0
    bounce_ns: int = 0


class Eye:
    """The eye over the belt. `next_ns` is when it next has something to do; `step` does it."""

    def __init__(
        self, spec: EyeSpec, belt: Belt, supply: Iterator[Product], on_change: OnChange,
        on_pass: Callable[[Product], None],
    ) -> None:  # fmt: skip
        self._spec = spec
        self._belt = belt
        self._supply = supply
        self._on_change = on_change
        self._on_pass = on_pass
        self._coming = next(supply, None)
        self._row: list[tuple[float, bool, bool, Product | None]] = []
        """Transitions: place, blocked before, blocked after, product that begins here."""
        self._index = 0
        """How many transitions of the row lie at or behind the eye."""
        self._furthest = 0
        self._outputs: list[tuple[int, int, bool, bool, Product | None]] = []
        self._number = 0
        while self._need() and self._row[self._index][0] <= 0.0:
            product = self._row[self._index][3]
            if product is not None:
                product.before_start = True
                on_pass(product)
            self._index += 1
        self._furthest = self._index
        self.blocked = self._row[self._index - 1][2] if self._index else False
        self._cross_ns: int | None = None
        self._forward = True
        self.look(0)

    @property
    def next_ns(self) -> int | None:
        """The next crossing or change of the output."""
        if self._outputs and (self._cross_ns is None or self._outputs[0][0] <= self._cross_ns):
            return self._outputs[0][0]
        return self._cross_ns

    @property
    def next_change_ns(self) -> int | None:
        """The next time at which the output may change."""
        cross_ns = None if self._cross_ns is None else self._cross_ns + self._spec.response_ns
        if self._outputs and (cross_ns is None or self._outputs[0][0] <= cross_ns):
            return self._outputs[0][0]
        return cross_ns

    def step(self) -> None:
        """Do what is due at `next_ns`."""
        if self._outputs and (self._cross_ns is None or self._outputs[0][0] <= self._cross_ns):
            t_ns, _, blocked, backward, product = heappop(self._outputs)
            self._set(t_ns, blocked, backward, product)
            return
        assert self._cross_ns is not None
        t_ns = self._cross_ns
        if self._forward:
            _, _, blocked, product = self._row[self._index]
            self._index += 1
            if self._index > self._furthest:
                self._furthest = self._index
                if product is not None:
                    self._on_pass(product)
            else:
                product = None
        else:
            self._index -= 1
            blocked, product = self._row[self._index][1], None
        if self._spec.response_ns or self._spec.bounce_ns:
            self._later(t_ns, blocked, product)
        else:
            self._set(t_ns, blocked, not self._forward, product)
        if self._index > 4096:
            self._forget(t_ns)
        self.look(t_ns)

    def look(self, t_ns: int) -> None:
        """Find the next crossing anew, as after the belt has been started."""
        self._cross_ns, self._forward = None, True
        if self._need():
            self._cross_ns = self._belt.next_reach_ns(self._row[self._index][0], t_ns, 1)
        if self._index and self._belt.backtrack_mm:
            back_ns = self._belt.next_reach_ns(self._row[self._index - 1][0], t_ns, -1)
            if back_ns is not None and (self._cross_ns is None or back_ns < self._cross_ns):
                self._cross_ns, self._forward = back_ns, False

    def _set(self, t_ns: int, blocked: bool, backward: bool, product: Product | None) -> None:
        if blocked != self.blocked:
            self.blocked = blocked
            self._on_change(t_ns, blocked, backward, product if blocked else None)

    def _later(self, t_ns: int, blocked: bool, product: Product | None) -> None:
        """Queue the output's change after the response, with the pulses of a bounce in time behind it."""
        t_ns += self._spec.response_ns
        speed = self._belt.speed_mm_s(t_ns)
        backward = speed < 0 or (speed == 0 and not self._forward)
        pulses = self._spec.bounces if self._spec.bounce_ns else 0
        for n in range(2 * pulses + 1):
            at_ns = t_ns + n * self._spec.bounce_ns // max(1, 2 * pulses)
            self._number += 1
            begins = None if n else product
            heappush(self._outputs, (at_ns, self._number, blocked ^ (n % 2 == 1), backward, begins))

    def _need(self) -> bool:
        """Have at least one transition ahead of the eye in the row; False when the supply has ended."""
        while self._index >= len(self._row):
            product = self._coming
            if product is None:
                return False
            self._coming = next(self._supply, None)
            touched = bool(self._row) and self._row[-1][2]
            self._add_edge(product.lead_mm, touched, True, product, product.length_mm)
            if math.isinf(product.length_mm):
                continue
            gap_mm = math.inf if self._coming is None else self._coming.lead_mm - product.trail_mm
            if gap_mm > 0.0:
                self._add_edge(product.trail_mm, True, False, None, gap_mm)
        return True

    def _add_edge(self, at_mm: float, before: bool, after: bool, product: Product | None, room_mm: float) -> None:
        self._row.append((at_mm, before, after, product))
        if before == after or not self._spec.bounce_mm:
            return
        within_mm = min(self._spec.bounce_mm, 0.5 * room_mm)
        for n in range(1, 2 * self._spec.bounces + 1):
            place_mm = at_mm + n * within_mm / (2 * self._spec.bounces)
            level = after ^ (n % 2 == 1)
            self._row.append((place_mm, not level, level, None))

    def _forget(self, t_ns: int) -> None:
        """Drop the transitions to which the belt can never come back."""
        safe_mm = self._belt.position_mm(t_ns) - self._belt.backtrack_mm - 1.0
        keep = self._index
        while keep > 1 and self._row[keep - 1][0] >= safe_mm:
            keep -= 1
        keep -= 1  # one more stays, so that the state behind the eye is always known
        if keep > 0:
            del self._row[:keep]
            self._index -= keep
            self._furthest -= keep
