"""A marker's times over several test marks, against its settings: what fits, what does not, what to set. Pure; s.

A time has bounds in each mark, from look to look. Where one time lies within the bounds of all marks, it is taken to be
the same each time, and known better than from any of them; else what is set for planning ahead (mark time, rearm) is
the longest that it can have been.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from controller.commissioning.marker_marks import Between, Mark, Times, Wrong

STEP_S = 1e-4
"""Times are proposed in steps of so much."""


class Fits(StrEnum):
    """How a time stands to its setting."""

    FITS = "fits"
    LONGER = "longer"
    SHORTER = "shorter"


@dataclass(frozen=True, slots=True)
class Settings:
    """The marker as it is set, in s. `busy_marks`: its busy comes as the mark begins and goes as it ends."""

    response_s: float
    mark_s: float
    rearm_s: float
    busy_marks: bool = False

    def of(self, name: Times) -> float | None:
        """What a time should be; None: no setting says."""
        return {
            Times.RESPONSE: self.response_s if self.busy_marks else None,
            Times.MARK: self.response_s + self.mark_s,
            Times.BUSY: self.mark_s if self.busy_marks else None,
            Times.REARM: self.rearm_s,
            Times.CYCLE: self.response_s + self.mark_s + self.rearm_s,
        }.get(name)


@dataclass(frozen=True, slots=True)
class Figure:
    """One time over `n` marks: median, longest and scatter of the middles, each known to ± `resolution_s`.

    In no mark was it less than `at_least_s` or more than `at_most_s`; `same` are the bounds of a time that is the same
    in all of them, None: there is no such. `fits` None: nothing is set for it.
    """

    n: int
    median_s: float
    worst_s: float
    sd_s: float | None
    resolution_s: float
    at_least_s: float
    at_most_s: float
    same: Between | None
    setting_s: float | None
    fits: Fits | None

    @property
    def longest_s(self) -> float:
        """The longest to reckon with."""
        return self.at_most_s if self.same is None else self.same.high


@dataclass(frozen=True, slots=True)
class Study:
    """What was found of a marker; `wrong` counts in how many marks each thing was out of order."""

    marks: int
    figures: dict[Times, Figure]
    wrong: dict[Wrong, int]
    settings: Settings
    proposed: Settings

    @property
    def good(self) -> bool:
        """Whether every mark was in order and every setting fits."""
        return bool(self.figures) and not self.wrong and self.proposed == self.settings


def study(marks: Sequence[Mark], settings: Settings) -> Study:
    """Put the marks together. Raises ValueError for none."""
    if not marks:
        raise ValueError("no test mark was made")
    wrong = Counter(what for mark in marks for what in mark.wrong)
    figures = {}
    for name in Times:
        found = [mark.times[name] for mark in marks if name in mark.times]
        if found:
            figures[name] = _figure(found, settings.of(name))
    return Study(len(marks), figures, {what: wrong[what] for what in Wrong if what in wrong}, settings,
                 _proposed(figures, settings))  # fmt: skip


def _figure(found: Sequence[Between], setting_s: float | None) -> Figure:
    low, high = max(each.low for each in found), min(each.high for each in found)
    middles = np.array([each.middle for each in found], np.float64)
    return Figure(
        n=len(found),
        median_s=float(np.median(middles)),
        worst_s=float(middles.max()),
        sd_s=float(np.std(middles, ddof=1)) if len(found) > 1 else None,
        resolution_s=float(np.median([each.half for each in found])),
        at_least_s=min(each.low for each in found),
        at_most_s=max(each.high for each in found),
        same=Between(low, high) if low <= high else None,
        setting_s=setting_s,
        fits=None if setting_s is None else _fits(found, setting_s),
    )


def _fits(found: Sequence[Between], setting_s: float) -> Fits:
    """Longer: certainly so in one mark; shorter: certainly so in all of them."""
    if any(each.low > setting_s for each in found):
        return Fits.LONGER
    return Fits.SHORTER if all(each.high < setting_s for each in found) else Fits.FITS


def _proposed(figures: dict[Times, Figure], settings: Settings) -> Settings:
    """What the settings should be; what fits stays."""
    wanted = settings
    response, busy, mark = (figures.get(name) for name in (Times.RESPONSE, Times.BUSY, Times.MARK))
    if response is not None and _off(response):
        middle_s = response.median_s if response.same is None else response.same.middle
        wanted = replace(wanted, response_s=round(middle_s / STEP_S) * STEP_S)
    if busy is not None and busy.fits is not None:
        if _off(busy):
            wanted = replace(wanted, mark_s=_up(busy.longest_s))
    elif mark is not None and _off(mark):
        wanted = replace(wanted, mark_s=_up(max(0.0, mark.longest_s - wanted.response_s)))
    rearm, cycle = figures.get(Times.REARM), figures.get(Times.CYCLE)
    if rearm is not None:
        if _off(rearm):
            wanted = replace(wanted, rearm_s=_up(rearm.longest_s))
    elif cycle is not None and _off(cycle):
        wanted = replace(wanted, rearm_s=_up(max(0.0, cycle.longest_s - wanted.response_s - wanted.mark_s)))
    return wanted


def _off(figure: Figure) -> bool:
    return figure.fits not in (None, Fits.FITS)


def _up(seconds: float) -> float:
    """Rounded up to the next step."""
    return math.ceil(seconds / STEP_S - 1e-6) * STEP_S
