"""The eye: edges forward and backward, response, bounce, touching products, what lies under it at the start."""

from __future__ import annotations

import pytest

from sim.belt import Belt, Segment, Steady
from sim.detector import Eye, EyeSpec
from sim.products import Product

S = 1_000_000_000


class Watch:
    def __init__(self, spec: EyeSpec, belt: Belt, *pieces: tuple[float, float]) -> None:
        self.changes: list[tuple[float, bool, bool]] = []
        self.caught: list[int] = []
        self.passed: list[int] = []
        supply = [Product(n, lead, length) for n, (lead, length) in enumerate(pieces, start=1)]
        self.eye = Eye(spec, belt, iter(supply), self._change, lambda p: self.passed.append(p.number))

    def _change(self, t_ns: int, blocked: bool, backward: bool, product: Product | None) -> None:
        self.changes.append((round(t_ns / S, 6), blocked, backward))
        if product is not None:
            self.caught.append(product.number)

    def run(self, until_s: float) -> list[tuple[float, bool, bool]]:
        while self.eye.next_ns is not None and self.eye.next_ns <= until_s * S:
            self.eye.step()
        return self.changes


def steady(*parts: Segment) -> Belt:
    return Belt(parts or [Steady(10.0)])


def test_both_edges_of_each_product() -> None:
    watch = Watch(EyeSpec(), steady(), (10.0, 20.0), (50.0, 5.0))
    assert watch.run(10) == [(1.0, True, False), (3.0, False, False), (5.0, True, False), (5.5, False, False)]
    assert watch.caught == watch.passed == [1, 2]


def test_backward_the_same_edges_come_in_reverse_and_are_marked_so() -> None:
    belt = steady(Steady(10.0, 4 * S), Steady(-10.0, 4 * S), Steady(10.0))
    watch = Watch(EyeSpec(), belt, (10.0, 20.0))
    assert watch.run(20) == [
        (1.0, True, False), (3.0, False, False),
        (5.0, True, True), (7.0, False, True),
        (9.0, True, False), (11.0, False, False),
    ]  # fmt: skip
    assert watch.passed == [1]
    assert watch.caught == [1]


def test_touching_products_look_like_one() -> None:
    belt = steady(Steady(10.0, 6 * S), Steady(-10.0, 6 * S), Steady(0.0))
    watch = Watch(EyeSpec(), belt, (10.0, 20.0), (30.0, 10.0))
    assert [c[1:] for c in watch.run(20)] == [(True, False), (False, False), (True, True), (False, True)]
    assert watch.passed == [1, 2]
    assert watch.caught == [1]


def test_a_product_without_length_gives_both_edges_at_once() -> None:
    watch = Watch(EyeSpec(), steady(), (10.0, 0.0))
    assert watch.run(5) == [(1.0, True, False), (1.0, False, False)]


def test_what_is_under_the_eye_at_the_start_gives_no_leading_edge() -> None:
    watch = Watch(EyeSpec(), steady(), (-5.0, 20.0), (50.0, 5.0))
    assert watch.eye.blocked
    assert watch.run(5) == [(1.5, False, False), (5.0, True, False)]
    assert watch.passed == [1, 2]
    assert watch.caught == [2]


def test_the_response_delays_in_time() -> None:
    belt = steady(Steady(10.0, 2 * S), Steady(20.0))
    watch = Watch(EyeSpec(response_ns=S // 4), belt, (10.0, 20.0))
    assert watch.run(9) == [(1.25, True, False), (2.75, False, False)]
    assert watch.eye.next_change_ns is None


def test_the_next_change_is_told_before_the_crossing() -> None:
    watch = Watch(EyeSpec(response_ns=S // 4), steady(), (10.0, 20.0))
    assert watch.eye.next_change_ns == S + S // 4
    assert watch.eye.next_ns == S


@pytest.mark.parametrize("spec", [EyeSpec(bounces=2, bounce_mm=4.0), EyeSpec(bounces=2, bounce_ns=4 * S // 10)])
def test_bounce_adds_pulses_at_each_edge(spec: EyeSpec) -> None:
    watch = Watch(spec, steady(), (10.0, 20.0))
    found = watch.run(9)
    assert [c[1] for c in found] == [True, False, True, False, True, False, True, False, True, False]
    assert [c[0] for c in found] == [1.0, 1.1, 1.2, 1.3, 1.4, 3.0, 3.1, 3.2, 3.3, 3.4]
    assert watch.caught == [1]


def test_bounce_in_travel_stays_within_short_products_and_gaps() -> None:
    watch = Watch(EyeSpec(bounces=3, bounce_mm=50.0), steady(), (10.0, 4.0), (16.0, 4.0))
    states = [c[1] for c in watch.run(9)]
    assert states == [True, False] * (len(states) // 2)
    assert len(states) == 4 * 7


def test_memory_of_edges_is_bounded_and_backing_up_still_works() -> None:
    belt = Belt([Steady(100.0, 10 * S), Steady(-50.0, S)], repeat=True)
    pieces = [(20.0 * n, 10.0) for n in range(1, 20_000)]
    watch = Watch(EyeSpec(), belt, *pieces)
    watch.run(4000)
    assert len(watch.eye._row) < 5000
    assert watch.passed == list(range(1, len(watch.passed) + 1))
    assert len(watch.passed) == pytest.approx(4000 / 11 * 950 / 20, abs=50)
