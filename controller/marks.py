"""The mark plans of a line at work: which requests each product asks for, and when that is known."""

from __future__ import annotations

from math import inf
from typing import Final

from controller.detect import Product
from controller.lead import lead_mm, lead_time_s
from controller.model import State
from controller.modes import HELD_BACK
from controller.plan import Marks, trailing_dues
from controller.requests import Book
from controller.spec import Grid, LineSpec, Material, PlanEdge

ASKING: Final = (HELD_BACK - {State.STARTING}) | {State.EXECUTE}
"""The states in which a web asks for marks; separate products do so in every state.

Not Starting: what passed while the line stood is skipped first. Not Completing: what was asked for is made, no more.
"""


class LineMarks:
    """Makes the requests of every station's plan on every product, as the belt shows that they fit."""

    def __init__(self, spec: LineSpec, book: Book) -> None:
        self._spec = spec
        self._book = book
        self._web = spec.material is Material.WEB
        self._active: list[Marks] = []

    def begin(self, product: Product) -> None:
        """A product is known: its plans may ask for marks from now on."""
        product.open_plans = len(self._spec.stations)
        for index, station in enumerate(self._spec.stations):
            if station.plan.edge is PlanEdge.LEADING:
                self._active.append(Marks(product, index, station, self._spec.scale_mm))

    def begin_grid(self, product: Product, travel: int) -> None:
        """A grid on endless material that begins under each marker at `travel`, whatever the eye saw."""
        spec = self._spec
        self._active = [m for m in self._active if m.product is not product]
        product.open_plans = len(spec.stations)
        time_s = lead_time_s(spec.period_s, spec.exchange_s, spec.limits.least_lead_s)
        for index, station in enumerate(spec.stations):
            ahead_mm = 2.0 * lead_mm(spec.top_speed_mm_s, spec.max_accel_mm_s2, time_s) + station.plan.pitch_mm
            self._active.append(Marks(product, index, station, spec.scale_mm, float(travel), ahead_mm / spec.scale_mm))

    def start(self, product: Product | None, travel: int, first_due: float) -> None:
        """The line starts: a web's grid begins, or goes on in phase with the first mark due after `first_due`."""
        if not self._web:
            return
        known = any(m.product is product for m in self._active)
        if product is not None and self._spec.grid is not Grid.EDGE and (self._spec.grid is Grid.START or not known):
            self.begin_grid(product, travel)
        for marks in self._active:
            marks.skip_to(first_due)

    def fill(self, travel: int, t_ns: int, state: State) -> None:
        """Make every request that is known to fit by now."""
        if not self._active or (self._web and state not in ASKING):
            return
        for marks in self._active:
            product = marks.product
            while not marks.exhausted and marks.fits(travel):
                self._book.make(product, marks.station, marks.k, marks.due_counts(marks.k), t_ns)
                marks.k += 1
        self._retire(t_ns)

    def _retire(self, t_ns: int) -> None:
        over = [m for m in self._active if m.exhausted]
        if not over:
            return
        self._active = [m for m in self._active if not m.exhausted]
        for marks in over:
            marks.product.open_plans -= 1
            self._book.close_if_done(marks.product, t_ns)

    def finish(self, product: Product, travel: int, t_ns: int, state: State) -> None:
        """Nothing lengthens the product any more: make what fits and forget the rest of its plans."""
        if product.open_plans:
            self.fill(travel, t_ns, state)
            self._active, mine = (
                [m for m in self._active if m.product is not product or m.endures],
                [m for m in self._active if m.product is product and not m.endures],
            )
            product.open_plans -= len(mine)
            for index, station in enumerate(self._spec.stations):
                if station.plan.edge is PlanEdge.TRAILING:
                    product.open_plans -= 1
                    for k, due in trailing_dues(product, station, self._spec.scale_mm):
                        self._book.make(product, index, k, due, t_ns)
        self._book.close_if_done(product, t_ns)

    def drop(self, open_products: list[Product], t_ns: int) -> None:
        """Ask for nothing more on the products seen so far; a web keeps its grid for the next start."""
        if self._web:
            return
        self._active.clear()
        for product in open_products:
            product.open_plans = 0
            self._book.close_if_done(product, t_ns)

    def lose_open(self, open_products: list[Product], t_ns: int) -> None:
        """Edges were lost: where the products at the eye end is not known, and they get no further mark."""
        self._active = [m for m in self._active if m.product not in open_products]
        for product in open_products:
            product.lost, product.open_plans = True, 0
            self._book.close_if_done(product, t_ns)
        open_products.clear()

    def lose(self, t_ns: int) -> None:
        """The place of every product is lost: none gets a mark any more, and what became of them is unknown."""
        self._active.clear()
        for product in tuple(self._book.products.values()):
            product.lost, product.open_plans = True, 0
            self._book.close_if_done(product, t_ns)

    def next_counts(self, state: State) -> float:
        """The travel at which the next request will be known to fit."""
        if not self._active or (self._web and state not in ASKING):
            return inf
        return min(m.known_at() for m in self._active)
