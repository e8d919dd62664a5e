"""What the printed marks' length along the belt says, and of whose setting it speaks.

Only a marker that paces itself from the same count prints with our scale. With an encoder of its own the length is its
own setting; with a time base of its own the length also goes with the speed. A marker that is too slow for its window
cuts marks short, at high speed only. Lengths in mm, speeds in mm/s. Pure.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from scipy import special

from controller.commissioning.fit_checks import groups_of
from controller.commissioning.least_squares import fit, student
from controller.commissioning.uncertainty import Array
from controller.spec import Pacing

CUT_CHANCE = 0.001
"""How often whole marks may be taken for cut ones, for each speed looked at."""
CUT_PART = 0.02
"""A mark that is shorter by less than this part of it is not called cut."""


class Owner(StrEnum):
    """Whose setting a wrong length speaks of."""

    SCALE = "scale"
    """Ours: the belt for one count."""
    MARKER = "marker"
    """The marker's own."""


@dataclass(frozen=True, slots=True)
class Length:
    """The marks' length: relative error (real ÷ design − 1) with its 95 % half width, and whose it is.

    `whole` says for each mark whether it was printed whole; `cut_from_mm_s` is the lowest speed at which marks are cut
    short, `cut_to_mm` what is left of them there. For a time base of its own the error is at `at_mm_s`.
    """

    owner: Owner
    pacing: Pacing | None
    design_mm: float
    mean_mm: float
    error: float
    half_width: float
    whole: tuple[bool, ...]
    with_speed: bool = False
    """Whether the length grows with the speed, as of a time base that is not told of it."""
    right_at_mm_s: float | None = None
    """The speed at which such a mark has its designed length."""
    at_mm_s: float | None = None
    cut_from_mm_s: float | None = None
    cut_to_mm: float | None = None

    @property
    def wrong(self) -> bool:
        """Whether the length differs from its design by more than can be chance."""
        return abs(self.error) > self.half_width


def look(
    lengths_mm: Array, speeds_mm_s: Array, design_mm: float, pacing: Pacing | None, least_sd_mm: float = 0.0
) -> Length:
    """Judge the lengths of two marks or more. A pacing that is not known is taken for the marker's own affair."""
    groups = groups_of(speeds_mm_s)
    if pacing is Pacing.OWN_TIME_BASE and (found := _by_time(lengths_mm, speeds_mm_s, groups, design_mm, least_sd_mm)):
        return found
    whole = _whole(lengths_mm, groups, least_sd_mm)
    kept = lengths_mm[whole]
    sd = max(float(np.std(kept, ddof=1)) if len(kept) > 1 else 0.0, least_sd_mm)
    half_mm = student(max(len(kept) - 1.0, 1.0)) * sd / math.sqrt(len(kept))
    mean_mm = float(kept.mean())
    cut = np.logical_not(whole)
    first = groups == groups[cut].min() if cut.any() else cut
    return Length(
        owner=Owner.SCALE if pacing is Pacing.SHARED_COUNT else Owner.MARKER,
        pacing=pacing,
        design_mm=design_mm,
        mean_mm=mean_mm,
        error=mean_mm / design_mm - 1.0,
        half_width=half_mm / design_mm,
        whole=tuple(bool(w) for w in whole),
        cut_from_mm_s=float(speeds_mm_s[first].mean()) if cut.any() else None,
        cut_to_mm=float(lengths_mm[first].mean()) if cut.any() else None,
    )


def _whole(lengths_mm: Array, groups: Array, least_sd_mm: float) -> Array:
    """Whether each mark is as long as those of the speeds below: from the first speed that cuts on, none is.

    The scatter is that of repeats at all speeds, so that two marks a speed are enough.
    """
    kinds = np.unique(groups)
    spread = sum(float(np.sum((lengths_mm[groups == g] - lengths_mm[groups == g].mean()) ** 2)) for g in kinds)
    dof = len(lengths_mm) - len(kinds)
    whole = np.ones(len(lengths_mm), bool)
    if dof < 1:
        return whole
    sd = max(math.sqrt(spread / dof), least_sd_mm, 1e-12)
    for g in kinds[1:]:
        below, here = lengths_mm[groups < g], lengths_mm[groups == g]
        short = float(below.mean() - here.mean())
        t = short / (sd * math.sqrt(1.0 / len(below) + 1.0 / len(here)))
        if short > CUT_PART * float(below.mean()) and special.stdtr(dof, -t) < CUT_CHANCE:
            whole[groups >= g] = False
            break
    return whole


def _by_time(
    lengths_mm: Array, speeds_mm_s: Array, groups: Array, design_mm: float, least_sd_mm: float
) -> Length | None:
    """What a time base of its own makes: a length of speed × time. None where the length does not go with the speed."""
    kinds = np.unique(groups)
    if len(kinds) < 2 or len(lengths_mm) < 4 or not (speeds_mm_s > 0.0).all():
        return None
    line = fit(np.column_stack([np.ones_like(speeds_mm_s), speeds_mm_s]), lengths_mm, least_sd=least_sd_mm)
    # The length may grow with the speed and begin at a dot's width; it is its time base that makes it grow.
    if line.estimate[1] <= line.half_width([0.0, 1.0], 0.99):
        return None
    at = float(speeds_mm_s.max())
    row = [1.0, at]
    right = (design_mm - line.estimate[0]) / line.estimate[1]
    return Length(
        owner=Owner.MARKER,
        pacing=Pacing.OWN_TIME_BASE,
        design_mm=design_mm,
        mean_mm=float(lengths_mm.mean()),
        error=line.value(row) / design_mm - 1.0,
        half_width=line.half_width(row) / design_mm,
        whole=(True,) * len(lengths_mm),
        with_speed=True,
        right_at_mm_s=float(right) if right > 0.0 else None,
        at_mm_s=at,
    )
