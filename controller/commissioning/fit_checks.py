"""Whether a fit may be believed: lack of fit, outliers, unequal scatter. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from controller.commissioning.least_squares import fit
from controller.commissioning.uncertainty import Array

OUTLIER_CHANCE = 0.01
"""How often a trial in order may name an outlier."""
OWN_CHANCE = 0.05
"""How often one of a group of repeats that scatter alike may stand out from its group."""
LEAST_OTHERS = 3
"""So many others tell a group's own scatter."""
SAME_SPEED = 0.02
"""Speeds closer than this part of them are repeats of one."""
COARSE = 0.45
"""Repeats that scatter by less than this part of the step they are read in are moved alike by its rounding."""


@dataclass(frozen=True, slots=True)
class LackOfFit:
    """The test of what repeats do not explain: F, its degrees of freedom, and the chance of a greater one."""

    f: float
    dof_fit: int
    dof_pure: int
    p: float


def groups_of(values: ArrayLike, part: float = SAME_SPEED) -> Array:
    """Number the groups of values that are the same but for a small part of them, from the least on."""
    found = np.asarray(values, np.float64)
    order = np.argsort(found, kind="stable")
    numbers = np.zeros(len(found))
    number, begins = 0, found[order[0]] if len(found) else 0.0
    for at in order:
        if abs(found[at] - begins) > part * max(abs(found[at]), abs(begins)):
            number, begins = number + 1, found[at]
        numbers[at] = number
    return numbers


def hidden_by_step(values: ArrayLike, groups: ArrayLike, step: float) -> bool:
    """Whether the step that values were read in hides the scatter of repeats, so that they do not average it out."""
    found, number = np.asarray(values, np.float64), np.asarray(groups)
    kinds = np.unique(number)
    pure = sum(float(np.sum((found[number == g] - found[number == g].mean()) ** 2)) for g in kinds)
    dof = len(found) - len(kinds)
    return dof > 0 and pure < dof * (COARSE * step) ** 2


def lack_of_fit(residuals: ArrayLike, groups: ArrayLike, unknowns: int, least_sd: float = 0.0) -> LackOfFit | None:
    """Test the residuals of a fit against the scatter within groups of repeats, by F.

    None where there are no repeats, or no more groups than unknowns. `least_sd` is what the scatter of repeats is
    never taken below.
    """
    left, number = np.asarray(residuals, np.float64), np.asarray(groups)
    kinds = np.unique(number)
    pure = sum(float(np.sum((left[number == g] - left[number == g].mean()) ** 2)) for g in kinds)
    dof_fit, dof_pure = len(kinds) - unknowns, len(left) - len(kinds)
    if dof_fit < 1 or dof_pure < 1:
        return None
    scatter = max(pure / dof_pure, least_sd**2)
    between = max(0.0, float(np.sum(left**2)) - pure) / dof_fit
    if scatter == 0.0:
        return None
    f = between / scatter
    return LackOfFit(f, dof_fit, dof_pure, float(special.fdtrc(dof_fit, dof_pure, f)))


def outliers(
    design: ArrayLike, values: ArrayLike, groups: ArrayLike | None = None, chance: float = OUTLIER_CHANCE,
    least_sd: float = 0.0, most: float = 0.2,
) -> list[int]:  # fmt: skip
    """The indices of values that do not belong, by externally studentized residuals with a Bonferroni limit.

    The worst goes first and the rest is fitted again, until none is beyond the limit or the part `most` is gone. Of
    trials that have none, about the share `chance` name one. Among `groups` of repeats, one must also stand out from
    its own: where one speed scatters more than others, its marks are not therefore outliers.
    """
    rows, found = np.asarray(design, np.float64), np.asarray(values, np.float64)
    number = np.arange(len(found), dtype=np.float64) if groups is None else np.asarray(groups, np.float64)
    kept = list(range(len(found)))
    gone: list[int] = []
    while len(gone) < int(most * len(found)):
        n, p = len(kept), rows.shape[1]
        if n - p < 2:
            break
        try:
            line = fit(rows[kept], found[kept])
        except ValueError:
            break
        left = line.residuals[0]
        t = studentized(left, line.leverage[0], n - p, least_sd)
        beyond = 2.0 * special.stdtr(n - p - 1, -np.abs(t)) * n <= chance
        out = [i for i in np.argsort(-np.abs(t)) if beyond[i] and _stands_out(left, number[kept], int(i), least_sd)]
        if not out:
            break
        gone.append(kept.pop(int(out[0])))
    return sorted(gone)


def _stands_out(residuals: Array, groups: Array, at: int, least_sd: float) -> bool:
    """Whether a value stands out from its own group of repeats; one with too few of them does."""
    own = groups == groups[at]
    own[at] = False
    others = residuals[own]
    if len(others) < LEAST_OTHERS:
        return True
    sd = max(float(np.std(others, ddof=1)), least_sd, 1e-300)
    t = abs(residuals[at] - others.mean()) / (sd * (1.0 + 1.0 / len(others)) ** 0.5)
    return bool(2.0 * special.stdtr(len(others) - 1, -t) * (len(others) + 1) <= OWN_CHANCE)


def studentized(residuals: Array, leverage: Array, dof: int, least_sd: float = 0.0) -> Array:
    """Each residual in units of its own scatter, as the others without it tell that scatter."""
    room = np.maximum(1.0 - leverage, 1e-12)
    others = (np.sum(residuals**2) - residuals**2 / room) / (dof - 1)
    sd = np.sqrt(np.maximum(others, max(least_sd, 1e-300) ** 2))
    # What alone fixes its own place in the fit says nothing of being out of it.
    return np.where(room > 1e-9, residuals / (sd * np.sqrt(room)), 0.0)


def unequal_scatter_p(samples: Sequence[Array], least_sd: float = 0.0) -> float:
    """The chance of so unequal a scatter where it is equal, by Bartlett's test; 1 where nothing can be said."""
    samples = [s for s in samples if len(s) > 2]
    if len(samples) < 2:
        return 1.0
    dofs = np.array([len(s) - 1.0 for s in samples])
    variances = np.array([max(float(np.var(s, ddof=1)), least_sd**2, 1e-300) for s in samples])
    pooled = float(np.sum(dofs * variances) / np.sum(dofs))
    k = len(samples)
    statistic = np.sum(dofs) * np.log(pooled) - np.sum(dofs * np.log(variances))
    scaled = statistic / (1.0 + (np.sum(1.0 / dofs) - 1.0 / np.sum(dofs)) / (3.0 * (k - 1)))
    return float(special.chdtrc(k - 1, max(0.0, scaled)))
