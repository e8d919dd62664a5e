"""Line fits against certified and printed values.

NIST StRD, linear regression: Norris (NIST's own file as scipy ships it), NoInt1 and NoInt2 (data and values from second-hand
copies and from memory), Longley (certified values as statsmodels repeats them; the 16 rows from memory: only the right rows
give nine certified digits of all seven coefficients). GUM H.3: JCGM 100:2008, the printed figures, and full digits as
MSLNZ/GTC's examples/GUM_H3.py has them.
"""

from __future__ import annotations

import math
from importlib.resources import files

import numpy as np
import pytest

from controller.commissioning.least_squares import Fit, fit, student

NINE = 1e-9
"""At least nine digits."""


def scatter(found: Fit) -> float:
    return found.parts[0].sd


def sums(found: Fit, y: np.ndarray) -> tuple[float, float]:
    """Residual sum of squares, and R² about the mean."""
    rss = float(np.sum(found.residuals[0] ** 2))
    return rss, 1.0 - rss / float(np.sum((y - y.mean()) ** 2))


def norris() -> tuple[np.ndarray, np.ndarray]:
    path = files("scipy.stats").joinpath("tests/data/nist_linregress/Norris.dat")
    if not path.is_file():
        pytest.skip("this scipy was installed without its test data")
    rows = [line.split() for line in path.read_text().splitlines()[60:]]
    table = np.array([[float(v) for v in row] for row in rows if len(row) == 2])
    return table[:, 1], table[:, 0]


def test_norris() -> None:
    x, y = norris()
    assert len(x) == 36
    found = fit(np.column_stack([np.ones_like(x), x]), y)
    assert found.estimate == pytest.approx([-0.262323073774029, 1.00211681802045], rel=NINE)
    assert found.standard_uncertainty == pytest.approx([0.232818234301152, 0.429796848199937e-03], rel=NINE)
    rss, r2 = sums(found, y)
    assert scatter(found) == pytest.approx(0.884796396144373, rel=NINE)
    assert rss == pytest.approx(26.6173985294224, rel=NINE)
    assert r2 == pytest.approx(0.999993745883712, rel=NINE)
    assert (float(np.sum((y - y.mean()) ** 2)) - rss) / scatter(found) ** 2 == pytest.approx(5436385.54079785, rel=NINE)
    assert found.parts[0].dof == 34


def test_noint1() -> None:
    x, y = np.arange(60.0, 71.0), np.arange(130.0, 141.0)
    found = fit(x[:, None], y)
    assert found.estimate[0] == pytest.approx(2.07438016528926, rel=NINE)
    assert found.standard_uncertainty[0] == pytest.approx(0.165289256198347e-01, rel=NINE)
    assert scatter(found) == pytest.approx(3.56753034006338, rel=NINE)
    assert 1.0 - float(np.sum(found.residuals[0] ** 2)) / float(np.sum(y**2)) == pytest.approx(
        0.999365492298663, rel=NINE
    )


def test_noint2() -> None:
    found = fit([[4.0], [5.0], [6.0]], [3.0, 4.0, 4.0])
    assert found.estimate[0] == pytest.approx(0.727272727272727, rel=NINE)
    assert found.standard_uncertainty[0] == pytest.approx(0.420827318078432e-01, rel=NINE)
    assert scatter(found) == pytest.approx(0.369274472937998, rel=NINE)


LONGLEY = [
    (60323, 83.0, 234289, 2356, 1590, 107608, 1947),
    (61122, 88.5, 259426, 2325, 1456, 108632, 1948),
    (60171, 88.2, 258054, 3682, 1616, 109773, 1949),
    (61187, 89.5, 284599, 3351, 1650, 110929, 1950),
    (63221, 96.2, 328975, 2099, 3099, 112075, 1951),
    (63639, 98.1, 346999, 1932, 3594, 113270, 1952),
    (64989, 99.0, 365385, 1870, 3547, 115094, 1953),
    (63761, 100.0, 363112, 3578, 3350, 116219, 1954),
    (66019, 101.2, 397469, 2904, 3048, 117388, 1955),
    (67857, 104.6, 419180, 2822, 2857, 118734, 1956),
    (68169, 108.4, 442769, 2936, 2798, 120445, 1957),
    (66513, 110.8, 444546, 4681, 2637, 121950, 1958),
    (68655, 112.6, 482704, 3813, 2552, 123366, 1959),
    (69564, 114.2, 502601, 3931, 2514, 125368, 1960),
    (69331, 115.7, 518173, 4806, 2572, 127852, 1961),
    (70551, 116.9, 554894, 4007, 2827, 130081, 1962),
]


def test_longley_six_regressors_that_hardly_differ() -> None:
    table = np.array(LONGLEY, float)
    found = fit(np.column_stack([np.ones(16), table[:, 1:]]), table[:, 0])
    assert found.estimate == pytest.approx(
        [
            -3482258.63459582, 15.0618722713733, -0.358191792925910e-01, -2.02022980381683, -1.03322686717359,
            -0.511041056535807e-01, 1829.15146461355,
        ], rel=NINE,
    )  # fmt: skip
    assert found.standard_uncertainty[0] == pytest.approx(890420.383607373, rel=NINE)
    rss, r2 = sums(found, table[:, 0])
    assert rss == pytest.approx(836424.055505915, rel=NINE)
    assert r2 == pytest.approx(0.995479004577296, rel=NINE)


T = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
B = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]


def test_gum_h3_a_line_with_correlation_and_a_predicted_value() -> None:
    found = fit([[1.0, t - 20.0] for t in T], B)
    assert found.estimate == pytest.approx([-0.17120379, 0.0021827], rel=1e-5)
    assert found.standard_uncertainty == pytest.approx([0.0028776, 0.00066794], rel=1e-5)
    assert found.correlation[0, 1] == pytest.approx(-0.930430, abs=5e-7)
    assert scatter(found) == pytest.approx(0.00349756, rel=1e-5)
    at_30 = [1.0, 10.0]
    assert found.value(at_30) == pytest.approx(-0.1493768, rel=1e-6)
    assert found.u(at_30) == pytest.approx(0.0041386, rel=2e-5)
    assert found.dof(at_30) == pytest.approx(9.0, rel=1e-12)
    # As printed.
    assert [round(v, 4) for v in (found.estimate[0], found.standard_uncertainty[0], scatter(found))] == [
        -0.1712, 0.0029, 0.0035,
    ]  # fmt: skip
    assert [round(v, 5) for v in (found.estimate[1], found.standard_uncertainty[1])] == [0.00218, 0.00067]
    assert round(found.correlation[0, 1], 3) == -0.930
    assert (round(found.value(at_30), 4), round(found.u(at_30), 4)) == (-0.1494, 0.0041)


def test_student_factor() -> None:
    """t of 95 % and 9 degrees of freedom, 2.26 in GUM table G.2 (from memory); infinite: 1.96."""
    assert round(student(9.0), 2) == 2.26
    assert round(student(math.inf), 2) == 1.96
