"""Each missed request carries its own reason, and the share of busy misses is the one that queueing theory gives.

With S = mark time + rearm, a mark at t makes its marker busy for [t, t + S): arrivals in it are lost, the first one
after it is marked, and then all begins anew. So marks are a renewal process whose cycle, counted in arrivals, is 1 + N
with N the arrivals lost after a mark. With m = E N and w = Var N the share lost is m / (1 + m), and over n arrivals
the central limit theorem for renewals gives its standard error as sqrt(w / (n (1 + m)³)): arrivals lost together are
not independent, so the binomial one would be wrong.

- Edges Poisson in travel at constant speed: N is Poisson with mean a = rate × S, so m = w = a and the share is
  a / (1 + a), Erlang B for one server (checks.md 10: one server, B = a/(1+a); a = 1 gives 0.5).
- Products of length L with exponential gaps: the n-th edge after a marked one comes n L and n gaps later, so
  P(N ≥ n) = P(n L + Gamma(n) ≤ S), m = Σ P(N ≥ n), w = Σ (2 n − 1) P(N ≥ n) − m².
- Regular products, one every T: each ceil(S / T)-th is marked (checks.md 10), with nothing left to chance.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import pytest
from scipy import stats

from controller.spec import LineSpec
from tests.scenario.rig import (
    constant,
    event,
    figures,
    marker,
    products,
    ramp,
    run,
    scene,
    spec_of,
    with_station,
)

SPEED = 400.0

Z = 2.576
"""99 % of a normal distribution lie within so many standard deviations."""

BY_THE_STOP = ("void", "not_permitted")
"""What the stop at the end gives to what lies ahead of it, or passes while it waits for a mark in progress."""


def open_line(service_s: float, distance_mm: float = 60.0) -> LineSpec:
    """The demo line with filters and plan offset at zero, and with no limit to misses in a row."""
    spec = spec_of("demo-line.toml")
    eye = replace(spec.detector, least_length_mm=0.0, least_gap_mm=0.0, hold_off_mm=0.0, jam_length_mm=None)
    plan = replace(spec.stations[0].plan, offset_mm=0.0, length_mm=0.0, keep_on_product=False)
    spec = replace(spec, detector=eye, limits=replace(spec.limits, misses_in_a_row=0))
    return with_station(spec, distance_mm=distance_mm, plan=plan, mark_time_s=0.8 * service_s, rearm_s=0.2 * service_s)


@dataclass(frozen=True)
class Expected:
    """Mean and variance of the arrivals lost after a mark."""

    mean: float
    variance: float

    @property
    def share(self) -> float:
        return self.mean / (1.0 + self.mean)

    def standard_error(self, arrivals: int) -> float:
        return math.sqrt(self.variance / (arrivals * (1.0 + self.mean) ** 3))


def renewal(length_s: float, gap_s: float, service_s: float) -> Expected:
    """Arrivals lost after a mark, for products of a length with exponential gaps, both in time."""
    mean = square = 0.0
    for n in range(1, 1000):
        room_s = service_s - n * length_s
        at_least = float(stats.gamma(n, scale=gap_s).cdf(room_s)) if room_s > 0 else 0.0
        mean += at_least
        square += (2 * n - 1) * at_least
        if at_least < 1e-12:
            break
    return Expected(mean, square - mean**2)


def busy_share(spec: LineSpec, length_mm: float, gap_mm: float, arrivals: int, seed: int) -> tuple[float, int, Any]:
    """The share of busy misses among the marks asked for, how many those were, and the whole result."""
    supply = products(length=length_mm, gap=gap_mm, varies="exponential", first=5.0)
    duration_s = arrivals * (length_mm + gap_mm) / SPEED
    result = run(spec, scene([constant(SPEED)], [supply], seed=seed), duration_s)
    requests = result["requests"]
    assert result["balanced"] and not result["doubles"] and not result["off_product"] and not result["faults"]
    assert not result["world"]["undetected"]
    assert set(requests["missed"]) <= {"busy", *BY_THE_STOP}
    assert sum(requests["missed"].get(reason, 0) for reason in BY_THE_STOP) < 40
    served = requests["marked"] + requests["missed"].get("busy", 0)
    return requests["missed"].get("busy", 0) / served, served, result


def assert_within(got: float, served: int, expected: Expected, what: str, result: dict[str, Any]) -> None:
    error = expected.standard_error(served)
    print(
        f"\n{what}: busy {got:.5f} of {served}, expected {expected.share:.5f} ± {Z * error:.5f} (99 %), "
        f"{(got - expected.share) / error:+.2f} standard errors; {figures(result)}"
    )
    assert abs(got - expected.share) <= Z * error


def test_the_renewal_formula_gives_erlang_b_without_length() -> None:
    """Erlang B for one server, a/(1+a): 1 → 0.5, 0.1 → 0.090909, 0.05 → 0.047619 (checks.md 10)."""
    for offered, share in ((1.0, 0.5), (0.1, 0.090909), (0.05, 0.047619)):
        expected = renewal(0.0, 1.0, offered)
        assert expected.share == pytest.approx(share, abs=1e-6)
        assert expected.variance == pytest.approx(offered, rel=1e-9)


SERVICE_S = 0.05
OFFERED = [0.1, 0.5, 1.0]


@pytest.mark.parametrize("offered", OFFERED)
def test_random_arrivals_are_missed_as_erlang_b_says(offered: float) -> None:
    erlang = renewal(0.0, SERVICE_S / offered, SERVICE_S)
    got = busy_share(open_line(SERVICE_S), 0.0, SPEED * SERVICE_S / offered, 5_000, seed=7)
    assert_within(got[0], got[1], erlang, f"Poisson edges, a = {offered}", got[2])


@pytest.mark.long
def test_a_hundred_thousand_random_arrivals_are_missed_as_erlang_b_says() -> None:
    got = busy_share(open_line(SERVICE_S), 0.0, SPEED * SERVICE_S / 0.5, 101_000, seed=9)
    assert got[1] >= 100_000
    assert_within(got[0], got[1], renewal(0.0, SERVICE_S / 0.5, SERVICE_S), "Poisson edges, a = 0.5", got[2])


@pytest.mark.parametrize(("length_mm", "gap_mm", "service_s"), [(8.0, 12.0, 0.12), (20.0, 10.0, 0.08), (5.0, 5.0, 0.2)])
def test_products_of_real_length_are_missed_as_the_renewal_formula_says(
    length_mm: float, gap_mm: float, service_s: float
) -> None:
    expected = renewal(length_mm / SPEED, gap_mm / SPEED, service_s)
    got = busy_share(open_line(service_s), length_mm, gap_mm, 3_000, seed=3)
    erlang = service_s * SPEED / (length_mm + gap_mm)
    assert abs(expected.share - erlang / (1 + erlang)) > Z * expected.standard_error(got[1]), (
        "no different from Erlang B"
    )
    assert_within(got[0], got[1], expected, f"length {length_mm} mm, mean gap {gap_mm} mm, {service_s} s", got[2])


@pytest.mark.long
def test_many_products_of_real_length_are_missed_as_the_renewal_formula_says() -> None:
    got = busy_share(open_line(0.08), 20.0, 10.0, 30_000, seed=3)
    assert_within(got[0], got[1], renewal(20.0 / SPEED, 10.0 / SPEED, 0.08), "length 20 mm, mean gap 10 mm", got[2])


@pytest.mark.parametrize(("service_s", "one_in"), [(0.045, 1), (0.055, 2), (0.12, 3), (0.26, 6)])
def test_regular_products_are_missed_but_for_one_in_a_whole_number(service_s: float, one_in: int) -> None:
    pitch_mm = 20.0
    assert math.ceil(service_s * SPEED / pitch_mm) == one_in
    supply = products(length=8.0, pitch=pitch_mm, first=5.0)
    result = run(open_line(service_s), scene([constant(SPEED)], [supply]), 30.0)
    marked, missed = result["requests"]["marked"], result["requests"]["missed"]
    print(f"\nservice {service_s} s: one in {one_in}; {figures(result)}")
    assert set(missed) <= {"busy", *BY_THE_STOP}
    assert abs(missed.get("busy", 0) - (one_in - 1) * marked) < one_in


# One cause, one reason.


def reasons(result: dict[str, Any]) -> dict[str, int]:
    """How often each reason occurred, but for what the stop at the end misses."""
    assert result["balanced"] and not result["doubles"] and not result["off_product"]
    print(f"\n{figures(result)}")
    missed = dict(result["requests"]["missed"])
    assert sum(missed.pop(reason, 0) for reason in BY_THE_STOP) < 40
    return missed


CARTONS = products(length=90.0, pitch=150.0, spread=10.0, varies="uniform")
CROWD = products(length=8.0, pitch=20.0, first=5.0)


def test_a_station_too_close_is_late() -> None:
    spec = open_line(0.01, distance_mm=0.5)
    result = run(spec, scene([constant(SPEED)], [CARTONS], seed=5), 20.0)
    missed = reasons(result)
    assert missed.keys() == {"late"} and missed["late"] > 20


def test_orders_that_a_slow_link_brings_too_late_are_late_and_none_is_marked_late() -> None:
    """The link is slower than stated: what was sent in good time by the stated figures comes after its count."""
    spec = replace(open_line(0.01, distance_mm=12.0), exchange_s=0.001)
    result = run(spec, scene([constant(SPEED)], [CARTONS], seed=5, delays_s=(0.0, 0.02)), 30.0)
    missed = reasons(result)
    assert missed.keys() == {"late"} and missed["late"] > 10 and result["requests"]["marked"] > 10
    assert result["placement"]["max_abs_mm"] <= result["placement"]["count_mm"]


def crowded_compare(pitch_mm: float, depth: int) -> dict[str, Any]:
    """Six marks close together on each carton, and room for so many in the compare."""
    spec = open_line(0.0005)
    plan = replace(spec.stations[0].plan, count=6, pitch_mm=pitch_mm)
    spec = with_station(spec, plan=plan)
    return run(spec, scene([constant(SPEED)], [CARTONS], markers=[marker(depth=depth)]), 20.0)


@pytest.mark.parametrize(("depth", "pitch_mm"), [(1, 1.2), (2, 0.8)])
def test_more_marks_due_than_the_compare_holds_are_missed_as_full(depth: int, pitch_mm: float) -> None:
    result = crowded_compare(pitch_mm, depth)
    missed = reasons(result)
    assert missed.keys() == {"full"} and missed["full"] > 20 and result["requests"]["marked"] > 20
    assert not reasons(crowded_compare(pitch_mm, 6)), "with room for all of them nothing is missed"


def test_marks_that_queue_for_room_in_the_compare_are_full_and_hardly_ever_late() -> None:
    """Late is left for the few whose order went out as soon as there was room and still came behind its count."""
    assert not reasons(crowded_compare(0.5, 6)), "with room for all of them nothing is late"
    missed = reasons(crowded_compare(0.5, 1))
    assert missed.keys() <= {"full", "late"} and missed["full"] > 20 * missed.get("late", 0)


def test_a_marker_that_is_not_ready_for_a_moment_is_not_ready() -> None:
    """For less than the grace after the rearm time: no fault, and nothing but what was due meanwhile is missed."""
    moments = [event("not_ready", at=1.0 + 0.5 * n, duration=0.045) for n in range(20)]
    result = run(open_line(0.01), scene([constant(SPEED)], [CROWD], events=moments), 12.0)
    missed = reasons(result)
    assert missed.keys() == {"not_ready"} and not result["faults"]
    per_moment = missed["not_ready"] / len(moments)
    assert abs(per_moment - 0.045 * SPEED / 20.0) < 0.2


def test_a_belt_too_fast_for_the_marker_is_too_fast_and_only_then() -> None:
    spec = with_station(open_line(0.01), max_speed_mm_s=300.0)
    result = run(spec, scene([constant(200.0, 5.0), ramp(400.0, 100.0), constant(400.0)], [CARTONS]), 15.0)
    missed = reasons(result)
    assert missed.keys() == {"too_fast"}
    assert all(row["speed_mm_s"] <= 301.0 for row in result["by_speed"])
    # 1,000 mm at 200 mm/s, 250 mm up to 300 mm/s; from there to the end 350 + 8 × 400 mm, one each 150 mm.
    assert missed["too_fast"] == pytest.approx(3550 / 150, abs=2)


def test_a_busy_marker_is_busy_and_the_reasons_add_up() -> None:
    spec = with_station(open_line(0.1), max_speed_mm_s=450.0)
    moments = [event("not_ready", at=1.0 + n, duration=0.045) for n in range(10)]
    result = run(spec, scene([constant(SPEED)], [CROWD], events=moments), 12.0)
    requests = result["requests"]
    assert requests["created"] == requests["marked"] + sum(requests["missed"].values()) + requests["pending"]
    assert reasons(result).keys() <= {"busy", "not_ready"}
    assert requests["missed"]["busy"] > 100
