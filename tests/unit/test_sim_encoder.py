"""Counts: floor of true travel, wrap, sense, slip, and the times of entering and leaving a count."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim.belt import Belt, Hunting, Steady
from sim.encoder import Encoder

S = 1_000_000_000


def test_count_c_stands_for_travel_from_c_up_to_c_plus_one() -> None:
    encoder = Encoder(Belt([Steady(1.0)]), 0.25)
    assert [encoder.raw(t) for t in (0, S // 4 - 1, S // 4, S // 2 - 1, S // 2)] == [0, 0, 1, 1, 2]


def test_backward_from_zero_is_travel_minus_one_and_wraps() -> None:
    encoder = Encoder(Belt([Steady(-1.0)]), 0.25, modulus=1 << 16)
    assert encoder.travel(1) == -1
    assert encoder.raw(1) == 65535


def test_counting_down_is_the_mirror_by_the_rule() -> None:
    # Field block, rule 8: with forward counting down travel is −count − 1.
    encoder = Encoder(Belt([Steady(1.0)]), 0.25, start=-1, modulus=1 << 16, sense=-1)
    for t in (0, S // 4 - 1, S // 4, S, 3 * S):
        assert encoder.travel(t) == (-encoder.raw(t) - 1) % (1 << 16)


def test_slip_makes_a_count_longer() -> None:
    # 1000 mm of belt, 0.5 % slip: the wheel saw 995 mm.
    belt = Belt([Steady(100.0, 10 * S), Steady(0.0)])
    assert Encoder(belt, 1.0, slip=0.005).travel(11 * S) == 995


def test_start_count_and_preset() -> None:
    encoder = Encoder(Belt([Steady(1.0)]), 1.0, start=(1 << 32) - 2)
    assert [encoder.raw(n * S) for n in range(4)] == [4294967294, 4294967295, 0, 1]
    encoder.preset(7, 3 * S)
    assert encoder.raw(3 * S) == 7
    assert encoder.raw(5 * S) == 9


@settings(max_examples=200, deadline=None)
@given(st.integers(-50, 40_000), st.floats(0.01, 0.7), st.integers(0, 20 * S))
def test_entering_and_leaving_agree_with_the_count(travel: int, mm: float, after_ns: int) -> None:
    belt = Belt([Hunting(200.0, 50.0, 0.5, 20 * S), Steady(0.0, S), Steady(-30.0, S), Steady(250.0)])
    encoder = Encoder(belt, mm)
    enter_ns = encoder.enter_ns(travel, after_ns)
    assert enter_ns is not None
    assert encoder.travel(enter_ns) >= travel
    assert enter_ns == after_ns or encoder.travel(enter_ns - 1) < travel
    fall_ns = encoder.fall_ns(travel, after_ns)
    if fall_ns is not None:
        assert encoder.travel(fall_ns) <= travel
        assert fall_ns == after_ns or encoder.travel(fall_ns - 1) > travel


@pytest.mark.parametrize("bad", [{"slip": 1.0}, {"modulus": 3}, {"modulus": 7}, {"sense": 0}])
def test_impossible_encoders_are_refused(bad: dict[str, int]) -> None:
    with pytest.raises(ValueError):
        Encoder(Belt([Steady(1.0)]), 0.1, **bad)
    with pytest.raises(ValueError):
        Encoder(Belt([Steady(1.0)]), 0.0)


@settings(max_examples=40)
@given(uneven=st.floats(0.001, 0.49), turn=st.floats(20.0, 500.0), mm=st.floats(-2000.0, 2000.0))
def test_an_uneven_wheel_counts_each_place_once(uneven: float, turn: float, mm: float) -> None:
    encoder = Encoder(Belt([Steady(1.0)]), 0.25, uneven=uneven, turn_mm=turn)
    travel = encoder.travel_of_mm(mm)
    assert encoder.place_mm(travel) <= mm < encoder.place_mm(travel + 1)


def test_an_uneven_wheel_is_right_over_a_whole_turn_and_not_in_between() -> None:
    encoder = Encoder(Belt([Steady(1.0)]), 0.25, uneven=0.1, turn_mm=100.0)
    assert encoder.place_mm(400) == pytest.approx(100.0)
    assert encoder.place_mm(100) == pytest.approx(25.0 + 0.1 * 100.0 / (2 * math.pi))
    assert encoder.place_mm(1) == pytest.approx(0.25 * 1.1, rel=1e-3)
    assert encoder.raws(range(0, 100 * S, S)) == [encoder.raw(t) for t in range(0, 100 * S, S)]


def test_an_uneven_wheel_enters_and_leaves_counts_where_it_says() -> None:
    encoder = Encoder(Belt([Steady(100.0)]), 0.25, uneven=0.2, turn_mm=100.0)
    for travel in (1, 77, 400, 1234):
        t_ns = encoder.enter_ns(travel, 0)
        assert t_ns is not None
        assert (encoder.travel(t_ns), encoder.travel(t_ns - 1)) == (travel, travel - 1)


@pytest.mark.parametrize(("uneven", "turn_mm"), [(0.5, 100.0), (-0.1, 100.0), (0.1, math.inf), (0.1, 0.0)])
def test_unevenness_needs_a_turn_and_a_bound(uneven: float, turn_mm: float) -> None:
    with pytest.raises(ValueError, match="unevenness"):
        Encoder(Belt([Steady(1.0)]), 0.25, uneven=uneven, turn_mm=turn_mm)
