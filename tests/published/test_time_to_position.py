"""Time to position: what is done for a delay, and what a change of speed costs meanwhile.

Sources: the dead-time advance, compensated on-position = on-position − velocity × on-delay with the velocity taken as
constant, from the help page of a cam-switch function group of an IEC 61131-3 programming system (page D-SE-0077280), seen
in a copy; the synthetic trial e(v) = a + v·τ and the ½·a·t² of an early reading are computed from their formulas.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from controller.fit import Fit
from controller.link_figures import Figure, LinkFigures
from controller.looks import FINE, accel_error_mm
from controller.promise import Path, promise
from controller.spec import LineSpec, MarkPlan, ReleasePath, Station

SCALE_MM = 0.05
LINE = LineSpec(
    name="t",
    scale_mm=SCALE_MM,
    stations=(Station("front", 400.0 + SCALE_MM / 2, MarkPlan()),),
    top_speed_mm_s=2500.0,
    max_accel_mm_s2=1000.0,
)


def fitted(speed_mm_s: float, scale_mm: float = SCALE_MM) -> Fit:
    """A belt at that speed, looked at every 5 ms."""
    fit = Fit(1e9, 0.005)
    for n in range(10):
        fit.take(int(speed_mm_s * n * 0.005 / scale_mm), None, n * 5_000_000, n * 5_000_000)
    return fit


@pytest.mark.parametrize("speed_mm_s", [200.0, 500.0, 1000.0, 2000.0])
@pytest.mark.parametrize("delay_s", [0.004, 0.006])
def test_the_release_comes_early_by_speed_times_delay(speed_mm_s: float, delay_s: float) -> None:
    """On-position − velocity × on-delay, as the place at which a timed release is made."""
    fit, on_position = fitted(speed_mm_s), 20_000.0
    crossing_ns = fit.crossing(on_position)
    assert crossing_ns is not None
    released = fit.place_at(crossing_ns - delay_s * 1e9)
    assert (on_position - released) * SCALE_MM == pytest.approx(speed_mm_s * delay_s, rel=1e-3)


@pytest.mark.parametrize(("speed_mm_s", "error_mm"), [(200.0, 5.2), (500.0, 7.0), (1000.0, 10.0), (2000.0, 16.0)])
def test_a_delay_that_nobody_compensates_grows_with_the_speed(speed_mm_s: float, error_mm: float) -> None:
    """e(v) = a + v·τ with a = 4.0 mm and τ = 6 ms: here τ is how late every request leaves, and a the rest."""
    late = Figure("send lateness", np.array([0.006, 0.006]), True, "")
    steady, none = Figure("", np.array([2e-4, 2e-4]), True, ""), Figure("", np.array([0.0, 0.0]), True, "")
    figures = LinkFigures(Figure("", np.array([4e-4, 4e-4]), True, ""), none, late, steady, steady)
    spec = replace(LINE, stations=(replace(LINE.stations[0], window_mm=100.0),))
    (found,) = promise(spec, figures, [Path(0, ReleasePath.TIMED, True, True)], [speed_mm_s])
    assert 4.0 + found.bias_mm == pytest.approx(error_mm, abs=SCALE_MM)


def test_a_speed_read_early_costs_half_a_t_squared() -> None:
    """1 m/s², 20 ms: 0.2 mm. A belt that begins to speed up right after the last look, seen by nothing yet."""
    fit = Fit(FINE * 1000.0, 0.005)
    for n in range(10):
        fit.take(round(FINE * 500.0 * 0.005 * n - 0.5), None, n * 5_000_000, n * 5_000_000)
    true_mm = 500.0 * (0.045 + 0.020) + 0.5 * 1000.0 * 0.020**2
    error_mm = true_mm - fit.place_at(65_000_000) / FINE
    assert error_mm == pytest.approx(0.2, abs=2e-3)
    # The worst moment costs no less than that.
    assert accel_error_mm(LINE, 500.0, 0.005, 0.020) >= error_mm - 2e-3
