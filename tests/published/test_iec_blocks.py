"""Edges and counters as IEC 61131-3 defines them (Ed 2 tables 35 and 36; block bodies from second-hand copies).

R_TRIG: Q := CLK AND NOT M; M := CLK. F_TRIG: Q := NOT CLK AND NOT M; M := NOT CLK. CTU: R resets, else an edge counts
while CV < PVmax, Q := CV >= PV; PVmax is the type's limit, so the count goes on past PV (the standard's reading, not that
of the libraries that stop at PV). CTUD: an edge up and one down in the same scan cancel. The vectors are computed.
"""

from __future__ import annotations

import pytest

from controller.detect import Eye, Product
from controller.model import Fate, Miss
from controller.registers import Edge
from controller.requests import Book
from controller.spec import Counter, Detector
from controller.travel import Step, Travel
from tests.unit.core_kit import Rig, line_spec


def edges(first: int, clk: list[int]) -> list[Edge | None]:
    """The edges that a sampled eye reports; `first` is the sample that primes it."""
    eye = Eye(Detector(captured=False), 1.0)
    eye.start(bool(first), 0)
    found: list[Edge | None] = []
    for n, level in enumerate(clk):
        seen = eye.sample(bool(level), 10 * n, 10 * n + 10)
        found.append(None if seen is None else seen.edge)
        if seen is not None:
            eye.see(seen, 0.0)
    return found


def test_r_trig() -> None:
    """M = 0, CLK 0 1 1 0 1 gives Q 0 1 0 0 1."""
    assert [int(e is Edge.BLOCKED) for e in edges(0, [0, 1, 1, 0, 1])] == [0, 1, 0, 0, 1]


def test_f_trig() -> None:
    """M = 0 stands for CLK before = 1; CLK 1 0 0 1 0 gives Q 0 1 0 0 1."""
    assert [int(e is Edge.CLEARED) for e in edges(1, [1, 0, 0, 1, 0])] == [0, 1, 0, 0, 1]


def test_r_trig_at_a_cold_start_with_the_eye_blocked_is_primed_from_the_first_sample() -> None:
    """The bare block would give Q 1 0 for CLK 1 1: a product that nobody saw begin."""
    assert edges(1, [1, 1]) == [None, None]


@pytest.mark.parametrize("captured", [True, False])
def test_a_line_that_starts_with_its_eye_blocked_makes_no_product_of_it(captured: bool) -> None:
    rig = Rig(line_spec(detector=Detector(captured=captured)), [(-30.0, 50.0), (150.0, 50.0)])
    rig.run(1.0)
    assert rig.line.eye.blocked is False
    assert rig.line.book.counters.detected == 0
    rig.run(1.5)
    assert rig.line.book.counters.detected == 1


def test_ctu_goes_on_past_pv_and_r_sets_it_back() -> None:
    """PV = 2: CU 0 1 0 1 0 1, then R; CV 0 1 1 2 2 3, 0; Q 0 0 0 1 1 1, 0. The misses in a row are such a counter."""
    book = Book(1, 1.0)
    product = Product(1, 0.0, 1.0, confirmed=True, open_plans=1)
    book.add_product(product, 0)
    for k in range(4):
        book.make(product, 0, k, float(k), 0)
    cv = []
    for cu in (0, 1, 0, 1, 0, 1):
        if cu:
            book.end(book.take(0), Fate.MISSED, 0, Miss.BUSY)
        cv.append(book.misses_in_a_row)
    book.end(book.take(0), Fate.MARKED, 0)
    cv.append(book.misses_in_a_row)
    assert cv == [0, 1, 1, 2, 2, 3, 0]
    assert [int(n >= 2) for n in cv] == [0, 0, 0, 1, 1, 1, 0]


def test_ctud_one_up_and_one_down_within_a_scan_cancel() -> None:
    """CV = 1, CU and CD rise together: CV stays 1. One count forward and one back between two scans leave travel."""
    for sense in (1, -1):
        travel = Travel(Counter(1 << 16, sense), 1000.0, 0.005)
        travel.update(500, None, 0, 0)
        travel.update(500 + sense, None, 5_000_000, 5_000_000)
        assert travel.counts == 1
        moved_ns = travel.moved_ns
        assert travel.update(500 + sense, None, 10_000_000, 10_000_000) is Step.GOOD
        assert (travel.counts, travel.moved_ns) == (1, moved_ns)
