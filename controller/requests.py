"""Mark requests and products: each is in one place, and each ends in exactly one fate.

Requests wait in one heap a station, by the travel at which they are due, so that a scan looks only at the next one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum
from heapq import heappop, heappush
from typing import Final

from controller.detect import Product
from controller.events import Event, ProductDone, ProductSeen, RequestDone, RequestMade
from controller.model import Counters, Fate, Miss, ProductFate

UNINTENDED: Final = frozenset({Miss.NOT_PERMITTED, Miss.VOID})
"""Misses that somebody's stop or hold explains; they do not count as misses in a row."""


class Place(Enum):
    """Where a request is on its way to its fate."""

    AHEAD = "ahead"
    ORDERED = "ordered"
    ARMED = "armed"
    RESOLVED = "resolved"


@dataclass(slots=True, eq=False)
class Request:
    """One intended mark. `due` is the exact travel, `target` the count that was ordered for it."""

    id: int
    product: Product
    station: int
    index: int
    due: float
    place: Place = Place.AHEAD
    token: int | None = None
    target: int | None = None
    speed_mm_s: float | None = None
    window: tuple[int, int] | None = None
    """First and last travel at which a timed release is permitted; None: released at the target."""
    withheld: Miss | None = None
    """What has kept it from being ordered so far: the reason, should it become late."""


class Book:
    """All products and requests of one line, with the sums that must balance."""

    def __init__(self, stations: int, scale_mm: float) -> None:
        self._scale_mm = scale_mm
        self._heaps: list[list[tuple[float, int, Request]]] = [[] for _ in range(stations)]
        self._next_id = 1
        self.products: dict[int, Product] = {}
        self.counters = Counters()
        self.sent: dict[int, Request] = {}
        """Ordered or armed, by token."""
        self.misses_in_a_row = 0
        self.events: list[Event] = []

    @property
    def pending(self) -> int:
        """Requests without a fate: waiting ahead, ordered or armed."""
        return sum(len(heap) for heap in self._heaps) + len(self.sent)

    @property
    def balanced(self) -> bool:
        """Whether every product and request is in exactly one place; False is a defect of ours."""
        return self.counters.balanced(len(self.products), self.pending)

    def add_product(self, product: Product, t_ns: int) -> None:
        """A product is known to be one: it is counted from here on."""
        self.products[product.id] = product
        self.counters.detected += 1
        self.events.append(ProductSeen(t_ns, product.id, product.lead))

    def make(self, product: Product, station: int, index: int, due: float, t_ns: int) -> None:
        """A new request; it waits until its order can be given."""
        request = Request(self._next_id, product, station, index, due)
        self._next_id += 1
        product.made += 1
        self.counters.created += 1
        heappush(self._heaps[station], (due, request.id, request))
        self.events.append(RequestMade(t_ns, request.id, product.id, station, index, due))

    def head(self, station: int) -> Request | None:
        """The request that is due next at a station and not yet ordered."""
        heap = self._heaps[station]
        return heap[0][2] if heap else None

    def heads(self) -> list[Request]:
        """The next request of each station that has one."""
        return [heap[0][2] for heap in self._heaps if heap]

    def take(self, station: int) -> Request:
        """Take the next request out of the queue, to be ordered or resolved by the caller."""
        return heappop(self._heaps[station])[2]

    def put_back(self, request: Request) -> None:
        """A request that was ordered and surely not released waits again."""
        request.place, request.token, request.target, request.window = Place.AHEAD, None, None, None
        heappush(self._heaps[request.station], (request.due, request.id, request))

    def waiting(self) -> Iterator[Request]:
        """Take out every request that waits, station by station in due order."""
        for station, heap in enumerate(self._heaps):
            while heap:
                yield self.take(station)

    def end(
        self, request: Request, fate: Fate, t_ns: int, reason: Miss | None = None, detail: str = "",
        released: int | None = None,
    ) -> None:  # fmt: skip
        """Give a request its one fate. Raises RuntimeError if it has one: that would be a defect of ours."""
        if request.place is Place.RESOLVED:
            raise RuntimeError(f"request {request.id} was about to get a second fate")
        request.place = Place.RESOLVED
        product = request.product
        product.resolved += 1
        counters = self.counters
        if fate is Fate.MISSED and reason is not None:
            counters.missed[reason] += 1
            if reason not in UNINTENDED:
                self.misses_in_a_row += 1
            if reason is Miss.UNCONFIRMED:
                product.unconfirmed += 1
        elif fate is Fate.MARKED:
            counters.marked += 1
            product.marked += 1
            self.misses_in_a_row = 0
        else:
            counters.dry += 1
        self.events.append(
            RequestDone(
                t_ns, request.id, fate, reason, detail, request.token, request.target, request.speed_mm_s, released
            )
        )  # fmt: skip
        self.close_if_done(product, t_ns)

    def close_if_done(self, product: Product, t_ns: int) -> None:
        """Give a product its fate when nothing can change it any more."""
        over = product.final or product.lost
        if not over or product.open_plans or product.resolved < product.made or product.id not in self.products:
            return
        del self.products[product.id]
        fate = _fate(product)
        self.counters.products[fate] += 1
        length_mm = None if product.trail is None else (product.trail - product.lead) * self._scale_mm
        self.events.append(ProductDone(t_ns, product.id, product.trail, length_mm, fate, product.marked, product.made))

    def reset_counters(self) -> None:
        """Begin the sums anew; what is in flight is counted again as detected and created, so that they balance."""
        self.counters = Counters(detected=len(self.products), created=self.pending)
        self.misses_in_a_row = 0


def _fate(product: Product) -> ProductFate:
    if product.lost or product.unconfirmed:
        return ProductFate.UNKNOWN
    if product.marked == 0:
        return ProductFate.UNMARKED
    return ProductFate.MARKED if product.marked == product.made else ProductFate.PART_MARKED
