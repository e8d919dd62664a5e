"""The verdict: places, doubles, misplaced marks and what each product got, against figures made by hand."""

from __future__ import annotations

import random
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.registers import Command, ControlBit, OrderKind
from controller.spec import LineSpec, MarkPlan, Material, PlanEdge, Station
from sim.marker import MarkTruth
from sim.products import Product
from sim.scenario import Scenario
from sim.sums import Placement, Sums
from sim.verdict import Judged, Verdict
from sim.world import build_device

S = 1_000_000_000
MS = 1_000_000


def scenario(**more: Any) -> Scenario:
    base: dict[str, Any] = {
        "name": "t",
        "belt": {"segments": [{"kind": "constant", "speed": "100 mm/s"}]},
        "products": [{"length": "60 mm", "pitch": "100 mm"}],
    }
    return Scenario.model_validate({**base, **more}, strict=False)


def line(plan: MarkPlan, material: Material = Material.DISCRETE, scale_mm: float = 0.1) -> LineSpec:
    return LineSpec("l", scale_mm, (Station("m", 300.0, plan),), material=material)


class Judge:
    """A verdict fed by hand: products 60 mm long every 100 mm, marks at places of the belt."""

    def __init__(self, plan: MarkPlan, material: Material = Material.DISCRETE, **more: Any) -> None:
        self.spec, self.scenario = line(plan, material), scenario(**more)
        self.seen: list[Judged] = []
        self.verdict = Verdict(self.spec, self.scenario, self.seen.append)
        self.device = build_device(self.spec, self.scenario, on_product=self.verdict.product)
        self.products: list[Product] = []

    def at(self, place_mm: float, *, station: int = 0, speed_mm_s: float = 100.0) -> Judged:
        """Make a mark at a place of the material; the belt has run until that place is at the marker."""
        t_ns = round((place_mm + 300.0) / 100.0 * S)
        if t_ns > self.device.now_ns:
            self.device.advance(t_ns)
        self.verdict.mark(MarkTruth(1, station, 0, t_ns, t_ns, place_mm + 300.0, speed_mm_s))
        return self.seen[-1]

    def result(self, until_mm: float) -> dict[str, Any]:
        self.device.advance(round(until_mm / 100.0 * S))
        return self.verdict.result(self.device)


def test_the_error_is_the_place_less_the_plan() -> None:
    judge = Judge(MarkPlan(offset_mm=12.0))
    found = judge.at(112.03)
    assert (found.product, found.index, found.error_mm) == (1, 0, pytest.approx(0.03))
    assert judge.at(211.95).error_mm == pytest.approx(-0.05)
    result = judge.result(700.0)
    assert result["world"] == {
        "products": 7, "under_eye_at_start": 0, "past_marker": 3, "undetected": 0, "marks": 2,
        "complete": 2, "partial": 0, "bare": 1,
    }  # fmt: skip
    assert result["placement"]["n"] == 2
    assert result["placement"]["mean_mm"] == pytest.approx(-0.01)
    assert result["placement"]["max_abs_mm"] == pytest.approx(0.05)
    assert (result["doubles"], result["off_product"]) == (0, 0)


def test_positions_count_forward_from_the_trailing_edge() -> None:
    judge = Judge(MarkPlan(PlanEdge.TRAILING, 10.0, 20.0, 2))
    assert [(j.product, j.index, round(j.error_mm or 0.0, 6)) for j in (judge.at(130.0), judge.at(150.2))] == [
        (1, 1, 0.0), (1, 0, 0.2),
    ]  # fmt: skip


def test_the_nearest_of_several_marks_is_meant() -> None:
    judge = Judge(MarkPlan(offset_mm=10.0, pitch_mm=20.0, count=3))
    found = [judge.at(place) for place in (110.0, 130.1, 149.8, 210.0)]
    assert [(j.product, j.index) for j in found] == [(1, 0), (1, 1), (1, 2), (2, 0)]
    result = judge.result(700.0)
    assert [result["world"][k] for k in ("complete", "partial", "bare")] == [1, 1, 1]


def test_doubles_and_marks_beside_every_product_are_counted_apart() -> None:
    judge = Judge(MarkPlan(offset_mm=12.0))
    assert not judge.at(112.0).double
    assert judge.at(112.1).double
    assert judge.at(180.0).product is None
    result = judge.result(500.0)
    assert (result["doubles"], result["off_product"], result["placement"]["n"]) == (1, 1, 2)


def test_on_touching_products_the_plan_decides_which_is_meant() -> None:
    judge = Judge(MarkPlan(), products=[{"length": "100 mm", "pitch": "100 mm"}])
    found = judge.at(199.95)
    assert (found.product, found.error_mm) == (2, pytest.approx(-0.05))
    world = judge.result(950.0)["world"]
    assert (world["products"], world["undetected"]) == (9, 8)  # the eye saw one long product


def test_products_without_length_take_the_nearest_mark() -> None:
    judge = Judge(MarkPlan(), products=[{"gap": "10 mm"}])
    assert [(j.product, round(j.error_mm or 0.0, 6)) for j in (judge.at(20.3), judge.at(28.9))] == [(2, 0.3), (3, -1.1)]


def test_what_lay_under_the_eye_at_the_start_is_no_product_of_the_run() -> None:
    judge = Judge(MarkPlan(), products=[{"length": "60 mm", "pitch": "100 mm", "first": "-20 mm"}])
    assert judge.at(-20.0).product is None
    world = judge.result(500.0)["world"]
    assert (world["under_eye_at_start"], world["products"], world["bare"]) == (1, 5, 1)


def test_a_web_counts_from_its_leading_edge() -> None:
    plan = MarkPlan(offset_mm=120.0, pitch_mm=50.0, count=None)
    judge = Judge(plan, Material.WEB, products=[{"kind": "web", "first": "7 mm"}])
    found = [judge.at(7.0 + 120.0 + 50.0 * k + 0.01) for k in (0, 1, 3, 60_000)]
    assert [j.index for j in found] == [0, 1, 3, 60_000]
    assert [j.error_mm for j in found] == pytest.approx([0.01] * 4, abs=1e-6)
    for k in range(70_000, 90_000):
        judge.at(127.0 + 50.0 * k)
    assert judge.at(127.0 + 50.0 * 89_999).double
    assert len(judge.verdict._near[0].marked) <= 8193
    world = judge.result(1e7)["world"]
    assert (world["products"], world["past_marker"]) == (1, 1)


def test_the_tolerance_is_a_count_and_the_wheels_own_error() -> None:
    plan = MarkPlan(offset_mm=20.0)
    judge = Judge(plan)
    judge.at(120.0)
    assert judge.verdict.tolerance_mm() == pytest.approx(0.1, abs=2e-6)
    assert judge.verdict.tolerance_mm(0.4) == pytest.approx(0.5, abs=2e-6)
    worn = Judge(plan, encoder={"circumference_factor": 0.99, "slip": 0.01})
    worn.at(120.0)
    factor = 0.99 / 0.99
    assert worn.verdict.tolerance_mm() == pytest.approx(0.1 * factor, abs=2e-6)
    small = Judge(plan, encoder={"circumference_factor": 0.99})
    small.at(120.0)
    assert small.verdict.tolerance_mm() == pytest.approx(0.099 + 0.01 * 320.0, abs=1e-5)


@pytest.mark.parametrize(
    ("plan", "wanted"),
    [
        (MarkPlan(), 1),
        (MarkPlan(offset_mm=50.0, length_mm=15.0, keep_on_product=True), 0),
        (MarkPlan(offset_mm=10.0, pitch_mm=10.0, count=9), 9),
        (MarkPlan(offset_mm=10.0, pitch_mm=10.0, count=9, keep_on_product=True), 6),
        (MarkPlan(offset_mm=10.0, pitch_mm=10.0, count=None), 6),
        (MarkPlan(offset_mm=10.0, pitch_mm=10.0, count=None, length_mm=8.0, keep_on_product=True), 5),
        (MarkPlan(PlanEdge.TRAILING, 10.0, 10.0, None), 6),
        (MarkPlan(PlanEdge.TRAILING, 0.0, 10.0, None, 15.0, True), 5),
    ],
)
def test_how_many_marks_a_product_of_60_mm_wants(plan: MarkPlan, wanted: int) -> None:
    assert Verdict(line(plan), scenario()).wanted(Product(1, 0.0, 60.0)) == wanted


def test_a_whole_run_by_the_rules_stays_within_a_count_and_memory_flat() -> None:
    spec = line(MarkPlan(offset_mm=12.0), scale_mm=0.0473)
    run = scenario(
        belt={"segments": [{"kind": "hunting", "speed": "300 mm/s", "amplitude": "80 mm/s", "period": "3 s",
                            "duration": "600 s"}]},
        products=[{"length": "60 mm", "pitch": "100 mm", "spread": "20 mm", "varies": "uniform", "missing": 0.1}],
        encoder={"start_count": 4294967000},
    )  # fmt: skip
    seen: list[Judged] = []
    verdict = Verdict(spec, run, seen.append)
    device = build_device(spec, run, on_product=verdict.product, on_mark=verdict.mark)
    boot_id = device.read(0).boot_id
    beat = token = captured = 0

    def write(t_ns: int, control: int, **order: int) -> None:
        nonlocal beat
        beat += 1
        device.write(Command(beat & 0xFFFF, control, boot_id, 9, 1000, order_token=token & 0xFFFF, **order), t_ns)

    write(0, 0)
    write(0, ControlBit.ENABLE)
    t_ns = 0
    while t_ns < 500 * S:
        t_ns += 20 * MS
        write(t_ns, ControlBit.ENABLE)
        status = device.read(t_ns)
        while captured != status.capture_total:
            capture = status.captures[captured % 8]
            captured += 1
            if capture.edge == 1:
                token += 1
                target = round(capture.count + 0.5 + 312.0 / 0.0473) % (1 << 32)
                write(t_ns, ControlBit.ENABLE, order_kind=OrderKind.ARM, order_count=target)
    result = verdict.result(device)
    assert result["world"]["past_marker"] == result["world"]["complete"] > 1200
    assert result["placement"]["max_abs_mm"] <= result["placement"]["tolerance_mm"]
    assert abs(result["placement"]["mean_mm"]) < 0.5 * 0.0473
    assert sum(row["n"] for row in result["by_speed"]) == result["placement"]["n"] == len(seen)
    assert len(verdict._near) < 20


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(-5, 5), min_size=2, max_size=200))
def test_sums_agree_with_the_library(errors: list[float]) -> None:
    sums, placement = Sums(), Placement([], (0.0, 1.0))
    for error in errors:
        sums.add(error, 1.0)
        placement.add(error, 0.5)
    assert sums.mean_mm == pytest.approx(np.mean(errors), abs=1e-9)
    assert sums.sd_mm == pytest.approx(np.std(errors, ddof=1), abs=1e-9)
    summary = placement.summary()
    assert summary["max_abs_mm"] == max(map(abs, errors))
    wanted = np.quantile(np.abs(errors), 0.99, method="inverted_cdf")
    assert summary["p99_abs_mm"] == pytest.approx(wanted, rel=0.006, abs=2e-9)


def test_speeds_are_told_apart() -> None:
    chance = random.Random(1)
    placement = Placement([100.0, 400.0], (100.0, 400.0))
    for speed in (100.0, 400.0, 130.0, 390.0):
        for _ in range(50):
            placement.add(chance.gauss(speed / 1000.0, 0.001), speed)
    rows = placement.by_speed()
    assert [(r["speed_mm_s"], r["n"], r["steady"]) for r in rows] == [
        (100.0, 50, True), (130.0, 50, False), (390.0, 50, False), (400.0, 50, True),
    ]  # fmt: skip
    assert [r["mean_mm"] for r in rows] == pytest.approx([0.1, 0.13, 0.39, 0.4], abs=0.001)


def test_nothing_seen_gives_no_figures() -> None:
    summary = Placement([], (0.0, 1.0)).summary()
    assert summary == {"n": 0, "mean_mm": None, "sd_mm": None, "p99_abs_mm": None, "max_abs_mm": None}
