"""Uncertainty by the rules of JCGM 100 (the GUM), and draws as its check by JCGM 101.

A contribution is sensitivity × standard uncertainty, with its sign, in the unit of the result. Degrees of freedom may
be infinite: limits that are known for certain. Pure; chance is handed in.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

Array = NDArray[np.float64]

DRAWS = 1_000_000
CHUNK = 50_000
"""So many draws at a time, so that the inputs of a million never stand in memory together."""
NORMAL_LIMIT = 3.0
"""What has no bound is taken for the worst case at so many standard uncertainties."""


class Shape(StrEnum):
    """How an error is spread about zero."""

    RECTANGULAR = "rectangular"
    TRIANGULAR = "triangular"
    ARCSINE = "arcsine"
    NORMAL = "normal"


_DIVISOR = {Shape.RECTANGULAR: math.sqrt(3.0), Shape.TRIANGULAR: math.sqrt(6.0), Shape.ARCSINE: math.sqrt(2.0)}


@dataclass(frozen=True, slots=True)
class Spread:
    """An error about zero: standard uncertainty `u` in its own unit, shape, degrees of freedom."""

    u: float
    shape: Shape = Shape.NORMAL
    dof: float = math.inf

    def __post_init__(self) -> None:
        if not (math.isfinite(self.u) and self.u >= 0.0):
            raise ValueError(f"a standard uncertainty is 0 or more, not {self.u}")
        if not self.dof > 0.0:
            raise ValueError(f"degrees of freedom are more than 0, not {self.dof}")

    @classmethod
    def within(cls, half_width: float, shape: Shape = Shape.RECTANGULAR, dof: float = math.inf) -> Spread:
        """An error known to lie within ± `half_width`. Raises ValueError for the shape that has no bounds."""
        if shape is Shape.NORMAL:
            raise ValueError("a normal error has no bounds; give its standard uncertainty")
        return cls(half_width / _DIVISOR[shape], shape, dof)

    @classmethod
    def of_step(cls, step: float) -> Spread:
        """What a resolution of `step` leaves open: evenly within half a step either way."""
        return cls.within(0.5 * step)

    @classmethod
    def of_readings(cls, sd: float, readings: int) -> Spread:
        """A standard deviation found from so many readings, two or more."""
        if readings < 2:
            raise ValueError(f"scatter takes two readings or more, not {readings}")
        return cls(sd, Shape.NORMAL, readings - 1.0)

    @property
    def limit(self) -> float:
        """The farthest from zero to reckon with; of a normal error three standard uncertainties."""
        return self.u * _DIVISOR.get(self.shape, NORMAL_LIMIT)

    def draw(self, chance: np.random.Generator, n: int) -> Array:
        """Draw `n` errors; of a scatter found from few readings by Student's distribution, as JCGM 101 has it."""
        if self.shape is Shape.RECTANGULAR:
            return self.limit * (2.0 * chance.random(n) - 1.0)
        if self.shape is Shape.TRIANGULAR:
            return self.limit * (chance.random(n) - chance.random(n))
        if self.shape is Shape.ARCSINE:
            return self.limit * np.sin(2.0 * math.pi * chance.random(n))
        return self.u * (chance.standard_normal(n) if math.isinf(self.dof) else chance.standard_t(self.dof, n))


def sensitivities(model: Callable[[Array], ArrayLike], at: ArrayLike, steps: ArrayLike) -> Array:
    """How each result changes with each input, one row a result, by central differences.

    `steps` is how far to go either way, e.g. a hundredth of each input's uncertainty; more than 0 each.
    """
    place, by = np.asarray(at, np.float64), np.asarray(steps, np.float64)
    if place.shape != by.shape or not (by > 0.0).all():
        raise ValueError("each input needs a step of more than 0")
    columns = []
    for n, step in enumerate(by):
        away = np.zeros_like(place)
        away[n] = step
        columns.append((np.atleast_1d(model(place + away)) - np.atleast_1d(model(place - away))) / (2.0 * step))
    return np.stack(columns, axis=-1).astype(np.float64)


def covariance(jacobian: ArrayLike, u: ArrayLike, correlation: ArrayLike | None = None) -> Array:
    """The covariance of results with these sensitivities (one row a result) to inputs of standard uncertainty `u`.

    Raises ValueError for a correlation that none can be.
    """
    contributions = np.atleast_2d(np.asarray(jacobian, np.float64)) * np.asarray(u, np.float64)
    if correlation is None:
        return contributions @ contributions.T
    matrix = _checked(np.asarray(correlation, np.float64), contributions.shape[1])
    return contributions @ matrix @ contributions.T


def _checked(matrix: Array, inputs: int) -> Array:
    if matrix.shape != (inputs, inputs):
        raise ValueError(f"{inputs} inputs need a correlation of {inputs} × {inputs}, not {matrix.shape}")
    if not np.allclose(matrix, matrix.T) or not np.allclose(np.diag(matrix), 1.0):
        raise ValueError("a correlation is symmetric, with ones on its diagonal")
    # Correlations printed to two digits may leave it a hair below what any can be.
    if np.linalg.eigvalsh(matrix)[0] < -0.01:
        raise ValueError("no quantities can be correlated so: the correlation is not positive semidefinite")
    return matrix


def combined(contributions: ArrayLike, correlation: ArrayLike | None = None) -> float:
    """The combined standard uncertainty of one result."""
    found = np.asarray(contributions, np.float64)
    variance = covariance(found, np.ones_like(found), correlation)[0, 0]
    return math.sqrt(max(0.0, float(variance)))


def effective_dof(contributions: Sequence[float], dofs: Sequence[float], total: float | None = None) -> float:
    """Degrees of freedom of the combined uncertainty by Welch and Satterthwaite, for independent inputs.

    `total` is the combined uncertainty where it is not that of these contributions alone.
    """
    whole = combined(contributions) if total is None else total
    below = sum(c**4 / dof for c, dof in zip(contributions, dofs, strict=True))
    return whole**4 / below if below > 0.0 else math.inf


def coverage_factor(dof: float = math.inf, share: float = 0.95) -> float:
    """The factor of an expanded uncertainty that covers `share`, by Student; degrees of freedom are cut to whole ones.

    Fewer than one count as one.
    """
    upper = 0.5 * (1.0 + share)
    if math.isinf(dof):
        return float(special.ndtri(upper))
    return float(special.stdtrit(max(1.0, math.floor(dof)), upper))


@dataclass(frozen=True, slots=True)
class Drawn:
    """What many draws of a result came to: mean, standard deviation and its own standard error, 95 % half width."""

    draws: int
    mean: float
    u: float
    u_error: float
    half_width_95: float


def monte_carlo(
    draw: Callable[[np.random.Generator, int], Array], chance: np.random.Generator, draws: int = DRAWS
) -> Drawn:
    """Draw a result so many times, a piece at a time, and say how it is spread; 95 % lie within the half width."""
    if draws < 2:
        raise ValueError("a spread takes two draws or more")
    results = np.empty(draws)
    for begin in range(0, draws, CHUNK):
        end = min(draws, begin + CHUNK)
        results[begin:end] = draw(chance, end - begin)
    mean = float(results.mean())
    results -= mean
    variance = float(np.dot(results, results)) / (draws - 1)
    sd = math.sqrt(variance)
    np.abs(results, out=results)
    half = float(np.quantile(results, 0.95, overwrite_input=True))
    results **= 4
    # The standard error of a standard deviation, whatever the shape: from the fourth moment.
    beyond = max(0.0, float(results.mean()) - variance * variance)
    error = math.sqrt(beyond / draws) / (2.0 * sd) if sd > 0.0 else 0.0
    return Drawn(draws, mean, sd, error, half)
