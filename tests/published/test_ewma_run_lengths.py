"""Run lengths of the EWMA chart against published tables, an integral equation, and simulated charts.

BELTCUE_CHARTS sets how many charts are simulated; 100,000 unless it says otherwise.
"""

from __future__ import annotations

import math
import os
from functools import cache

import numpy as np
import pytest

from controller.commissioning import drift
from controller.commissioning.drift import averaged, spread_after

CHARTS = int(os.environ.get("BELTCUE_CHARTS", "100000"))

# Lucas and Saccucci (1990), "Exponentially weighted moving average control schemes", Technometrics 32, as adapted in
# textbooks (average run lengths of several schemes, limits as after many samples); from memory. Shift in standard
# deviations → average run length.
SHIFTS = (0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0)
TABLE = {
    (0.40, 3.054): (500, 224, 71.2, 28.4, 14.3, 5.9, 3.5, 2.5, 2.0, 1.4),
    (0.25, 2.998): (500, 170, 48.2, 20.1, 11.1, 5.5, 3.6, 2.7, 2.3, 1.7),
    (0.20, 2.962): (500, 150, 41.8, 18.2, 10.5, 5.5, 3.7, 2.9, 2.4, 1.9),
    (0.10, 2.814): (500, 106, 31.3, 15.9, 10.3, 6.1, 4.4, 3.4, 2.9, 2.2),
    (0.05, 2.615): (500, 84.1, 28.8, 16.4, 11.4, 7.1, 5.2, 4.2, 3.5, 2.7),
}


@cache
def gauss(nodes: int) -> tuple[np.ndarray, np.ndarray]:
    return np.polynomial.legendre.leggauss(nodes)


def run_length(weight: float, width: float, shift: float, nodes: int = 120) -> float:
    """The average run length with settled limits, by the integral equation of Crowder (1987), in Gauss's points."""
    half = width * spread_after(math.inf, weight)
    x, w = (half * part for part in gauss(nodes))

    def density(to: np.ndarray, begin: np.ndarray | float) -> np.ndarray:
        return np.exp(-0.5 * ((to - (1.0 - weight) * begin) / weight - shift) ** 2) / math.sqrt(2.0 * math.pi) / weight

    inside = np.linalg.solve(np.eye(nodes) - density(x[None, :], x[:, None]) * w, np.ones(nodes))
    return float(1.0 + (density(x, 0.0) * w) @ inside)


def simulated(weight: float, width: float, shift: float, *, settled: bool, charts: int, seed: int = 8) -> np.ndarray:
    """Run lengths of many charts with the arithmetic of production, each until its average is beyond the limit."""
    chance = np.random.default_rng(seed)
    average, lengths, n = np.zeros(charts), [], 0
    while average.size:
        n += 1
        average = averaged(average, chance.standard_normal(average.size) + shift, weight)  # type: ignore[arg-type,assignment]
        beyond = np.abs(average) > width * spread_after(math.inf if settled else n, weight)
        lengths += [n] * int(beyond.sum())
        average = average[~beyond]
    return np.array(lengths)


@pytest.mark.parametrize(("scheme", "published"), TABLE.items())
def test_the_integral_equation_gives_the_table(scheme: tuple[float, float], published: tuple[float, ...]) -> None:
    found = [run_length(*scheme, shift) for shift in SHIFTS]
    # Some entries differ by one in the last printed digit, since the widths are rounded.
    assert found == pytest.approx(published, abs=0.11, rel=0.004)


@pytest.mark.parametrize("scheme", [(0.10, 2.814), (0.25, 2.998)])
def test_simulated_charts_run_as_long_as_the_table_says(scheme: tuple[float, float]) -> None:
    in_control = simulated(*scheme, 0.0, settled=True, charts=CHARTS)
    assert in_control.mean() == pytest.approx(500.0, rel=0.05)
    for shift, published in zip(SHIFTS[1:], TABLE[scheme][1:], strict=True):
        runs = simulated(*scheme, shift, settled=True, charts=max(2000, CHARTS // 20))
        error = runs.std() / math.sqrt(len(runs))
        assert runs.mean() == pytest.approx(published, abs=4 * error + 0.06, rel=0.005)


def test_limits_that_settle_keep_the_in_control_run_length_and_see_early_shifts_sooner() -> None:
    in_control = simulated(0.10, 2.814, 0.0, settled=False, charts=CHARTS // 2)
    assert in_control.mean() == pytest.approx(500.0, rel=0.05)
    runs = simulated(0.10, 2.814, 1.0, settled=False, charts=5000)
    assert runs.mean() < 10.3


def test_false_alarms_in_production_are_as_rare_as_stated() -> None:
    found = run_length(drift.WEIGHT, drift.WIDTH, 0.0, nodes=400)
    assert 1.8e7 < found < 2.2e7
