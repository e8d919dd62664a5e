"""Least squares, and whether a fit may be believed: against the definitions, and against scipy where it has "
"the same."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from controller.commissioning.fit_checks import groups_of, lack_of_fit, outliers, studentized, unequal_scatter_p
from controller.commissioning.least_squares import Block, fit, fit_blocks, rank, student, tells
from controller.commissioning.proposal import propose


def line(x: np.ndarray) -> np.ndarray:
    return np.column_stack([np.ones_like(x), x])


def test_a_line_is_what_scipy_makes_of_it() -> None:
    rng = np.random.default_rng(5)
    x = rng.uniform(0.0, 50.0, 30)
    y = 3.0 - 0.7 * x + rng.normal(0.0, 2.0, 30)
    ours, theirs = fit(line(x), y), stats.linregress(x, y)
    assert ours.estimate == pytest.approx([theirs.intercept, theirs.slope], rel=1e-12)
    assert ours.standard_uncertainty == pytest.approx([theirs.intercept_stderr, theirs.stderr], rel=1e-12)


def test_weights_count_as_so_many_equal_values() -> None:
    x, y = np.array([1.0, 2.0, 4.0, 5.0]), np.array([1.1, 2.3, 3.7, 5.2])
    repeats = np.array([1, 3, 2, 1])
    weighted, repeated = fit(line(x), y, repeats.astype(float)), fit(line(np.repeat(x, repeats)), np.repeat(y, repeats))
    assert weighted.estimate == pytest.approx(repeated.estimate, rel=1e-12)
    assert weighted.correlation == pytest.approx(repeated.correlation, rel=1e-12)
    assert weighted.parts[0].dof == 2.0


@given(st.floats(-1e3, 1e3), st.floats(-10.0, 10.0), st.floats(1e-6, 1e6))
def test_an_exact_line_is_found_whatever_its_size(a: float, b: float, size: float) -> None:
    x = np.linspace(1.0, 7.0, 9) * size
    found = fit(line(x), a + b * x)
    assert found.value([1.0, 4.0 * size]) == pytest.approx(
        a + b * 4.0 * size, rel=1e-9, abs=1e-9 * (1.0 + abs(b) * size)
    )


def test_blocks_have_each_their_own_scatter_and_degrees_of_freedom() -> None:
    """One unknown seen by two blocks: the mean weighted by 1/u², with the degrees of freedom of Welch and "
    "Satterthwaite."""
    fine, coarse = np.array([1.0, 1.2, 0.9, 1.1, 1.05]), np.array([2.0, 0.5, 1.4])
    found = fit_blocks([Block.of(np.ones((5, 1)), fine), Block.of(np.ones((3, 1)), coarse)])
    variances = np.array([fine.var(ddof=1) / 5, coarse.var(ddof=1) / 3])
    weights = 1.0 / variances
    assert found.estimate[0] == pytest.approx((weights @ [fine.mean(), coarse.mean()]) / weights.sum(), rel=1e-12)
    assert found.u([1.0]) ** 2 == pytest.approx(1.0 / weights.sum(), rel=1e-12)
    shares = (weights / weights.sum()) ** 2 * variances
    assert found.dof([1.0]) == pytest.approx(shares.sum() ** 2 / (shares**2 @ [1 / 4, 1 / 2]), rel=1e-12)


def test_what_cannot_be_told_apart_is_refused_and_named() -> None:
    rows = np.array([[1.0, 5.0, 430.0], [1.0, 9.0, 430.0], [1.0, 7.0, 430.0], [1.0, 6.0, 430.0]])
    assert rank(rows) == 2
    with pytest.raises(ValueError, match="apart"):
        fit(rows, [1.0, 2.0, 3.0, 4.0])
    assert [tells(rows, row) for row in np.eye(3)] == [False, True, False]
    assert tells(rows, [1.0, 100.0, 430.0])
    assert not tells(rows, [1.0, 100.0, 431.0])


@pytest.mark.parametrize(
    ("rows", "values", "weights"),
    [
        ([[1.0]], [1.0], None), ([[1.0], [1.0]], [1.0], None), ([[1.0], [1.0]], [1.0, 2.0], [1.0, 0.0]),
        ([[1.0], [1.0]], [1.0, 2.0], [1.0, float("inf")]),
    ],
)  # fmt: skip
def test_what_is_no_fit_is_refused(rows: list[list[float]], values: list[float], weights: list[float] | None) -> None:
    with pytest.raises(ValueError, match="value"):
        fit(rows, values, weights)


def test_two_blocks_of_which_one_has_no_scatter_need_a_least_one() -> None:
    exact, other = Block.of(np.ones((3, 1)), [1.0, 1.0, 1.0]), Block.of(np.ones((3, 1)), [1.0, 2.0, 3.0])
    with pytest.raises(ValueError, match="least_sd"):
        fit_blocks([exact, other])


def test_lack_of_fit_of_a_textbook_table_by_its_definition() -> None:
    x = np.array([1.0, 1.0, 2.0, 2.0, 3.0, 3.0])
    y = np.array([1.0, 1.2, 2.9, 3.1, 3.0, 3.4])
    found = fit(line(x), y)
    test = lack_of_fit(found.residuals[0], groups_of(x), 2)
    assert test is not None
    pure = 0.02 + 0.02 + 0.08
    rss = float(np.sum(found.residuals[0] ** 2))
    assert (test.dof_fit, test.dof_pure) == (1, 3)
    assert test.f == pytest.approx((rss - pure) / (pure / 3.0), rel=1e-9)
    assert test.p == pytest.approx(stats.f.sf(test.f, 1, 3), rel=1e-9)


def test_lack_of_fit_says_nothing_without_repeats_or_with_as_many_groups_as_unknowns() -> None:
    assert lack_of_fit([0.1, -0.2, 0.1], [0, 1, 2], 2) is None
    assert lack_of_fit([0.1, -0.2, 0.1, 0.0], [0, 0, 1, 1], 2) is None


def test_lack_of_fit_is_even_where_a_line_is_right() -> None:
    """p is spread evenly where there is nothing to find; where there is a bend it is small."""
    rng = np.random.default_rng(11)
    x = np.repeat([1.0, 2.0, 3.0], 8)
    ps = []
    for _ in range(400):
        test = lack_of_fit(fit(line(x), rng.normal(0.0, 1.0, 24)).residuals[0], groups_of(x), 2)
        assert test is not None
        ps.append(test.p)
    assert stats.kstest(ps, "uniform").pvalue > 0.01
    bent = lack_of_fit(fit(line(x), 2.0 * (x - 2.0) ** 2 + rng.normal(0.0, 0.3, 24)).residuals[0], groups_of(x), 2)
    assert bent is not None and bent.p < 1e-6


def test_studentized_residuals_are_those_of_a_fit_without_the_value() -> None:
    rng = np.random.default_rng(2)
    x = np.linspace(0.0, 9.0, 10)
    y = 1.0 + 2.0 * x + rng.normal(0.0, 0.5, 10)
    found = fit(line(x), y)
    t = studentized(found.residuals[0], found.leverage[0], 8)
    for i in range(10):
        rest = np.delete(np.arange(10), i)
        without = fit(line(x[rest]), y[rest])
        row = line(x)[i]
        scatter = np.sqrt(without.parts[0].sd ** 2 + without.u(row) ** 2)
        assert t[i] == pytest.approx((y[i] - without.value(row)) / scatter, rel=1e-9)


def test_outliers_are_found_and_one_hides_no_other() -> None:
    rng = np.random.default_rng(3)
    x = np.repeat([1.0, 2.0, 3.0], 8)
    y = 1.0 + x + rng.normal(0.0, 0.1, 24)
    y[4] += 3.0
    y[17] += 2.5
    assert outliers(line(x), y) == [4, 17]


def test_a_trial_in_order_names_an_outlier_about_as_often_as_is_said() -> None:
    rng = np.random.default_rng(4)
    x = np.repeat([1.0, 2.0, 3.0], 8)
    named = sum(bool(outliers(line(x), rng.normal(0.0, 1.0, 24), chance=0.05)) for _ in range(600))
    assert 600 * 0.05 - 3.0 * 5.4 < named < 600 * 0.05 + 3.0 * 5.4


def test_unequal_scatter_is_bartletts_test() -> None:
    rng = np.random.default_rng(6)
    samples = [rng.normal(0.0, sd, 8) for sd in (0.1, 0.4, 0.2)]
    assert unequal_scatter_p(samples) == pytest.approx(stats.bartlett(*samples).pvalue, rel=1e-9)
    assert unequal_scatter_p([samples[0]]) == 1.0


def test_values_that_hardly_differ_are_one_group() -> None:
    assert list(groups_of([30.0, 10.0, 10.1, 20.0, 29.9])) == [2, 0, 0, 1, 2]
    assert list(groups_of([0.0, 0.0, 5.0])) == [0, 0, 1]


def test_student_is_scipys() -> None:
    assert student(22.0) == pytest.approx(stats.t.ppf(0.975, 22.0), rel=1e-12)


def test_the_proposed_marks_are_enough_and_one_less_is_not() -> None:
    proposal = propose(0.0, 500.0, 0.3, 0.3)
    assert proposal.enough and proposal.half_width_mm <= 0.3
    speeds = np.repeat(proposal.speeds_mm_s, proposal.each)
    unit = fit(line(speeds), np.zeros(len(speeds)), least_sd=0.3)
    assert max(unit.half_width([1.0, 0.0]), unit.half_width([1.0, 500.0])) == pytest.approx(proposal.half_width_mm)
    fewer = np.repeat(proposal.speeds_mm_s, proposal.each - 1)
    assert fit(line(fewer), np.zeros(len(fewer)), least_sd=0.3).half_width([1.0, 0.0]) > 0.3
    assert not propose(0.0, 500.0, 10.0, 0.1).enough
    with pytest.raises(ValueError, match="half width"):
        propose(0.0, 500.0, 0.3, 0.0)


def test_what_shifts_values_alike_adds_to_the_uncertainty_as_drawn_shifts_do() -> None:
    """Two places with a shift each of their own: the spread of the estimates over many draws is what is stated."""
    rng = np.random.default_rng(9)
    x = np.repeat([1.0, 4.0], 6)
    groups, shift_sd, sd = groups_of(x), 0.4, 0.1
    drawn, stated = [], []
    for _ in range(600):
        shifts = rng.normal(0.0, shift_sd, 2)
        values = 2.0 + 0.5 * x + shifts[groups.astype(int)] + rng.normal(0.0, sd, 12)
        found = fit_blocks([Block(line(x), values, None, 0.0, groups, shift_sd)])
        drawn.append(found.estimate)
        stated.append(found.standard_uncertainty)
    assert np.std(drawn, axis=0) == pytest.approx(np.mean(stated, axis=0), rel=0.1)
    assert np.mean(stated, axis=0)[0] > 3.0 * fit(line(x), values).standard_uncertainty[0]
