"""Weighted linear least squares with what is needed to state uncertainty: covariance, degrees of freedom, intervals.

Solved through QR of the weighted design with its columns brought to one length, so that columns of very different size
cost no digits. Values may come in blocks, each with a scatter of its own that only its own residuals tell: positions
and lengths, or the marks of each speed. The uncertainty of any sum of the unknowns then has the degrees of freedom of
Welch and Satterthwaite. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from controller.commissioning.uncertainty import Array, effective_dof

RANK_TOLERANCE = 1e-9
"""Columns of length one whose smallest singular value is below this cannot be told apart."""

ROUNDING = 1e-14
"""What is left of values by less than this part of them is the rounding of numbers, and no scatter."""


@dataclass(frozen=True, slots=True)
class Block:
    """Values of one kind: a row of the design for each, and their relative weights (1 / variance) where they differ.

    Their common scatter is estimated from them; `least_sd` is what it is never taken below, e.g. for the step in which
    they were read. Values of one number in `alike` may all be shifted by the same amount, of standard uncertainty
    `alike_sd`, which no repeat shows. Against other blocks it weighs as if its scatter were `weigh_sd`, where given:
    weights from the scatter of few values would themselves be chance, which no interval knows of.
    """

    design: Array
    values: Array
    weights: Array | None = None
    least_sd: float = 0.0
    alike: Array | None = None
    alike_sd: float = 0.0
    weigh_sd: float | None = None

    @classmethod
    def of(cls, design: ArrayLike, values: ArrayLike, weights: ArrayLike | None = None, least_sd: float = 0.0) -> Block:
        """Take lists. Raises ValueError for shapes that do not agree, and for weights that are not above zero."""
        rows, found = np.atleast_2d(np.asarray(design, np.float64)), np.asarray(values, np.float64)
        if found.ndim != 1 or len(rows) != len(found):
            raise ValueError(f"{len(found)} values need as many rows of the design, not {len(rows)}")
        if weights is None:
            return cls(rows, found, None, least_sd)
        heavy = np.asarray(weights, np.float64)
        if heavy.shape != found.shape or not (np.isfinite(heavy).all() and (heavy > 0.0).all()):
            raise ValueError("each value needs a weight of more than 0")
        return cls(rows, found, heavy, least_sd)

    @property
    def root(self) -> Array:
        """What each row is multiplied with."""
        return np.ones_like(self.values) if self.weights is None else np.sqrt(self.weights)


@dataclass(frozen=True, slots=True)
class Part:
    """What one block adds to the uncertainty: its scatter (at weight 1), its degrees of freedom, its covariance.

    The last of a fit may be what shifts values alike.
    """

    sd: float
    dof: float
    covariance: Array


@dataclass(frozen=True, slots=True)
class Fit:
    """The unknowns found, and how well each block tells them."""

    estimate: Array
    parts: tuple[Part, ...]
    residuals: tuple[Array, ...]
    """Of each block, in the unit of its values."""
    leverage: tuple[Array, ...]
    """How much each value draws the fit to itself, from 0 to 1."""

    @property
    def covariance(self) -> Array:
        """The covariance of the unknowns."""
        return np.asarray(np.sum([part.covariance for part in self.parts], axis=0))

    @property
    def standard_uncertainty(self) -> Array:
        """The standard uncertainty of each unknown."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def correlation(self) -> Array:
        """The correlation of the unknowns."""
        u = self.standard_uncertainty
        return self.covariance / np.outer(u, u)

    def value(self, row: ArrayLike) -> float:
        """The sum of the unknowns with these factors."""
        return float(np.asarray(row, np.float64) @ self.estimate)

    def u(self, row: ArrayLike) -> float:
        """The standard uncertainty of that sum."""
        factors = np.asarray(row, np.float64)
        return math.sqrt(max(0.0, float(factors @ self.covariance @ factors)))

    def dof(self, row: ArrayLike) -> float:
        """The degrees of freedom of that uncertainty."""
        factors = np.asarray(row, np.float64)
        shares = [math.sqrt(max(0.0, float(factors @ part.covariance @ factors))) for part in self.parts]
        return effective_dof(shares, [part.dof for part in self.parts])

    def half_width(self, row: ArrayLike, confidence: float = 0.95) -> float:
        """Half the width of the interval that covers the true sum with this confidence, by Student."""
        return student(self.dof(row), confidence) * self.u(row)


def student(dof: float, confidence: float = 0.95) -> float:
    """The two-sided factor of Student's distribution."""
    return float(special.stdtrit(dof, 0.5 * (1.0 + confidence)))


def fit(design: ArrayLike, values: ArrayLike, weights: ArrayLike | None = None, least_sd: float = 0.0) -> Fit:
    """Fit values of one kind. Raises ValueError where they are too few, or unknowns cannot be told apart."""
    return fit_blocks([Block.of(design, values, weights, least_sd)])


def fit_blocks(blocks: Sequence[Block]) -> Fit:
    """Fit all blocks together, each weighted by the scatter that it shows about a fit of its own, or as it says.

    Raises ValueError where a block has no more values than unknowns it bears on, or unknowns cannot be told apart.
    """
    alone = [_own_scatter(block) for block in blocks]
    # One block's scatter cancels out of its estimate; leaving it out there costs no digit.
    one = len(blocks) == 1
    taken = [1.0 if one else sd if b.weigh_sd is None else b.weigh_sd for b, (sd, _) in zip(blocks, alone, strict=True)]
    if not all(sd > 0.0 for sd in taken):
        raise ValueError("a block without any scatter needs a least_sd to be weighed against others")
    roots = [b.root / sd for b, sd in zip(blocks, taken, strict=True)]
    design = np.concatenate([root[:, None] * b.design for root, b in zip(roots, blocks, strict=True)])
    values = np.concatenate([root * b.values for root, b in zip(roots, blocks, strict=True)])
    if rank(design) < design.shape[1]:
        raise ValueError("these values cannot tell the unknowns apart")
    size = np.linalg.norm(design, axis=0)
    q, r = np.linalg.qr(design / size)
    # Each unknown as a sum of the weighted values.
    solving = np.linalg.solve(r, q.T) / size[:, None]
    estimate = np.linalg.solve(r, q.T @ values) / size
    parts, residuals, leverage, at = [], [], [], 0
    shifts: dict[float, Array] = {}
    for block, root, (sd, dof), as_if in zip(blocks, roots, alone, taken, strict=True):
        rows = slice(at, at + len(block.values))
        at += len(block.values)
        step = solving[:, rows] * (sd / as_if)
        parts.append(Part(sd, dof, step @ step.T))
        if block.alike is not None:
            for number in np.unique(block.alike):
                shift = block.alike_sd * (solving[:, rows] * root)[:, block.alike == number].sum(axis=1)
                shifts[float(number)] = shifts.get(float(number), 0.0) + shift
        residuals.append(block.values - block.design @ estimate)
        leverage.append(np.sum(q[rows] ** 2, axis=1))
    if shifts:
        parts.append(Part(0.0, math.inf, np.asarray(np.sum([np.outer(s, s) for s in shifts.values()], axis=0))))
    return Fit(estimate, tuple(parts), tuple(residuals), tuple(leverage))


def _own_scatter(block: Block) -> tuple[float, float]:
    """Give a block's scatter about its own best fit, and the degrees of freedom of that."""
    root = block.root
    design, values = root[:, None] * block.design, root * block.values
    basis = _basis(design)
    dof = len(values) - basis.shape[1]
    if dof < 1:
        raise ValueError(f"{len(values)} values are too few for {basis.shape[1]} unknowns; one more is needed")
    left = values - basis @ (basis.T @ values)
    left -= basis @ (basis.T @ left)  # once more: what rounding left of the fit
    rest = float(np.linalg.norm(left))
    if rest <= ROUNDING * float(np.linalg.norm(values)):
        rest = 0.0
    return max(rest / math.sqrt(dof), block.least_sd), float(dof)


def _basis(design: Array) -> Array:
    """Orthonormal columns that span those of the design."""
    size = np.linalg.norm(design, axis=0)
    u, s, _ = np.linalg.svd(design / np.where(size > 0.0, size, 1.0), full_matrices=False)
    return np.asarray(u[:, s > RANK_TOLERANCE * max(float(s[0]), 1.0)])


def rank(design: ArrayLike) -> int:
    """How many unknowns, or sums of them, the rows of a design can tell apart."""
    return int(_basis(np.asarray(design, np.float64)).shape[1])


def tells(design: ArrayLike, row: ArrayLike) -> bool:
    """Whether the rows of a design tell the sum of the unknowns with these factors."""
    rows = np.asarray(design, np.float64)
    # A design of small columns must not make the question small.
    size = np.linalg.norm(rows, axis=0)
    size = np.where(size > 0.0, size, 1.0)
    asked = np.asarray(row, np.float64) / size
    return rank(np.vstack([rows / size, asked / np.linalg.norm(asked)])) == rank(rows / size)
