"""The mark plan: where on a product the marks go, and at which travel each is due.

Position on a product counts from the leading edge towards the trailing edge. From the leading edge a mark is due at
edge + distance + offset + k·pitch; from the trailing edge offset and pitch count forward, so it is due at
edge + distance - offset - k·pitch and the last k comes first. Each is computed from k, so nothing accumulates.
"""

from __future__ import annotations

from math import ceil
from typing import Final

from controller.detect import Product
from controller.spec import MarkPlan, PlanEdge, Station

EPSILON_MM: Final = 1e-9
"""Two lengths that differ by less are equal; far below a count, far above a float's rounding."""


class Marks:
    """Gives the marks of one station's plan on one product, in due order, as the belt shows that they fit."""

    __slots__ = ("_ahead", "_distance", "_scale_mm", "dropped", "k", "origin", "plan", "product", "station")

    def __init__(
        self, product: Product, station: int, of: Station, scale_mm: float,
        origin: float | None = None, ahead: float | None = None,
    ) -> None:  # fmt: skip
        """`origin` is the travel at which a mark at position 0 is due; None: the distance from the product's edge.

        `ahead`: a grid whose marks are given that many counts before they are due, since the eye tells nothing of them.
        """
        self.product = product
        self.station = station
        self.plan: MarkPlan = of.plan
        self._scale_mm = scale_mm
        self._distance = of.distance_mm / scale_mm
        self._ahead = ahead
        self.origin = product.lead + self._distance if origin is None else origin
        self.k = 0
        self.dropped = False

    def due_counts(self, k: int) -> float:
        """The travel at which mark k from the leading edge is due, not rounded."""
        return self.origin + self.position_mm(k) / self._scale_mm

    def position_mm(self, k: int) -> float:
        """Mark k's place behind the leading edge, in mm."""
        return self.plan.offset_mm + k * self.plan.pitch_mm

    @property
    def exhausted(self) -> bool:
        """Whether the plan asks for no further mark, whatever comes."""
        return self.dropped or (self.plan.count is not None and self.k >= self.plan.count)

    @property
    def endures(self) -> bool:
        """Whether marks may still be asked for after the eye has seen the material's end."""
        return self._ahead is not None

    @property
    def needs_room(self) -> bool:
        """Whether a mark waits until the product is known to be long enough for it."""
        return self.plan.keep_on_product or self.plan.count is None

    def room_mm(self, k: int) -> float:
        """How long the product must be for mark k."""
        length_mm = self.plan.length_mm if self.plan.keep_on_product else 0.0
        return self.position_mm(k) + length_mm

    def known_at(self) -> float:
        """The travel at which it will be known that the next mark fits."""
        if self._ahead is not None:
            return self.due_counts(self.k) - self._ahead
        return self.product.lead + self.room_mm(self.k) / self._scale_mm

    def fits(self, travel: int) -> bool:
        """Whether the next mark is known to fit, the belt being at `travel`."""
        if self._ahead is not None:
            end = self.due_counts(self.k) + self.plan.length_mm / self._scale_mm
            if self.product.trail is not None and end > self.product.trail + self._distance:
                self.dropped = True
                return False
            return self.known_at() <= travel
        if not self.needs_room:
            return True
        reach = self.product.trail if self.product.trail is not None else float(travel)
        return (reach - self.product.lead) * self._scale_mm + EPSILON_MM >= self.room_mm(self.k)

    def skip_to(self, travel: float) -> None:
        """Go on with the first mark that is due after `travel`; those before it are not asked for."""
        step = self.plan.pitch_mm / self._scale_mm
        if step > 0:
            self.k = max(self.k, ceil((travel - self.due_counts(0)) / step))


def trailing_dues(product: Product, station: Station, scale_mm: float) -> list[tuple[int, float]]:
    """The marks of a plan that counts from the trailing edge, as (k, due travel) in due order.

    The product's trailing edge must be known. A mark in front of the leading edge is not made, nor, where the plan
    keeps on the product, one that would run off the trailing edge.
    """
    if product.trail is None:
        raise ValueError("the trailing edge is not known yet")
    plan = station.plan
    if plan.edge is not PlanEdge.TRAILING:
        raise ValueError("the plan counts from the leading edge")
    length_mm = (product.trail - product.lead) * scale_mm
    if plan.count is not None:
        count = plan.count
    else:
        count = int((length_mm - plan.offset_mm + EPSILON_MM) / plan.pitch_mm) + 1 if plan.pitch_mm > 0 else 1
    dues = []
    for k in range(count - 1, -1, -1):
        ahead_mm = plan.offset_mm + k * plan.pitch_mm
        if ahead_mm > length_mm + EPSILON_MM and (plan.keep_on_product or plan.count is None):
            continue
        if plan.keep_on_product and plan.length_mm > ahead_mm + EPSILON_MM:
            continue
        dues.append((k, product.trail + (station.distance_mm - ahead_mm) / scale_mm))
    return dues
