"""The detector: from edges to products.

Products are known by travel, not by time: an edge on ground that the belt has covered before, or within the hold-off
distance of one already seen, is the same edge again. An eye already blocked at start makes no product. Filters, all in
mm of belt: a gap shorter than the least gap does not end a product, a product shorter than the least length is none.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf
from typing import Final

from controller.registers import BACKWARD, Capture, Edge
from controller.spec import Detector

EDGES: Final = frozenset(Edge)
HALF: Final = 0.5
"""A captured count says that the edge lay within that count; its middle is the unbiased place."""


@dataclass(slots=True)
class EdgeSeen:
    """One detector edge: which, whether the belt ran backward, the count of travel in which it happened, and its place.

    The place is the middle of what is known: of one count for a captured edge, of all that passed between two
    polls for a sampled one.
    """

    edge: Edge
    backward: bool
    travel: int
    place: float


def edge_of(capture: Capture, travel: int) -> EdgeSeen:
    """A captured edge at its travel."""
    return EdgeSeen(Edge(capture.edge & ~BACKWARD), bool(capture.edge & BACKWARD), travel, travel + HALF)


@dataclass(slots=True, eq=False)
class Product:
    """One product: its edges in counts of travel, and what became of its marks.

    `lead` is the leading edge's own place (the detector's response removed), `trail` the trailing edge's or None
    while the eye is blocked. `final` when nothing can lengthen it any more.
    """

    id: int
    lead: float
    trail: float | None = None
    confirmed: bool = False
    final: bool = False
    open_plans: int = 0
    """Stations whose plan may still ask for a mark on it."""
    made: int = 0
    resolved: int = 0
    marked: int = 0
    unconfirmed: int = 0
    lost: bool = False
    """Its place is not known any more: the count jumped or restarted under it."""


class Eye:
    """Turns edges into products. Call `see` for each edge in order, then `settle` once a scan."""

    def __init__(self, detector: Detector, scale_mm: float, first_id: int = 1) -> None:
        self._scale_mm = scale_mm
        self._least_length = detector.least_length_mm / scale_mm
        self._least_gap = detector.least_gap_mm / scale_mm
        self._hold_off = detector.hold_off_mm / scale_mm
        self._next_id = first_id
        self._furthest: int | None = None
        self._backed = False
        self._last_cleared: int | None = None
        self._last_blocked: int | None = None
        self._dark_since = 0
        """Travel at which the eye became blocked, whether or not by a product."""
        self.blocked = False
        self.latest: Product | None = None
        """The product in the eye, or the last one while something could still lengthen it."""
        self.noise = 0
        """Pulses that were no product: shorter than the least length."""

    def start(self, blocked: bool, travel: int) -> None:
        """Begin, or begin anew after the count was lost, with the eye as it is now."""
        self.blocked = blocked
        self._dark_since = travel
        self._furthest = travel
        self._backed = False
        self._last_blocked = self._last_cleared = None
        self.latest = None

    def adopt(self, travel: int) -> Product:
        """Take the endless material that blocks the eye since before the start as a product that begins here."""
        self.latest = Product(self._next_id, float(travel), confirmed=True)
        self._next_id += 1
        return self.latest

    def sample(self, blocked: bool, before: int, travel: int, middle: float | None = None) -> EdgeSeen | None:
        """The edge between two polls of a detector that is not captured: somewhere in (before, travel].

        `middle` is the middle of the belt that passed between them, where it is known better than by whole counts.
        """
        if blocked == self.blocked:
            return None
        edge = Edge.BLOCKED if blocked else Edge.CLEARED
        place = (before + travel + 1) / 2 if middle is None else middle
        return EdgeSeen(edge, travel < before, (before + travel) // 2, place)

    def see(self, seen: EdgeSeen, response_counts: float) -> Product | None:
        """Take one edge; returns a product that it began. `response_counts`: belt that passed during the response."""
        self.blocked = seen.edge is Edge.BLOCKED
        if self.blocked:
            self._dark_since = seen.travel
        if seen.backward:
            self._backed = True
            return None
        old_ground = self._covered(seen)
        if self._furthest is None or seen.travel > self._furthest:
            self._furthest, self._backed = seen.travel, False
        if old_ground:
            return None
        place = seen.place - response_counts
        if seen.edge is Edge.BLOCKED:
            self._last_blocked = seen.travel
            return self._lead(place)
        self._last_cleared = seen.travel
        if self.latest is not None and self.latest.trail is None:
            self.latest.trail = max(place, self.latest.lead)
        return None

    def _covered(self, seen: EdgeSeen) -> bool:
        # Where the belt has not turned back, an edge behind the last sample is only one that was told late.
        if self._furthest is None or not self._backed:
            return False
        if seen.travel < self._furthest:
            return True
        # The last count before the belt turned back may hold an edge that is captured a second time.
        last = self._last_blocked if seen.edge is Edge.BLOCKED else self._last_cleared
        return last is not None and seen.travel <= last

    def _lead(self, place: float) -> Product | None:
        latest = self.latest
        if latest is not None and latest.trail is None:
            return None  # its trailing edge was lost; the two are one to us
        if (
            latest is not None
            and latest.trail is not None
            and (place - latest.trail < self._least_gap or place - latest.lead < self._hold_off)
        ):
            latest.trail = None
            return None
        self._finish(latest)
        self.latest = Product(self._next_id, place)
        self._next_id += 1
        return self.latest

    def _finish(self, product: Product | None) -> None:
        if product is None or product.final:
            return
        product.final = True
        if not product.confirmed and product.trail is not None:
            if product.trail - product.lead >= self._least_length:
                product.confirmed = True
            else:
                self.noise += 1

    def settle(self, travel: int, backward: bool) -> None:
        """After a scan's edges: take the sample into account, confirm and finish what has passed far enough."""
        if backward:
            self._backed = True
        if self._furthest is None or travel > self._furthest:
            self._furthest, self._backed = travel, False
        product = self.latest
        if product is None:
            return
        if not product.confirmed:
            reach = product.trail if product.trail is not None else travel
            product.confirmed = reach - product.lead >= self._least_length
        if product.trail is not None and travel >= self._final_at(product):
            self._finish(product)
            self.latest = None

    def _final_at(self, product: Product) -> float:
        trail = product.lead if product.trail is None else product.trail
        return max(trail + self._least_gap, product.lead + self._hold_off)

    def next_counts(self) -> float:
        """The travel at which `settle` will next decide something by itself."""
        product = self.latest
        if product is None:
            return inf
        if product.trail is not None:
            # With requests still on their way, its end is soon enough noticed with their fate.
            waits = not product.confirmed or product.open_plans or product.resolved == product.made
            return self._final_at(product) if waits else inf
        return product.lead + self._least_length if not product.confirmed else inf

    def blocked_mm(self, travel: int) -> float:
        """How much belt has passed since the eye was blocked, in mm; 0 when it is clear.

        From the product's leading edge where there is one, also over gaps too short to end it; an eye that was blocked
        at the start has none.
        """
        product = self.latest
        if product is None:
            return (travel - self._dark_since) * self._scale_mm if self.blocked else 0.0
        if product.trail is not None:
            return 0.0
        return (travel - product.lead) * self._scale_mm
