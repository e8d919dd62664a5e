"""What uncertainty refuses, and what must always hold."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.commissioning.uncertainty import (
    Shape,
    Spread,
    combined,
    coverage_factor,
    effective_dof,
    monte_carlo,
    sensitivities,
)

SIZES = st.lists(st.floats(0.001, 1000.0), min_size=1, max_size=6)


@pytest.mark.parametrize("make", [
    lambda: Spread(-0.1),
    lambda: Spread(math.nan),
    lambda: Spread(1.0, dof=0.0),
    lambda: Spread.within(1.0, Shape.NORMAL),
    lambda: Spread.of_readings(1.0, 1),
    lambda: combined([1.0, 1.0], [[1.0]]),
    lambda: combined([1.0, 1.0], [[1.0, 0.5], [0.4, 1.0]]),
    lambda: combined([1.0, 1.0, 1.0], [[1.0, 0.9, -0.9], [0.9, 1.0, 0.9], [-0.9, 0.9, 1.0]]),
    lambda: sensitivities(lambda x: x, [1.0], [0.0]),
    lambda: monte_carlo(Spread(1.0).draw, np.random.default_rng(0), 1),
])  # fmt: skip
def test_what_cannot_be_is_refused(make: object) -> None:
    with pytest.raises(ValueError):
        make()  # type: ignore[operator]


@given(SIZES)
def test_full_correlation_adds_up_and_none_adds_squares(sizes: list[float]) -> None:
    ones = np.ones((len(sizes), len(sizes)))
    assert combined(sizes, ones) == pytest.approx(sum(sizes))
    assert combined(sizes) == pytest.approx(math.hypot(*sizes))


@given(SIZES, st.data())
def test_effective_degrees_of_freedom_lie_between_the_least_and_the_sum(
    sizes: list[float], data: st.DataObject
) -> None:
    dofs = data.draw(st.lists(st.floats(1.0, 100.0), min_size=len(sizes), max_size=len(sizes)))
    assert min(dofs) * (1 - 1e-9) <= effective_dof(sizes, dofs) <= sum(dofs) * (1 + 1e-9)


def test_known_limits_leave_nothing_to_be_free() -> None:
    assert math.isinf(effective_dof([1.0, 2.0], [math.inf, math.inf]))
    assert coverage_factor(math.inf) < coverage_factor(16.9) == coverage_factor(16.0)


def test_draws_of_a_piece_are_those_of_the_whole_and_all_alike_have_no_spread() -> None:
    found = monte_carlo(lambda _, n: np.full(n, 2.5), np.random.default_rng(0), 120_001)
    assert (found.mean, found.u, found.u_error, found.half_width_95) == (2.5, 0.0, 0.0, 0.0)


def test_few_readings_are_drawn_wider_than_many() -> None:
    chance = np.random.default_rng(5)
    few = np.quantile(np.abs(Spread.of_readings(1.0, 4).draw(chance, 200_000)), 0.95)
    assert few == pytest.approx(coverage_factor(3), rel=0.03)
