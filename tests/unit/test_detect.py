"""The detector: which edges are products, which are the same edge again, and where they lie."""

from __future__ import annotations

import random
from statistics import fmean

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.detect import EdgeSeen, Eye, Product, edge_of
from controller.registers import BACKWARD, Capture, Edge
from controller.spec import Detector

B, C = Edge.BLOCKED, Edge.CLEARED


class Watched:
    """An eye with its products; one count is one millimetre."""

    def __init__(self, blocked: bool = False, **filters: float) -> None:
        self.eye = Eye(Detector(**filters), 1.0)  # type: ignore[arg-type]
        self.eye.start(blocked, 0)
        self.products: list[Product] = []
        self.travel = 0

    def at(self, travel: int, *edges: tuple[Edge, int], response: float = 0.0) -> None:
        """The belt is at `travel`; these edges came since the last scan. A negative edge ran backward."""
        for edge, count in edges:
            code = int(edge) | (BACKWARD if count < 0 else 0)
            began = self.eye.see(edge_of(Capture(code, 0), abs(count)), response)
            if began is not None:
                self.products.append(began)
        self.eye.settle(travel, travel < self.travel)
        self.travel = travel

    @property
    def real(self) -> list[tuple[float, float | None]]:
        return [(p.lead, p.trail) for p in self.products if p.confirmed]


def test_an_edge_lies_in_the_middle_of_its_count() -> None:
    seen = edge_of(Capture(1, 0), 40)
    assert (seen.edge, seen.backward, seen.travel, seen.place) == (B, False, 40, 40.5)
    assert edge_of(Capture(2 | BACKWARD, 0), 40) == EdgeSeen(C, True, 40, 40.5)


def test_one_product() -> None:
    watched = Watched()
    watched.at(50, (B, 10))
    watched.at(80, (C, 60))
    assert watched.real == [(10.5, 60.5)]
    assert watched.products[0].final


def test_the_response_is_taken_out_of_both_edges() -> None:
    watched = Watched()
    watched.at(80, (B, 10), (C, 60), response=3.25)
    assert watched.real == [(7.25, 57.25)]


def test_an_eye_blocked_at_the_start_makes_no_product() -> None:
    watched = Watched(blocked=True)
    watched.at(50, (C, 20))
    assert watched.products == []
    watched.at(90, (B, 60), (C, 80))
    assert watched.real == [(60.5, 80.5)]


def test_an_eye_that_stays_blocked_from_the_start_is_seen_to_be() -> None:
    watched = Watched(blocked=True)
    watched.at(400)
    assert watched.eye.blocked_mm(400) == 400.0
    watched.at(500, (C, 450))
    assert watched.eye.blocked_mm(500) == 0.0


def test_blocked_counts_from_the_leading_edge_over_gaps_too_short_to_end_it() -> None:
    watched = Watched(least_gap_mm=10.0)
    watched.at(95, (B, 10), (C, 80), (B, 85))
    assert watched.eye.blocked_mm(95) == 84.5


def test_a_gap_shorter_than_the_least_gap_does_not_end_a_product() -> None:
    for gap, products in ((9, 1), (10, 2)):
        watched = Watched(least_gap_mm=10.0)
        watched.at(60, (B, 10), (C, 50))
        watched.at(90, (B, 50 + gap), (C, 80))
        watched.at(200)
        assert len(watched.real) == products
        assert watched.real[-1][1] == 80.5


def test_a_pulse_shorter_than_the_least_length_is_none() -> None:
    for length, products in ((19, 0), (20, 1)):
        watched = Watched(least_length_mm=20.0)
        watched.at(100, (B, 10), (C, 10 + length))
        assert len(watched.real) == products
        assert watched.eye.noise == 1 - products


def test_a_product_is_known_as_soon_as_it_is_long_enough() -> None:
    watched = Watched(least_length_mm=20.0)
    watched.at(30, (B, 10))
    assert not watched.products[0].confirmed
    assert watched.eye.next_counts() == 30.5
    watched.at(31)
    assert watched.products[0].confirmed
    assert not watched.products[0].final


def test_an_edge_within_the_hold_off_is_the_same_edge_again() -> None:
    for second, products in ((39, 1), (40, 2)):
        watched = Watched(hold_off_mm=30.0)
        watched.at(100, (B, 10), (C, 12), (B, second), (C, 60))
        watched.at(300)
        assert len(watched.real) == products


def test_bounce_makes_one_product_with_the_outermost_edges() -> None:
    watched = Watched(least_gap_mm=5.0, least_length_mm=20.0)
    bounce = [(B, 10), (C, 11), (B, 12), (C, 13), (B, 14), (C, 60), (B, 61), (C, 62)]
    watched.at(200, *bounce)
    assert watched.real == [(10.5, 62.5)]


def test_products_without_length_are_products_without_filters() -> None:
    watched = Watched()
    watched.at(100, (B, 10), (C, 10), (B, 11), (C, 11), (B, 60), (C, 60))
    assert watched.real == [(10.5, 10.5), (11.5, 11.5), (60.5, 60.5)]
    assert all(p.final for p in watched.products[:2])


def test_backing_up_over_edges_brings_the_same_edges_again() -> None:
    watched = Watched()
    watched.at(100, (B, 10), (C, 60))
    watched.at(0, (B, -60), (C, -10))
    watched.at(90, (B, 10), (C, 60))
    watched.at(120)
    watched.at(200, (B, 150), (C, 180))
    assert watched.real == [(10.5, 60.5), (150.5, 180.5)]


def test_backing_up_over_the_last_edge_within_its_own_count() -> None:
    """The belt turns back in the very count of the edge: the capture comes twice for the same count."""
    watched = Watched()
    watched.at(60, (B, 60))
    watched.at(55, (C, -60))
    watched.at(100, (B, 60), (C, 95))
    watched.at(120)
    assert watched.real == [(60.5, 95.5)]


def test_a_product_without_length_in_the_count_in_which_the_belt_turns() -> None:
    watched = Watched()
    watched.at(60, (B, 60), (C, 60))
    watched.at(55, (B, -60), (C, -60))
    watched.at(100, (B, 60), (C, 60), (B, 80), (C, 80))
    assert watched.real == [(60.5, 60.5), (80.5, 80.5)]


def test_backing_up_half_way_over_a_product_and_on() -> None:
    watched = Watched()
    watched.at(40, (B, 10))
    watched.at(5, (C, -10))
    watched.at(30, (B, 10))
    watched.at(90, (C, 70))
    assert watched.real == [(10.5, 70.5)]


def test_jitter_between_two_polls_at_one_edge() -> None:
    watched = Watched()
    watched.at(21, (B, 20), (C, -20), (B, 20), (C, -20), (B, 20))
    watched.at(90, (C, 70))
    assert watched.real == [(20.5, 70.5)]


def test_an_edge_told_late_is_a_new_one_where_the_belt_has_not_turned_back() -> None:
    """An I/O side that reads its count after its captures tells of an edge behind the last count with the next read."""
    watched = Watched()
    watched.at(52)
    watched.at(100, (B, 50), (C, 90))
    assert watched.real == [(50.5, 90.5)]


@given(st.lists(st.tuples(st.integers(1, 50), st.integers(1, 50)), max_size=20), st.lists(st.integers(0, 400)))
def test_however_the_belt_moves_each_product_is_seen_once(parts: list[tuple[int, int]], turns: list[int]) -> None:
    """Products of a belt that goes to and fro, at last beyond all of them: one each, at its own place."""
    edges, place = [], 0
    for gap, length in parts:
        edges += [(B, place + gap), (C, place + gap + length)]
        place += gap + length
    watched = Watched()
    here = 0
    for there in [*turns, place + 10]:
        if there > here:
            watched.at(there, *[(e, c) for e, c in edges if here < c <= there])
        else:
            back = {B: C, C: B}
            watched.at(there, *[(back[e], -c) for e, c in reversed(edges) if there < c <= here])
        here = there
    found = iter(edges)
    assert watched.real == [(c + 0.5, next(found)[1] + 0.5) for _, c in found]


def sampled(eye: Eye, blocked: bool, before: int, now: int) -> EdgeSeen | None:
    seen = eye.sample(blocked, before, now)
    if seen is not None:
        eye.see(seen, 0.0)
    return seen


def test_a_sampled_edge_needs_a_change_from_the_first_sample_on() -> None:
    eye = Eye(Detector(captured=False), 1.0)
    eye.start(True, 0)
    assert sampled(eye, True, 0, 10) is None
    assert sampled(eye, False, 10, 20) == EdgeSeen(C, False, 15, 15.5)
    assert sampled(eye, False, 20, 30) is None
    assert sampled(eye, True, 30, 20) == EdgeSeen(B, True, 25, 25.5)


def test_the_place_of_a_sampled_edge_is_unbiased() -> None:
    chance = random.Random(4)
    errors = []
    for _ in range(20_000):
        begin, step = 1000.0 * chance.random(), 20.0
        edge = begin + step * chance.random()
        eye = Eye(Detector(captured=False), 1.0)
        eye.start(False, int(begin))
        seen = eye.sample(True, int(begin), int(begin + step))
        assert seen is not None
        errors.append(seen.place - edge)
    assert fmean(errors) == pytest.approx(0.0, abs=0.15)  # sd 5.8 counts of 20 000
    assert max(map(abs, errors)) < 11.0


def test_a_lost_trailing_edge_makes_two_products_one() -> None:
    watched = Watched()
    watched.at(200, (B, 10), (B, 100), (C, 150))
    assert watched.real == [(10.5, 150.5)]


def test_adopting_endless_material_and_its_end() -> None:
    watched = Watched(blocked=True)
    product = watched.eye.adopt(40)
    assert (product.lead, product.confirmed, watched.eye.latest) == (40.0, True, product)
    watched.at(100, (C, 90))
    assert (product.trail, product.final) == (90.5, True)


def test_starting_anew_forgets_the_product_in_the_eye() -> None:
    watched = Watched()
    watched.at(50, (B, 10))
    watched.eye.start(True, 50)
    assert watched.eye.latest is None
    watched.at(100, (C, 80))
    assert watched.products[0].trail is None
