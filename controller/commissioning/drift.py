"""Drift of wheel or products in production: an EWMA control chart on product lengths in counts.

Rules of this file: pure, and a few sums a product, so that it may stand beside a running line for months. The chart
learns its target from the first products, robustly; a control limit allows for how well the target is known. A worn
wheel turns more often for the same belt: lengths in counts grow by what the belt for one count shrinks by.
"""

from __future__ import annotations

import math
import statistics
from collections import deque
from dataclasses import dataclass
from itertools import pairwise

WEIGHT = 0.005
"""λ: what one product adds. Wear is slow, and a small weight sees small changes."""
WIDTH = 5.0
"""L: control limits in standard deviations of the average. With the weight above a false alarm comes once in some
twenty million products of one kind, by the integral equation of Crowder (1987)."""
WARM_UP = 1000
"""So many products are what the target is learnt from."""
LEAST_CHANGE = 0.001
"""A change below this share is not worth a warning, however surely it is seen: a warm wheel does as much."""
CLIP = 4.0
"""One product counts for so many standard deviations at most."""
FOREIGN = 0.25
"""A length further from the target than this share is another product, or two that touch: left out."""
STEP_SD_COUNTS = 1.0 / math.sqrt(6.0)
"""Two edges, each within its count: lengths of equal products scatter by no less."""
RECENT = 400
"""A change is estimated from so many products of late at the most, so that one that goes on is not averaged away."""


def averaged(average: float, value: float, weight: float) -> float:
    """The next exponentially weighted moving average."""
    return average + weight * (value - average)


def spread_after(n: float, weight: float) -> float:
    """The standard deviation of the average after `n` values, in standard deviations of one; it settles with `n`."""
    if weight >= 1.0:
        return 1.0
    return math.sqrt(weight / (2.0 - weight) * -math.expm1(2.0 * n * math.log1p(-weight)))


BLOCK, BLOCKS = 25, 400
"""When a change began is told to so many products, and looked for among so many times as many."""


@dataclass(slots=True)
class _Block:
    """Some products one after another: the first of them, when it came, and the sum of how far off they were."""

    product: int
    t_ns: int
    n: int = 0
    total: float = 0.0


@dataclass(frozen=True, slots=True)
class Drift:
    """A change that the chart has seen.

    `change` is by how much products measure longer than they did, as a share; 95 % within ± `off`. It began at product
    `since_product` of the run, at `since_ns`.
    """

    change: float
    off: float
    since_product: int
    since_ns: int
    products: int
    """How many have come since."""


class DriftChart:
    """The chart of one line and job: give it each product's length in counts."""

    def __init__(
        self,
        weight: float = WEIGHT,
        width: float = WIDTH,
        warm_up: int = WARM_UP,
        least_change: float = LEAST_CHANGE,
    ) -> None:
        if not 0.0 < weight <= 1.0 or warm_up < 2:
            raise ValueError("a weight is above 0 and up to 1, and a target takes two products or more")
        self.weight, self.width, self.warm_up, self.least_change = weight, width, warm_up, least_change
        self.products = 0
        """Taken in all."""
        self.target_counts: float | None = None
        """None: still learning."""
        self.sd_counts = 0.0
        self.average_counts = 0.0
        """Of the lengths, less the target."""
        self.limit_counts = math.inf
        self.known_from = 0
        """So many products the target was learnt from."""
        self._learnt: list[float] = []
        self._n = 0
        self._since = (0, 0)
        self._recent: deque[float] = deque(maxlen=RECENT)
        self._blocks: deque[_Block] = deque(maxlen=BLOCKS)
        self._beyond = False

    @property
    def drift(self) -> Drift | None:
        """The change that stands; None: none is seen."""
        if not self._beyond or self.target_counts is None:
            return None
        product, t_ns = self._since
        since = self.products - product + 1
        of_late = list(self._recent)[-since:]
        off = 1.96 * self.sd_counts * math.sqrt(1.0 / len(of_late) + 1.0 / self.known_from)
        change = statistics.fmean(of_late) / self.target_counts
        return Drift(change, off / self.target_counts, product, t_ns, since)

    def take(self, length_counts: float, t_ns: int) -> bool:
        """Take a product's length; True when a drift has begun or ended with it."""
        self.products += 1
        if self.target_counts is None:
            self._learnt.append(length_counts)
            if len(self._learnt) >= self.warm_up:
                self._learn()
            return False
        away = length_counts - self.target_counts
        if abs(away) > FOREIGN * self.target_counts:
            return False
        self._n += 1
        self._recent.append(away)
        self._add_to_block(away, t_ns)
        bound = max(CLIP * self.sd_counts, 2.0 * self.least_change * self.target_counts)
        self.average_counts = averaged(self.average_counts, min(bound, max(-bound, away)), self.weight)
        self.limit_counts = self._limit()
        return self._judge()

    def _limit(self) -> float:
        own = math.hypot(spread_after(self._n, self.weight), 1.0 / math.sqrt(self.known_from))
        least = self.least_change * (self.target_counts or 0.0)
        return max(self.width * self.sd_counts * own, least)

    def _judge(self) -> bool:
        was, size = self._beyond, abs(self.average_counts)
        # It ends well within the limit only, so that one at the limit does not come and go.
        self._beyond = size > (0.5 if was else 1.0) * self.limit_counts
        if self._beyond and not was:
            self._since = self._changed()
        return self._beyond is not was

    def _add_to_block(self, away: float, t_ns: int) -> None:
        if not self._blocks or self._blocks[-1].n == BLOCK:
            self._blocks.append(_Block(self.products, t_ns))
        block = self._blocks[-1]
        block.n += 1
        block.total += away

    def _changed(self) -> tuple[int, int]:
        """Where the lengths changed, as product and time: the split of those of late whose two means differ the most.

        The likeliest place of a step; of a change that goes on, its middle.
        """
        blocks = list(self._blocks)
        all_n, all_total = sum(b.n for b in blocks), math.fsum(b.total for b in blocks)
        best, found = -1.0, blocks[0]
        n, total = all_n, all_total
        for before, block in pairwise(blocks):
            n, total = n - before.n, total - before.total
            apart = total / n - (all_total - total) / (all_n - n)
            if (weighed := n * (all_n - n) * apart * apart) > best:
                best, found = weighed, block
        return found.product, found.t_ns

    def _learn(self) -> None:
        """Take target and scatter from the first products, without those that are far off."""
        middle = statistics.median(self._learnt)
        deviation = 1.4826 * statistics.median(abs(x - middle) for x in self._learnt)
        reach = (CLIP + 1.0) * max(deviation, STEP_SD_COUNTS)
        kept = [x for x in self._learnt if abs(x - middle) <= reach]
        self.target_counts = statistics.fmean(kept)
        self.sd_counts = max(statistics.pstdev(kept, self.target_counts), STEP_SD_COUNTS)
        self.known_from = len(kept)
        self._learnt = []
