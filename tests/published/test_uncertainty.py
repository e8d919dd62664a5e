"""Uncertainty against the examples of JCGM 100:2008 (the GUM) and others, and draws against the formulas."""

from __future__ import annotations

import math

import numpy as np
import pytest

from controller.commissioning.uncertainty import (
    Shape,
    Spread,
    combined,
    covariance,
    coverage_factor,
    effective_dof,
    monte_carlo,
    sensitivities,
)

# GUM H.1, end gauge: components in nm with their degrees of freedom, as repeated in GTC (Measurement Standards
# Laboratory of New Zealand), docs/API/GUM_H1.rst.
H1 = [(25.0, 18), (5.8, 24), (3.9, 5), (6.7, 8), (2.88679, 50), (16.599, 2)]


def test_gum_h1_combined_and_effective_degrees_of_freedom() -> None:
    difference = H1[1:4]
    u_d = combined([u for u, _ in difference])
    assert u_d == pytest.approx(9.68194195397, rel=1e-11)
    assert effective_dof([u for u, _ in difference], [n for _, n in difference]) == pytest.approx(
        25.4472507774, rel=1e-11
    )

    whole = [u for u, _ in H1]
    assert round(combined(whole), 2) == 31.66
    dof = effective_dof(whole, [n for _, n in H1])
    assert round(dof, 2) == 16.75
    assert math.floor(dof) == 16


def test_gum_h1_expanded_at_99_percent() -> None:
    # From memory: t(16) = 2.92 and U = 93 nm, which the GUM works out from 32 nm.
    assert round(coverage_factor(16.75, 0.99), 2) == 2.92
    assert 92.0 <= coverage_factor(16.75, 0.99) * combined([u for u, _ in H1]) <= 93.0


# GUM H.2, resistance and reactance from correlated readings, as repeated in GTC's test_uncertain_real_dof.py.
H2_AT = [4.999, 0.019661, 1.04446]
H2_U = [0.0032, 0.0000095, 0.00075]
H2_R = [[1.0, -0.36, 0.86], [-0.36, 1.0, -0.65], [0.86, -0.65, 1.0]]


def impedance(x: np.ndarray) -> list[float]:
    volt, ampere, phase = x
    z = volt / ampere
    return [z * math.cos(phase), z * math.sin(phase), z]


def test_gum_h2_correlated_inputs_and_several_results() -> None:
    rows = sensitivities(impedance, H2_AT, np.array(H2_U) / 100)
    found = covariance(rows, H2_U, H2_R)
    assert np.sqrt(np.diag(found)) == pytest.approx([0.0699787, 0.2957168, 0.2366030], abs=5e-8)
    # Each result alone gives the same.
    assert combined(rows[1] * H2_U, H2_R) == pytest.approx(0.2957168, abs=5e-8)


def test_rectangular_example() -> None:
    # Eurachem/CITAC guide, appendix E.1: 7 to 10 is ± 1.5 and u = 0.87. The rule: GUM 4.3.7.
    assert round(Spread.within(1.5).u, 2) == 0.87


def test_rules_for_limits_and_steps() -> None:
    # GUM 4.3.9 (triangular; from memory) and F.2.2.1 (resolution; from memory); arcsine as GTC's type_b has it.
    assert Spread.within(1.0, Shape.TRIANGULAR).u == pytest.approx(1 / math.sqrt(6))
    assert Spread.within(1.0, Shape.ARCSINE).u == pytest.approx(1 / math.sqrt(2))
    assert Spread.of_step(1.0).u == pytest.approx(0.2887, abs=5e-5)


def test_coverage_factors() -> None:
    # GUM Table G.2, from memory.
    for dof, k in ((1, 12.71), (2, 4.30), (5, 2.57), (10, 2.23), (20, 2.09), (50, 2.01), (math.inf, 1.960)):
        assert coverage_factor(dof) == pytest.approx(k, abs=0.005)


@pytest.mark.parametrize("shape", list(Shape))
def test_a_million_draws_have_the_standard_uncertainty_of_each_shape(shape: Shape) -> None:
    spread = Spread(0.37, shape)
    found = monte_carlo(spread.draw, np.random.default_rng(1))
    assert found.draws == 1_000_000
    assert abs(found.u - spread.u) < 3 * found.u_error
    assert abs(found.mean) < 4 * spread.u / 1000
    if shape is not Shape.NORMAL:
        assert found.half_width_95 <= spread.limit


def test_monte_carlo_agrees_with_the_analytic_result_within_its_own_standard_error() -> None:
    # A sum of unlike terms, as a budget is: the formula is exact for it, whatever the shapes.
    terms = [
        (1.0, Spread.within(0.5)),
        (-0.8, Spread(0.2)),
        (2.0, Spread.within(0.1, Shape.ARCSINE)),
        (0.4, Spread.within(0.6, Shape.TRIANGULAR)),
    ]
    expected = combined([c * spread.u for c, spread in terms])
    inside = 0
    for seed in range(20):
        found = monte_carlo(
            lambda chance, n: sum((c * spread.draw(chance, n) for c, spread in terms), np.zeros(n)),
            np.random.default_rng(seed),
            100_000,
        )
        assert abs(found.u - expected) < 4 * found.u_error
        inside += abs(found.u - expected) < found.u_error
    # Two of three lie within one standard error; of twenty, 7 to 19 do but once in some thousand times.
    assert 7 <= inside <= 19


def test_a_normal_sum_is_covered_as_the_factor_says() -> None:
    spread = Spread(combined([3.0, 4.0]))
    found = monte_carlo(spread.draw, np.random.default_rng(3))
    # The standard error of a 95 % half width of a million normal draws is 0.0019 of u.
    assert found.half_width_95 == pytest.approx(coverage_factor() * 5.0, abs=4 * 0.0019 * 5.0)
