"""The belt: its integral against numerical quadrature, its crossings against the integral."""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from sim.belt import Belt, Hunting, Ramp, Segment, Slip, Steady

S = 1_000_000_000


def profile() -> list[Segment]:
    return [
        Ramp(400.0, 2 * S),
        Hunting(400.0, 60.0, 0.7, 5 * S),
        Steady(0.0, S),
        Steady(-50.0, 2 * S),
        Ramp(120.0, 3 * S),
        Hunting(20.0, 90.0, 0.4, 7 * S),
        Steady(3.3, 4 * S),
    ]


@pytest.mark.parametrize("repeat", [False, True])
@pytest.mark.parametrize("until_s", [0.3, 2.0, 4.321, 7.5, 10.0, 12.9, 19.99, 23.0, 31.7, 60.0])
def test_position_is_the_integral_of_the_speed(repeat: bool, until_s: float) -> None:
    belt = Belt(profile(), repeat=repeat)
    cycle_s = 24.0
    breaks = [c * cycle_s + x for c in range(3) for x in (0, 2, 7, 8, 10, 13, 20, 24)]
    total = 0.0
    edges = sorted({0.0, until_s, *(b for b in breaks if 0 < b < until_s)})
    for a, b in itertools.pairwise(edges):
        # Inside a segment only: at its borders the speed may jump.
        value, _ = quad(lambda s: belt.speed_mm_s(round(s * S)), a + 1e-9, b - 1e-9, limit=400, epsabs=1e-9)
        total += value
    assert belt.position_mm(round(until_s * S)) == pytest.approx(total, abs=2e-5)


def test_closed_values() -> None:
    belt = Belt([Steady(100.0, 10 * S), Ramp(300.0, 10 * S), Steady(300.0)])
    assert belt.position_mm(10 * S) == pytest.approx(1000.0, abs=1e-9)
    assert belt.position_mm(20 * S) == pytest.approx(3000.0, abs=1e-9)
    assert belt.position_mm(3620 * S) == pytest.approx(3000.0 + 300.0 * 3600, abs=1e-6)
    assert belt.speed_mm_s(15 * S) == pytest.approx(200.0)


def test_the_belt_stands_until_it_is_started() -> None:
    belt = Belt([Steady(100.0)], start_ns=None)
    assert belt.position_mm(5 * S) == 0.0
    assert belt.next_reach_ns(1.0, 0, 1) is None
    assert not belt.running(5 * S)
    belt.start(5 * S)
    assert belt.position_mm(6 * S) == pytest.approx(100.0)
    assert belt.next_reach_ns(50.0, 0, 1) == 5 * S + S // 2
    assert belt.running(5 * S)


def test_a_finished_profile_goes_on_at_its_last_speed() -> None:
    belt = Belt([Steady(10.0, S), Ramp(30.0, S)])
    assert belt.position_mm(12 * S) == pytest.approx(10 + 20 + 300)


def grained(low: float, high: float) -> st.SearchStrategy[float]:
    """Speeds and places as anybody writes them: to a thousandth, never a denormal."""
    return st.floats(low, high).map(lambda value: round(value, 3))


segments = st.lists(
    st.one_of(
        st.builds(Steady, grained(-80, 400), st.integers(S // 100, 20 * S)),
        st.builds(Steady, st.just(0.0), st.integers(S // 100, 5 * S)),
        st.builds(Ramp, grained(-80, 400), st.integers(S // 100, 10 * S)),
        st.builds(Hunting, grained(-50, 400), grained(0, 100), grained(0.05, 2.0), st.integers(S // 100, 9 * S)),
    ),
    min_size=1,
    max_size=6,
)


@settings(max_examples=300, deadline=None)
@given(segments, grained(-300, 3000), st.integers(0, 60 * S), st.sampled_from([1, -1]), st.booleans())
def test_a_crossing_is_the_first_ns_at_which_it_has_happened(
    parts: list[Segment], place_mm: float, after_ns: int, direction: int, repeat: bool
) -> None:
    try:
        belt = Belt(parts, repeat=repeat)
    except ValueError:
        return  # a repeating profile that ends behind its beginning

    def reached(t_ns: int) -> bool:
        here_mm = belt.position_mm(t_ns)
        return here_mm >= place_mm if direction > 0 else here_mm < place_mm

    found_ns = belt.next_reach_ns(place_mm, after_ns, direction)
    samples = [after_ns + n * S // 7 for n in range(500)]
    if found_ns is None:
        assert not any(reached(t) for t in samples)
        return
    assert found_ns >= after_ns
    # To the last bit, but where a cycle of a repeated profile joins the next.
    near_mm = belt.position_mm(found_ns) - place_mm
    assert reached(found_ns) or abs(near_mm) < 1e-8
    assert found_ns == after_ns or not reached(found_ns - 1) or abs(near_mm) < 1e-8
    assert not any(reached(t) and abs(belt.position_mm(t) - place_mm) > 1e-8 for t in samples if t < found_ns)


@settings(max_examples=100, deadline=None)
@given(segments, st.integers(0, 30 * S), st.integers(0, 30 * S))
def test_extremes_and_backtrack_bound_every_sample(parts: list[Segment], from_ns: int, span_ns: int) -> None:
    belt = Belt(parts)
    top = belt.extreme_mm(from_ns, from_ns + span_ns, 1)
    low = belt.extreme_mm(from_ns, from_ns + span_ns, -1)
    highest = 0.0
    ends_ns = sum(p.duration_ns or 0 for p in parts)
    for n in range(101):
        t = from_ns + span_ns * n // 100
        assert low - 1e-9 <= belt.position_mm(t) <= top + 1e-9
        here = belt.position_mm(ends_ns * n // 100)
        highest = max(highest, here)
        assert highest - here <= belt.backtrack_mm + 1e-9


def test_running_follows_the_command_not_the_momentary_speed() -> None:
    belt = Belt([Steady(10.0, S), Ramp(0.0, S), Steady(0.0, S), Ramp(5.0, S)], repeat=True)
    changes = []
    t: int | None = 0
    for _ in range(4):
        assert t is not None
        t = belt.running_changes_ns(t)
        changes.append(t)
    assert changes == [2 * S, 3 * S, 6 * S, 7 * S]
    assert [belt.running(n * S) for n in (0, 1, 2, 3, 6, 7)] == [True, True, False, True, False, True]
    assert Belt([Steady(10.0)]).running_changes_ns(0) is None


def test_steady_speeds_and_range() -> None:
    belt = Belt(profile())
    assert belt.speeds_mm_s() == [-50.0, 3.3]
    assert belt.speed_range_mm_s() == (-70.0, 460.0)


@pytest.mark.parametrize(
    "parts",
    [[], [Steady(1.0), Steady(2.0)], [Steady(1.0, 0)], [Hunting(1.0, 1.0, 0.0, S)], [Hunting(1.0, -1.0, 1.0, S)]],
)
def test_senseless_profiles_are_refused(parts: list[Segment]) -> None:
    with pytest.raises(ValueError):
        Belt(parts)


@pytest.mark.parametrize("parts", [[Steady(1.0)], [Steady(-1.0, S)]])
def test_profiles_that_cannot_repeat_are_refused(parts: list[Segment]) -> None:
    with pytest.raises(ValueError):
        Belt(parts, repeat=True)


def test_never_is_none() -> None:
    belt = Belt([Steady(10.0, 10 * S), Steady(0.0)])
    assert belt.next_reach_ns(100.5, 0, 1) is None
    assert belt.next_reach_ns(-1.0, 0, -1) is None
    assert belt.next_reach_ns(math.nextafter(100.0, 0), 0, 1) is not None


def test_a_wheel_that_slips_loses_travel_in_ramps_only() -> None:
    parts = [Ramp(100.0, 2 * S), Steady(100.0, S), Ramp(-100.0, 4 * S), Ramp(0.0, 2 * S)]
    belt, wheel = Belt(parts), Belt(parts, slip=Slip(0.1, 0.2))
    for until_s, lost_mm in ((2, 10.0), (3, 10.0), (5, 10.0 + 20.0), (7, 30.0 - 10.0), (9, 20.0 - 20.0)):
        lost = belt.position_mm(until_s * S) - wheel.position_mm(until_s * S)
        assert lost == pytest.approx(lost_mm), until_s
    assert wheel.speed_mm_s(20 * S) == 0.0


def test_a_profile_that_ends_in_a_ramp_goes_on_without_slip() -> None:
    wheel = Belt([Ramp(100.0, S)], slip=Slip(starting=0.5))
    assert wheel.position_mm(2 * S) - wheel.position_mm(S) == pytest.approx(100.0)


def test_slip_of_all_the_travel_is_refused() -> None:
    with pytest.raises(ValueError, match="slip"):
        Slip(stopping=1.0)
