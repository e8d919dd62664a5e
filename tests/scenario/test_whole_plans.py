"""Mark plans on a whole line: each mark of each station where its plan has it, within one count, and none too many."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace

import pytest

from controller.spec import LineSpec, MarkPlan, PlanEdge, Station
from tests.scenario.rig import WholeLine, constant, hunting, marker, products, ramp, scene, spec_of

LEADING, TRAILING = PlanEdge.LEADING, PlanEdge.TRAILING
NEAR_MM, FAR_MM = 330.02, 480.03


def line_of(*stations: tuple[str, float, MarkPlan]) -> LineSpec:
    made = [Station(name, distance, plan, mark_time_s=0.004, rearm_s=0.002) for name, distance, plan in stations]
    return replace(spec_of("demo-line.toml"), stations=tuple(made))


@dataclass(frozen=True)
class Case:
    """A line, the lengths of its products (mm, uniform ± spread), and which mark indices a length is to get there."""

    spec: LineSpec
    length: float = 120.0
    spread: float = 1.0


def wanted(plan: MarkPlan, length_mm: float) -> list[int]:
    """The marks that a product of this length is to get, straight from the plan's definition.

    From the leading edge mark k lies at offset + k × pitch, from the trailing edge so much before it, and reaches
    `length` further towards the trailing edge. Continuous plans go on while material lasts; a plan that keeps on the
    product leaves out what would run off it.
    """
    made = []
    for k in range(1000 if plan.count is None else plan.count):
        off_mm = plan.offset_mm + k * plan.pitch_mm
        place_mm = off_mm if plan.edge is LEADING else length_mm - off_mm
        ends_mm = place_mm + plan.length_mm
        if plan.count is None and not 0.0 <= place_mm <= length_mm:
            break
        if plan.keep_on_product and (place_mm < 0.0 or ends_mm > length_mm):
            continue
        made.append(k)
    return made


CASES = {
    "one from the leading edge": Case(line_of(("a", NEAR_MM, MarkPlan(LEADING, 12.0, length_mm=18.0)))),
    "one from the trailing edge": Case(line_of(("a", NEAR_MM, MarkPlan(TRAILING, 30.0, length_mm=18.0)))),
    "four at a pitch": Case(line_of(("a", NEAR_MM, MarkPlan(LEADING, 5.0, 21.7, 4, 6.0)))),
    "three at a pitch from the trailing edge": Case(line_of(("a", NEAR_MM, MarkPlan(TRAILING, 20.0, 17.3, 3, 6.0)))),
    "continuous": Case(line_of(("a", NEAR_MM, MarkPlan(LEADING, 4.0, 15.1, None, 6.0)))),
    "continuous, kept on products of any length": Case(
        line_of(("a", NEAR_MM, MarkPlan(LEADING, 4.0, 15.1, None, 6.0, True))), 120.0, 60.0
    ),
    "continuous from the trailing edge": Case(
        line_of(("a", NEAR_MM, MarkPlan(TRAILING, 8.0, 15.1, None, 6.0, True))), 120.0, 60.0
    ),
    "kept on short products": Case(line_of(("a", NEAR_MM, MarkPlan(LEADING, 40.0, 30.0, 3, 20.0, True))), 100.0, 60.0),
    "kept on short products from the trailing edge": Case(
        line_of(("a", NEAR_MM, MarkPlan(TRAILING, 10.0, 30.0, 4, 20.0, True))), 100.0, 60.0
    ),
    "two stations, one from each edge": Case(
        line_of(
            ("far", FAR_MM, MarkPlan(LEADING, 12.0, 31.3, 3, 18.0)),
            ("near", NEAR_MM, MarkPlan(TRAILING, 25.0, 17.3, 2, 10.0, True)),
        ),
        120.0, 40.0,
    ),
    "three stations at one place": Case(
        line_of(*((name, NEAR_MM, MarkPlan(LEADING, 12.0, length_mm=5.0)) for name in ("a", "b", "c")))
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_every_mark_of_every_plan_is_made_once_and_in_its_place(case: str) -> None:
    spec, length, spread = CASES[case].spec, CASES[case].length, CASES[case].spread
    supply = products(
        length=length,
        length_spread=spread,
        length_varies="uniform",
        gap=60.0,
        spread=40.0,
        varies="uniform",
        first=30.0,
    )
    world = scene(
        [ramp(300.0, 600.0), hunting(300.0, 50.0, 2.0, 20.0), ramp(450.0, 900.0), constant(450.0)], [supply], seed=6,
        markers=[marker(station=s.name) for s in spec.stations],
    )  # fmt: skip
    whole = WholeLine(spec, world)
    seen = []
    take = whole.verdict.product
    whole.device._eye._on_pass = lambda product: (seen.append(product), take(product))  # type: ignore[func-returns-value]
    whole.bench.start()
    whole.until(30.0)
    whole.assert_sound()
    assert not whole.line.faults.totals and not any(whole.bench.snapshot().counters.missed.values())
    got: dict[tuple[int, int], list[int]] = defaultdict(list)
    for mark in whole.marks:
        assert mark.product is not None and mark.index is not None
        got[mark.truth.station, mark.product].append(mark.index)
    here_mm = whole.device.belt.position_mm(whole.bench.now_ns)
    counts = {"bare": 0, "products": 0}
    for number, station in enumerate(spec.stations):
        past = [p for p in seen if p.trail_mm + station.distance_mm + 5.0 < here_mm]
        for product in past:
            expected = wanted(station.plan, product.length_mm)
            order = expected if station.plan.edge is LEADING else expected[::-1]
            assert got[number, product.number] == order, f"product {product.number}, {product.length_mm:.2f} mm long"
            counts["bare"] += not expected
        counts["products"] += len(past)
    assert len(past) > 40
    print(f"\n{case}: {len(whole.marks)} marks, {counts}, largest error {whole.largest_counts():.3f} counts")
    assert whole.largest_counts() <= 1.0
