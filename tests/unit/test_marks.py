"""The plans at work: which requests each product and each web asks for, and when."""

from __future__ import annotations

import pytest

from controller.detect import Product
from controller.events import RequestMade
from controller.marks import LineMarks
from controller.model import ProductFate, State
from controller.requests import Book
from controller.spec import Grid, LineSpec, MarkPlan, Material, PlanEdge, Station
from tests.unit.core_kit import line_spec

EXECUTE = State.EXECUTE


class Plans:
    """The marks of a line with one count to the millimetre."""

    def __init__(self, *plans: MarkPlan, distances: tuple[float, ...] = (100.0, 300.0), **spec: object) -> None:
        stations = tuple(Station(f"s{n}", distances[n], plan) for n, plan in enumerate(plans))
        self.spec: LineSpec = line_spec(scale_mm=1.0, stations=stations, **spec)
        self.book = Book(len(stations), 1.0)
        self.marks = LineMarks(self.spec, self.book)
        self.number = 0

    def see(self, lead: float) -> Product:
        self.number += 1
        product = Product(self.number, lead, confirmed=True)
        self.book.add_product(product, 0)
        self.marks.begin(product)
        return product

    def fill(self, travel: int, state: State = EXECUTE) -> list[tuple[int, int, float]]:
        """Make what fits; gives (station, index, due) of what was made."""
        before = len(self.made)
        self.marks.fill(travel, 0, state)
        return self.made[before:]

    def finish(self, product: Product, trail: float, travel: int) -> list[tuple[int, int, float]]:
        before = len(self.made)
        product.trail, product.final = trail, True
        self.marks.finish(product, travel, 0, EXECUTE)
        return self.made[before:]

    @property
    def made(self) -> list[tuple[int, int, float]]:
        return [(e.station, e.index, e.due_counts) for e in self.book.events if isinstance(e, RequestMade)]


def test_each_station_has_its_own_plan_and_distance() -> None:
    plans = Plans(MarkPlan(offset_mm=5.0), MarkPlan(offset_mm=1.0, pitch_mm=10.0, count=2))
    product = plans.see(50.0)
    assert plans.fill(51) == [(0, 0, 155.0), (1, 0, 351.0), (1, 1, 361.0)]
    assert product.open_plans == 0
    assert plans.marks.next_counts(EXECUTE) == float("inf")


def test_leading_and_trailing_on_one_line() -> None:
    plans = Plans(MarkPlan(offset_mm=5.0), MarkPlan(edge=PlanEdge.TRAILING, offset_mm=10.0, pitch_mm=20.0, count=2))
    product = plans.see(50.0)
    assert plans.fill(51) == [(0, 0, 155.0)]
    assert plans.finish(product, 130.0, 131) == [(1, 1, 400.0), (1, 0, 420.0)]
    assert product.open_plans == 0
    assert plans.book.products == {1: product}


def test_separate_products_ask_in_every_state() -> None:
    for state in State:
        plans = Plans(MarkPlan())
        plans.see(50.0)
        assert len(plans.fill(51, state)) == 1


def test_continuous_marks_on_a_product_end_with_it() -> None:
    plans = Plans(MarkPlan(pitch_mm=10.0, count=None))
    product = plans.see(0.0)
    assert [k for _, k, _ in plans.fill(25)] == [0, 1, 2]
    assert plans.marks.next_counts(EXECUTE) == 30.0
    assert [k for _, k, _ in plans.finish(product, 41.0, 60)] == [3, 4]
    assert product.open_plans == 0


def test_a_stop_ends_the_plans_of_the_products_seen() -> None:
    plans = Plans(MarkPlan(pitch_mm=10.0, count=None), MarkPlan(edge=PlanEdge.TRAILING))
    product = plans.see(0.0)
    plans.fill(5)
    plans.marks.drop([product], 0)
    assert plans.fill(500) == []
    assert plans.finish(product, 600.0, 700) == []


def test_what_is_lost_gets_no_mark_and_is_unknown() -> None:
    plans = Plans(MarkPlan(pitch_mm=10.0, count=None))
    plans.see(0.0)
    plans.marks.lose(0)
    assert plans.fill(100) == []
    assert plans.book.counters.products[ProductFate.UNKNOWN] == 1
    assert plans.book.balanced


def test_lost_edges_lose_only_the_products_that_were_open() -> None:
    plans = Plans(MarkPlan(pitch_mm=10.0, count=None))
    first, second = plans.see(0.0), plans.see(1000.0)
    open_products = [second]
    plans.marks.lose_open(open_products, 0)
    assert (open_products, second.lost, first.lost) == ([], True, False)
    assert {k for _, k, due in plans.fill(2000) if due > 1000} <= set(range(1, 300))
    assert list(plans.book.products.values()) == [first]
    assert plans.book.counters.products[ProductFate.UNKNOWN] == 1


def web(grid: Grid, **plan: float) -> Plans:
    return Plans(
        MarkPlan(**{"offset_mm": 20.0, "pitch_mm": 50.0, "count": None, **plan}),  # type: ignore[arg-type]
        material=Material.WEB, grid=grid,
    )  # fmt: skip


def dues(made: list[tuple[int, int, float]]) -> list[float]:
    return [due for _, _, due in made]


def test_a_web_grid_from_the_edge() -> None:
    plans = web(Grid.EDGE)
    product = plans.see(0.0)
    plans.marks.start(product, 10, 0.0)
    assert dues(plans.fill(121)) == [120.0, 170.0, 220.0]


def test_a_web_that_was_there_before_the_start_has_no_edge_grid() -> None:
    plans = web(Grid.EDGE)
    plans.marks.start(Product(1, 0.0, confirmed=True), 10, 0.0)
    assert plans.fill(10_000) == []


@pytest.mark.parametrize("grid", [Grid.START, Grid.PHASE])
def test_a_web_grid_from_the_start(grid: Grid) -> None:
    plans = web(grid)
    plans.marks.start(Product(1, 0.0, confirmed=True), 1000, 1100.0)
    made = dues(plans.fill(1100))
    assert made[0] == 1120.0
    assert {(due - 1020.0) % 50.0 for due in made} == {0.0}


@pytest.mark.parametrize(("grid", "phase"), [(Grid.START, 7003.0), (Grid.PHASE, 1000.0), (Grid.EDGE, 100.0)])
def test_after_a_stop_the_grid_begins_anew_or_goes_on_in_phase(grid: Grid, phase: float) -> None:
    plans = web(grid)
    product = plans.see(0.0) if grid is Grid.EDGE else Product(1, 0.0, confirmed=True)
    plans.marks.start(product, 1000, 1000.0)
    plans.fill(2000)
    plans.marks.drop([product], 0)
    plans.marks.start(product, 7003, 7100.0)
    again = dues(plans.fill(7200))
    assert min(again) >= 7100.0
    assert {(due - phase - 20.0) % 50.0 for due in again} == {0.0}


def test_a_web_asks_in_execute_and_while_held_back_only() -> None:
    asking = set()
    for state in State:
        plans = web(Grid.EDGE)
        plans.see(0.0)
        if plans.fill(500, state):
            asking.add(state)
    held = {State.HOLDING, State.HELD, State.UNHOLDING, State.SUSPENDING, State.SUSPENDED, State.UNSUSPENDING}
    assert asking == held | {State.EXECUTE}


def test_starting_anew_makes_no_backlog_of_what_passed_while_it_stood() -> None:
    plans = web(Grid.EDGE)
    product = plans.see(0.0)
    plans.marks.start(product, 0, 0.0)
    plans.fill(200)
    for state in (State.STOPPED, State.RESETTING, State.IDLE, State.STARTING):
        assert plans.fill(1_000_000, state) == []
    plans.marks.start(product, 1_000_000, 1_000_100.0)
    assert plans.fill(1_000_000) == []
    assert dues(plans.fill(1_000_200)) == [1_000_120.0, 1_000_170.0, 1_000_220.0, 1_000_270.0]


def test_a_grid_keeps_the_phase_over_five_kilometres() -> None:
    scale = 299.7 / 8000
    spec = line_spec(
        scale_mm=scale, material=Material.WEB, grid=Grid.START,
        stations=(Station("tag", 400.0, MarkPlan(offset_mm=120.0, pitch_mm=50.0, count=None)),),
    )  # fmt: skip
    book = Book(1, scale)
    marks = LineMarks(spec, book)
    product = Product(1, 0.0, confirmed=True)
    marks.start(product, 12_345, 0.0)
    last = 100_000
    marks.fill(12_345 + round((120.0 + last * 50.0) / scale), 0, EXECUTE)
    made = {e.index: e.due_counts for e in book.events if isinstance(e, RequestMade)}
    assert made[last] == pytest.approx(12_345 + (120.0 + last * 50.0) / scale, abs=1e-3)
    assert list(made) == list(range(len(made)))
