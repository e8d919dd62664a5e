"""Limits and busy misses against worked values and tables, and against marks followed one by one."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from controller.commissioning.limits import busy, erlang_b, limits, missed_regular
from controller.needs import feasible
from controller.spec import Detector, LineSpec, MarkPlan, Station
from controller.units import Display

# Our own worked example (COMPUTED from the formulas): pitch 100 mm, mark 80 ms, rearm 20 ms give 1.0 m/s; a window of
# 40 mm gives 0.5 m/s, so 0.5 m/s.
EXAMPLE = LineSpec(
    name="example",
    scale_mm=0.04,
    stations=(Station("front", 400.0, MarkPlan(), mark_time_s=0.08, rearm_s=0.02, mark_window_mm=40.0),),
    detector=Detector(least_length_mm=60.0, least_gap_mm=20.0),
)


def by_name(spec: LineSpec, pitch_mm: float | None = 100.0) -> dict[str, float]:
    return {limit.name: limit.speed_mm_s for limit in limits(spec, Display(), pitch_mm).limits}


def test_the_worked_example() -> None:
    found = limits(EXAMPLE, Display(), 100.0)
    assert by_name(EXAMPLE)["pitch"] == pytest.approx(1000.0, rel=1e-12)
    assert by_name(EXAMPLE)["window"] == pytest.approx(500.0, rel=1e-12)
    assert found.least is not None
    assert (found.least.name, found.least.speed_mm_s) == ("window", pytest.approx(500.0, rel=1e-12))

    wide = replace(EXAMPLE, stations=(replace(EXAMPLE.stations[0], mark_window_mm=None),))
    least = limits(wide, Display(), 100.0).least
    assert least is not None and (least.name, least.speed_mm_s) == ("pitch", pytest.approx(1000.0, rel=1e-12))


@pytest.mark.parametrize(("load", "servers", "blocked", "to"), [
    # One server: B = a/(1 + a); a 1 gives 0.5, the rest computed.
    (1.0, 1, 0.5, 1e-12), (0.1, 1, 0.090909, 5e-7), (0.05, 1, 0.047619, 5e-7), (0.0, 1, 0.0, 0.0),
    # Tables of telephone traffic.
    (2.0, 5, 0.0367, 5e-5), (10.0, 14, 0.0568, 5e-5), (5.0, 10, 0.0184, 5e-5),
    # A published demonstration's text and a course's solution.
    (25.0, 30, 0.052603, 5e-7), (180.0, 200, 0.01032, 5e-6), (180.0, 201, 0.00916, 5e-6), (180.0, 196, 0.016, 5e-4),
])  # fmt: skip
def test_erlang_b(load: float, servers: int, blocked: float, to: float) -> None:
    assert erlang_b(load, servers) == pytest.approx(blocked, abs=to)


@pytest.mark.parametrize(
    ("servers", "load"), [(1, 0.0101), (2, 0.153), (3, 0.455), (4, 0.869), (5, 1.361), (10, 4.461), (20, 12.03)]
)
def test_erlang_b_one_percent_capacities(servers: int, load: float) -> None:
    # From memory; all give 0.0100 within half a percent.
    assert erlang_b(load, servers) == pytest.approx(0.01, rel=0.005)


def test_dead_time_of_a_counter_is_the_same_model() -> None:
    # Non-extending dead time: recorded m = n/(1 + nτ), lost nτ/(1 + nτ).
    rate, dead = 300.0, 0.002
    assert rate * (1.0 - erlang_b(rate * dead, 1)) == pytest.approx(rate / (1.0 + rate * dead))


def followed(arrivals_s: np.ndarray, service_s: float) -> float:
    """Follow marks one by one: a marker that is busy misses, and is no longer busy for it."""
    free_s, missed = -math.inf, 0
    for at_s in arrivals_s:
        if at_s < free_s - 1e-9:
            missed += 1
        else:
            free_s = at_s + service_s
    return missed / len(arrivals_s)


@pytest.mark.parametrize("speed_mm_s", [400.0, 999.0, 1000.0, 1001.0, 1999.0, 2000.0, 2500.0, 3500.0])
def test_regular_marks_followed_one_by_one(speed_mm_s: float) -> None:
    (found,) = busy(EXAMPLE, speed_mm_s, 100.0)
    n = 27_720  # divided by every number up to 12, so that no cycle is cut
    assert followed(np.arange(n) * 100.0 / speed_mm_s, 0.1) == pytest.approx(found.regular, abs=1e-9)


@pytest.mark.parametrize("speed_mm_s", [100.0, 500.0, 1000.0, 3000.0])
def test_random_marks_followed_one_by_one(speed_mm_s: float) -> None:
    (found,) = busy(EXAMPLE, speed_mm_s, 100.0)
    n = 200_000
    arrivals = np.cumsum(np.random.default_rng(4).exponential(100.0 / speed_mm_s, n))
    load = 0.1 * speed_mm_s / 100.0
    # Marks are a renewal process whose cycle is 1 + Poisson(load) arrivals, which gives the share's standard error.
    error = math.sqrt(load / (n * (1.0 + load) ** 3))
    assert abs(followed(arrivals, 0.1) - found.random) < 4 * error


def test_the_top_speed_is_the_fastest_at_which_every_mark_is_made_and_none_is_cut_off() -> None:
    station = EXAMPLE.stations[0]
    assert station.mark_window_mm is not None

    def all_made(speed_mm_s: float, window_mm: float) -> bool:
        missed = followed(np.arange(200) * 100.0 / speed_mm_s, station.mark_time_s + station.rearm_s)
        return missed == 0.0 and speed_mm_s * station.mark_time_s <= window_mm

    for window_mm in (20.0, 40.0, 75.0, 90.0, 200.0):
        spec = replace(EXAMPLE, stations=(replace(station, mark_window_mm=window_mm),))
        low, high = 1.0, 10_000.0
        for _ in range(60):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if all_made(middle, window_mm) else (low, middle)
        least = limits(spec, Display(), 100.0).least
        assert least is not None and least.speed_mm_s == pytest.approx(low, rel=1e-6)


def test_the_capture_ring_followed_edge_by_edge() -> None:
    """However the looks fall on the products, no more edges than the ring holds come between two: up to the limit."""
    spec = replace(EXAMPLE, stations=(replace(EXAMPLE.stations[0], mark_time_s=0.0, rearm_s=0.0),))
    limit, gap_s = by_name(spec)["captures"], feasible(spec).sample_gap_s
    edges = np.sort(np.concatenate([np.arange(40) * 100.0, np.arange(40) * 100.0 + 1e-6]))

    def most(speed_mm_s: float) -> int:
        begins = edges[edges < 2000.0]
        return int(max(np.searchsorted(edges, begins + speed_mm_s * gap_s, "right") - np.searchsorted(edges, begins)))

    assert most(limit * 0.999) == 8
    assert most(limit * 1.001) > 8


def test_missed_regular_is_none_at_a_tie() -> None:
    # Perfectly regular products, one every T, service s: 1 − 1/ceil(s/T); none if s ≤ T.
    assert missed_regular(0.1, 0.1) == 0.0
    assert missed_regular(0.3, 0.1 * 3) == 0.0
    assert missed_regular(0.1, 0.2 + 1e-6) == pytest.approx(2 / 3)
