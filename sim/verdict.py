"""Where the marks really landed: judged from true positions alone, never from what a controller believes.

A mark's place is the belt's true travel as it began, less the true distance of its station. It belongs to the product
under the head, and there to the nearest place of the mark plan; positive errors are towards the trailing edge.
Memory is flat: products are forgotten when no mark can reach them any more, marks become sums at once.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import Any, Final

from controller.needs import feasible
from controller.spec import Grid, LineSpec, Material, PlanEdge, ReleasePath
from sim.device import Device
from sim.marker import MarkTruth
from sim.plain import PlainDevice, PlainLine
from sim.products import Product
from sim.scenario import Scenario
from sim.sums import Placement
from sim.world import build_belt, true_markers

CLOCK_MM: Final = 1e-6
"""Belt travel within one nanosecond, the clock's own grain, at 1 m/s."""
NEAR_MM: Final = 200.0
"""How far beyond the last station a product is still looked at."""
KEPT_INDICES: Final = 8192
"""How many marks of one product are remembered against doubles; endless material has no end of them."""


@dataclass(slots=True)
class Judged:
    """One mark and its judgement; product, index and error None where it hit no product of the run."""

    truth: MarkTruth
    place_mm: float
    product: int | None
    index: int | None
    error_mm: float | None
    double: bool
    from_lead_mm: float | None = None
    """Where it is on its product, from the leading edge."""


@dataclass(slots=True)
class WorldCount:
    """Sums over the true products and marks."""

    products: int = 0
    under_eye_at_start: int = 0
    past_marker: int = 0
    undetected: int = 0
    marks: int = 0
    complete: int = 0
    partial: int = 0
    bare: int = 0


class Verdict:
    """Takes the true products and marks as they come (`product`, `mark`) and gives the sums at the end."""

    def __init__(self, spec: LineSpec, scenario: Scenario, on_judged: Callable[[Judged], None] | None = None) -> None:
        self._spec = spec
        self._markers = true_markers(spec, scenario)
        self._on_judged = on_judged
        belt = build_belt(scenario.belt)
        factor = scenario.encoder.circumference_factor / (1.0 - scenario.encoder.slip)
        self.count_mm = spec.scale_mm * factor
        slip = max(abs(scenario.encoder.slip_starting), abs(scenario.encoder.slip_stopping))
        self._wheel = abs(factor - 1.0) + slip
        response_s = max(m.response_ns for m in self._markers) * 1e-9 + (
            spec.detector.response_s if scenario.detector.response is None else scenario.detector.response
        )
        bounce_mm = scenario.detector.bounce_within
        self._path_mm = _path_mm(spec)
        self._delay_mm = response_s * max(map(abs, belt.speed_range_mm_s())) + bounce_mm + self.count_mm
        self._far_mm = max(m.distance_mm for m in self._markers) + self._delay_mm
        self._forget_mm = self._far_mm + belt.backtrack_mm + NEAR_MM
        self._near: deque[Product] = deque()
        self._grids: dict[int, float] = {}
        self._retired = WorldCount()
        self._seen = WorldCount()
        self._reach_mm = 0.0
        self._doubles = 0
        self._off_product = 0
        self._placement = Placement(belt.speeds_mm_s(), belt.speed_range_mm_s())

    # The stream.

    def product(self, product: Product) -> None:
        """Take a product whose leading edge has come to the eye."""
        if product.before_start:
            self._seen.under_eye_at_start += 1
        else:
            self._seen.products += 1
        self._near.append(product)
        while self._near and self._end_mm(self._near[0]) + self._forget_mm < product.lead_mm:
            self._retire(self._near.popleft(), self._retired)

    def mark(self, truth: MarkTruth) -> None:
        """Take a mark as it really began."""
        self._seen.marks += 1
        place_mm = truth.position_mm - self._markers[truth.station].distance_mm
        best: tuple[float, int, Product] | None = None
        slack_mm = self._slack_mm()
        for product in self._near:
            if product.lead_mm - slack_mm > place_mm and product.length_mm:
                break
            if product.length_mm and place_mm > product.trail_mm + slack_mm:
                continue
            index, error_mm = self._nearest(product, truth.station, place_mm)
            if best is None or abs(error_mm) < abs(best[0]):
                best = error_mm, index, product
        double = False
        if best is None or best[2].before_start:
            self._off_product += 1
            judged = Judged(truth, place_mm, None, None, None, False)
        else:
            error_mm, index, product = best
            double = self._remember(product, truth.station, index)
            self._doubles += double
            self._placement.add(error_mm, truth.speed_mm_s)
            judged = Judged(truth, place_mm, product.number, index, error_mm, double, place_mm - product.lead_mm)
        if self._on_judged is not None:
            self._on_judged(judged)

    def _nearest(self, product: Product, station: int, place_mm: float) -> tuple[int, float]:
        """Give the index of the plan's place nearest to a place of the belt, and the error against it."""
        plan = self._spec.stations[station].plan
        if self._spec.material is Material.WEB and self._spec.grid is not Grid.EDGE:
            # Such a grid begins where the controller had it begin: its first mark is the reference.
            begins_mm, forward = self._grids.setdefault(station, place_mm), 1.0
        elif plan.edge is PlanEdge.LEADING:
            begins_mm, forward = product.lead_mm + plan.offset_mm, 1.0
        else:
            begins_mm, forward = product.trail_mm - plan.offset_mm, -1.0
        index = 0
        if plan.pitch_mm > 0 and plan.count != 1:
            index = max(0, round(forward * (place_mm - begins_mm) / plan.pitch_mm))
            if plan.count is not None:
                index = min(index, plan.count - 1)
        planned_mm = begins_mm + forward * index * plan.pitch_mm
        if self._spec.material is Material.WEB:
            within_mm = planned_mm - begins_mm + plan.offset_mm
        elif plan.edge is PlanEdge.LEADING:
            within_mm = planned_mm - product.lead_mm
        else:
            within_mm = planned_mm - product.trail_mm
        self._reach_mm = max(self._reach_mm, abs(self._spec.stations[station].distance_mm + within_mm))
        return index, place_mm - planned_mm

    def _remember(self, product: Product, station: int, index: int) -> bool:
        """Whether this mark was made before."""
        key = (station, index)
        times = product.marked.get(key, 0)
        product.marked[key] = times + 1
        if len(product.marked) > KEPT_INDICES:
            for old in list(product.marked)[: KEPT_INDICES // 2]:
                del product.marked[old]
        return times > 0

    # What becomes of products.

    def _end_mm(self, product: Product) -> float:
        """Give the belt travel from which the last mark of the product, but for the distance, has been due."""
        if math.isinf(product.length_mm):
            return math.inf
        last_mm = product.trail_mm
        for station in self._spec.stations:
            plan = station.plan
            if plan.edge is PlanEdge.LEADING and plan.count is not None:
                last_mm = max(last_mm, product.lead_mm + plan.offset_mm + (plan.count - 1) * plan.pitch_mm)
        return last_mm

    def wanted(self, product: Product) -> int | None:
        """How many marks the plans ask for on a product; None on endless material."""
        if math.isinf(product.length_mm):
            return None
        total = 0
        for station in self._spec.stations:
            plan = station.plan
            room_mm = product.length_mm + 1e-9
            if plan.edge is PlanEdge.LEADING and plan.keep_on_product:
                room_mm -= plan.length_mm
            begins_mm = plan.offset_mm
            least = 0
            if plan.edge is PlanEdge.TRAILING and plan.keep_on_product and plan.pitch_mm > 0:
                least = max(0, math.ceil((plan.length_mm - begins_mm - 1e-9) / plan.pitch_mm))
            if plan.count is not None and not plan.keep_on_product:
                total += plan.count
            elif begins_mm <= room_mm:
                fits = int((room_mm - begins_mm) / plan.pitch_mm) + 1 if plan.pitch_mm > 0 else 1
                total += max(0, (fits if plan.count is None else min(fits, plan.count)) - least)
        return total

    def _retire(self, product: Product, into: WorldCount) -> None:
        """Count a product that is past the last station."""
        if product.before_start:
            return
        into.past_marker += 1
        into.undetected += not product.captured
        wanted, got = self.wanted(product), len(product.marked)
        if wanted is None or got >= wanted:
            into.complete += 1
        elif got:
            into.partial += 1
        else:
            into.bare += 1

    # The sums.

    def _slack_mm(self) -> float:
        """How far beside a product's edge a mark still counts as on it."""
        return self.count_mm + self._wheel * (self._reach_mm + self._far_mm) + self._delay_mm

    def tolerance_mm(self, speed_term_mm: float = 0.0) -> float:
        """Give one count, the wheel's error over the furthest mark, the caller's speed term and the path's, in mm."""
        return self.count_mm + self._wheel * self._reach_mm + speed_term_mm + self._path_mm + CLOCK_MM

    def result(self, device: Device | PlainDevice | PlainLine, speed_term_mm: float = 0.0) -> dict[str, Any]:
        """Give `world`, `doubles`, `off_product`, `placement` and `by_speed` up to the device's present time.

        `speed_term_mm` is what a response time allows beside the count: the greatest |speed at release − speed
        predicted| × response.
        """
        here_mm = device.belt.extreme_mm(0, device.now_ns, 1)
        world = WorldCount(
            self._seen.products, self._seen.under_eye_at_start, self._retired.past_marker, self._retired.undetected,
            self._seen.marks, self._retired.complete, self._retired.partial, self._retired.bare,
        )  # fmt: skip
        for product in self._near:
            end_mm = product.lead_mm if math.isinf(product.length_mm) else self._end_mm(product)
            if end_mm + self._far_mm <= here_mm:
                self._retire(product, world)
            elif not (product.captured or product.before_start) and product.lead_mm + self._delay_mm < here_mm:
                world.undetected += 1
        tolerance_mm = self.tolerance_mm(speed_term_mm)
        return {
            "world": asdict(world),
            "doubles": self._doubles,
            "off_product": self._off_product,
            "placement": {**self._placement.summary(), "tolerance_mm": tolerance_mm, "count_mm": self.count_mm},
            "by_speed": self._placement.by_speed(),
        }


def _path_mm(spec: LineSpec) -> float:
    """Give what paths may be off beyond a count: a release in time its window, a sampled edge half a look."""
    windows = [s.window_mm for s in spec.stations if s.release is not ReleasePath.COMPARE]
    looks_mm = 0.0 if spec.detector.captured else 0.5 * spec.top_speed_mm_s * feasible(spec).sample_gap_s
    return max(windows, default=0.0) + looks_mm
