"""Whether the line is as good as its tolerance, at every speed from its lowest to its highest, with 95 % confidence.

The tolerance is one of single marks, so single marks decide: pass where, with 95 % confidence, no more than 5 % of the
marks land outside it, at either end of the line's speeds. Since the mean error goes straight with the speed, what holds
at both ends holds between them. Scatter may grow with the speed, as that of a delay does, so that at each end only the
scatter of the marks nearest to it counts. How many land outside has an upper and a lower confidence limit by the
noncentral t distribution, exact for normal scatter: a share outside cannot hide behind a good mean, nor a bad mean
behind little scatter. The mean's own band over the whole range stands beside it: it tells whether settings could mend
what is missing, or only less scatter. Fail is said only where that is proven too; else it is not proven yet. Pure.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from scipy import special

from controller.commissioning.fit_checks import groups_of
from controller.commissioning.mark_length import Length
from controller.commissioning.proposal import SLOWEST_PART, speeds_for
from controller.commissioning.trial import LEAST_SD_MM, SAME_DISTANCE, analyse
from controller.commissioning.trial_data import Interval, Marks, Mean, Setup, Trial
from controller.commissioning.trial_words import FITS
from controller.commissioning.uncertainty import Spread

SHARE = 0.95
"""So many of the marks must land within the tolerance."""
CONFIDENCE = 0.95
REACHED = 0.95
"""The fastest marks are made at this part of the line's highest speed, or more."""
MORE = (2, 3, 4, 5, 6, 8, 10, 12, 15, 20, 25, 30, 40, 50, 60, 80, 100)
"""So many marks more at each speed are thought of; two at least, so that their scatter shows."""
OWN_MARKS = 4
"""So many marks at least tell the scatter at an end of the speeds: those of the nearest speeds, if one has fewer."""
FAR = 1000.0
"""Limits so many standard uncertainties away are as good as any farther."""


class Verdict(StrEnum):
    """What is said of the line."""

    PASS = "pass"
    FAIL = "fail"
    NOT_PROVEN = "not proven"


class Reason(StrEnum):
    """Why it is no pass, or not yet."""

    OUTSIDE = "more marks than may be lie outside"
    CUT_OFF = "marks are cut off"
    ONE_SPEED = "one speed"
    NOT_COVERED = "not all of the line's speeds"
    OUTLIERS = "marks that do not belong"
    NOT_STRAIGHT = "not straight with the speed"
    TOO_FEW = "too few marks, or too near to the limit"


@dataclass(frozen=True, slots=True)
class AtEnd:
    """What the marks do at one speed. Shares are parts of 1."""

    speed_mm_s: float
    mean: Interval
    """The mean error; both ends' intervals together, and what lies between them, hold with the confidence."""
    marks: Interval
    """Within this the wanted share of single marks lies, with the confidence."""
    scatter_mm: float
    """Of single marks, as made at the speed nearest to this one."""
    outside: float
    """The share of single marks outside the tolerance, with the mean and the scatter as they were found."""
    outside_most: float
    """No more than this share is, with the confidence."""


@dataclass(frozen=True, slots=True)
class More:
    """So many more marks at each of these speeds would be expected to prove it one way or the other."""

    each: int
    speeds_mm_s: tuple[float, ...]
    towards: Verdict


@dataclass(frozen=True, slots=True)
class Acceptance:
    """The verdict, and what it rests on."""

    verdict: Verdict
    reasons: tuple[Reason, ...]
    ends: tuple[AtEnd, ...]
    """At the line's lowest and highest speed; empty where the marks do not tell it."""
    outside: tuple[int, ...]
    """Indices of the marks that were measured outside the tolerance."""
    trial: Trial
    length: Length | None
    more: More | None
    """For what is not proven: what would settle it; None where nothing up to 100 marks at each speed would."""
    share: float
    mean_within: bool | None
    """Whether the mean's band lies within the tolerance over the whole range."""


def tolerance_factor(share: float, confidence: float, dof: float, part: float) -> float:
    """The one-sided tolerance factor k: with the confidence, the share of values lies below mean + k·s.

    `part` is the mean's variance as a part of that of single values: 1/n for n of them, with n − 1 degrees of freedom.
    """
    root = math.sqrt(part)
    return float(special.nctdtrit(dof, special.ndtri(share) / root, confidence)) * root


def outside_limit(distance: float, dof: float, part: float, confidence: float) -> float:
    """The greatest share of values that may lie beyond a limit, with the confidence.

    `distance` is that of the limit from the mean found, in units of the scatter found. A confidence below one half
    gives the least share likewise: what lies beyond is more than that with confidence 1 − `confidence`.
    """
    root = math.sqrt(part)
    t = min(max(distance / root, -FAR), FAR)
    return float(special.ndtr(-root * float(special.nctdtrinc(dof, confidence, t))))


def marks_wanted(setup: Setup, scatter_mm: float, share: float = SHARE) -> More | None:
    """How many marks at which speeds are expected to pass a line that is right and scatters so; None: not up to 100."""
    speeds = speeds_for(setup.lowest_mm_s, setup.highest_mm_s)
    both = 0.5 * (1.0 + CONFIDENCE)
    for each in MORE:
        every = np.repeat(speeds, each)
        about = float(np.sum((every - every.mean()) ** 2))
        part = 1.0 / len(every) + max((v - every.mean()) ** 2 for v in (setup.lowest_mm_s, setup.highest_mm_s)) / about
        off = math.sqrt(part)  # the mean may be found off by its own uncertainty
        limit = setup.tolerance_mm / scatter_mm
        if sum(outside_limit(d, each - 1.0, part, both) for d in (limit - off, limit + off)) <= 1.0 - share:
            return More(each, speeds, Verdict.PASS)
    return None


def judge(marks: Marks, setup: Setup, share: float = SHARE) -> Acceptance:
    """Judge the marks of a verification trial. Raises ValueError, in one line, for marks that tell nothing."""
    given = marks.distance_mm
    if given is not None and float(np.max(np.abs(given - setup.distance_mm))) > SAME_DISTANCE * setup.distance_mm:
        raise ValueError(
            f"marks at another distance than the line's {setup.distance_mm:.4g} mm accept nothing: put the marker "
            "where it will stay, and make all of them there"
        )
    length = None if marks.length_mm is None else analyse(marks, setup).length
    positions = replace(marks, distance_mm=None, length_mm=None)
    trial = analyse(positions, setup)
    judge_ = _Judge(trial, positions, setup, share)
    ends = [speed for speed in (setup.lowest_mm_s, setup.highest_mm_s) if trial.mean(speed) is not None]
    found = tuple(judge_.at_end(speed) for speed in ends) if len(ends) == 2 else ()
    outside = np.flatnonzero(np.abs(marks.position_mm - setup.offset_mm) > setup.tolerance_mm)
    failed = judge_.failures(len(outside))
    if length is not None and length.cut_from_mm_s is not None:
        failed.append(Reason.CUT_OFF)
    doubts = list(_doubts(positions, setup, trial))
    proven = len(found) == 2 and all(e.outside_most <= 1.0 - share for e in found)
    more = None
    if failed:
        verdict, reasons = Verdict.FAIL, failed
    elif proven and not doubts:
        verdict, reasons = Verdict.PASS, []
    else:
        verdict, reasons = Verdict.NOT_PROVEN, doubts or [Reason.TOO_FEW]
        if not {Reason.OUTLIERS, Reason.NOT_STRAIGHT} & set(reasons):
            more = judge_.more()
    return Acceptance(
        verdict,
        tuple(dict.fromkeys(reasons)),
        found,
        tuple(int(i) for i in outside),
        trial,
        length,
        more,
        share,
        all(e.mean.within(setup.tolerance_mm) for e in found) if found else None,
    )


def _doubts(marks: Marks, setup: Setup, trial: Trial) -> list[Reason]:
    """What must be in order before anything is proven of all speeds."""
    speeds, found = marks.speed_mm_s, []
    slow = max(setup.lowest_mm_s, SLOWEST_PART * setup.highest_mm_s) / REACHED
    if groups_of(speeds).max() == 0:
        found.append(Reason.ONE_SPEED)
    elif float(speeds.min()) > slow or float(speeds.max()) < REACHED * setup.highest_mm_s:
        found.append(Reason.NOT_COVERED)
    if trial.outliers:
        found.append(Reason.OUTLIERS)
    if trial.lack_of_fit_p is not None and trial.lack_of_fit_p < FITS:
        found.append(Reason.NOT_STRAIGHT)
    return found


class _Judge:
    """Reckons with the fit of one trial."""

    def __init__(self, trial: Trial, marks: Marks, setup: Setup, share: float) -> None:
        self._trial, self._setup, self._share = trial, setup, share
        kept = np.setdiff1d(np.arange(len(marks.position_mm)), trial.outliers)
        self._all_speeds, self._n = marks.speed_mm_s, len(marks.position_mm)
        self._speeds = marks.speed_mm_s[kept]
        self._groups = groups_of(self._speeds)
        self._errors = marks.position_mm[kept] - setup.offset_mm
        self._least_sd = max(Spread.of_step(marks.position_step_mm).u, LEAST_SD_MM)

    def at_end(self, speed_mm_s: float) -> AtEnd:
        """All there is to say of one speed at which the mean is told."""
        mean = self._trial.mean(speed_mm_s)
        assert mean is not None
        sd, dof = self._scatter(speed_mm_s)
        part = self._part(mean, sd)
        both = 0.5 * (1.0 + CONFIDENCE)  # two ends, or two sides: each at so much, together at the confidence
        k = tolerance_factor(1.0 - 0.5 * (1.0 - self._share), both, dof, part)
        return AtEnd(
            speed_mm_s,
            mean.interval(both),
            Interval(mean.value_mm, k * sd),
            sd,
            sum(float(special.ndtr(-d / sd)) for d in self._beyond(mean)),
            self._most(mean, sd, dof),
        )

    def failures(self, outside: int) -> list[Reason]:
        """Whether more marks lie outside than may, proven of a speed at which marks were made.

        By the fit at the slowest and the fastest marks, either side, or by counting; 5 % in all.
        """
        wrong = 1.0 - CONFIDENCE
        counted = outside > 0 and float(special.bdtrc(outside - 1, self._n, 1.0 - self._share)) <= 0.5 * wrong
        speeds = {float(self._all_speeds.min()), float(self._all_speeds.max())}
        means = [(mean, *self._scatter(v)) for v in speeds if (mean := self._trial.mean(v)) is not None]
        return [Reason.OUTSIDE] if counted or any(self._fails(*each) for each in means) else []

    def more(self) -> More | None:
        """How many more marks would be expected to settle it, if the mean and the scatter stay as they were found."""
        speeds = speeds_for(self._setup.lowest_mm_s, self._setup.highest_mm_s)
        ends = (self._setup.lowest_mm_s, self._setup.highest_mm_s)
        means = [self._trial.mean(v) for v in ends]
        for each in MORE:
            then = [self._then(speed, mean, speeds, each) for speed, mean in zip(ends, means, strict=True)]
            # One standard uncertainty in hand: what is only expected would fall short every other time.
            if all(self._most(_moved(mean, 1.0), sd, dof) <= 1.0 - self._share for mean, sd, dof in then):
                return More(each, speeds, Verdict.PASS)
            if None not in means and any(self._fails(_moved(mean, -1.0), sd, dof) for mean, sd, dof in then):
                return More(each, speeds, Verdict.FAIL)
        return None

    def _then(
        self, speed_mm_s: float, mean: Mean | None, speeds_mm_s: tuple[float, ...], each: int
    ) -> tuple[Mean, float, float]:
        """The mean at a speed, the scatter, its degrees of freedom, with so many marks more at each of the speeds."""
        every = np.concatenate([self._speeds, np.repeat(speeds_mm_s, each)])
        middle, n = float(every.mean()), len(every)
        part = 1.0 / n + (speed_mm_s - middle) ** 2 / float(np.sum((every - middle) ** 2))
        sd, dof = self._scatter(speed_mm_s)
        near = min(speeds_mm_s, key=lambda v: abs(v - speed_mm_s))
        there = self._speeds[np.argmin(np.abs(self._speeds - speed_mm_s))]
        own = dof + each if groups_of([near, there]).max() == 0 else max(dof, each - 1.0)
        u = self._trial.scatter_mm * math.sqrt(part)
        return Mean(0.0 if mean is None else mean.value_mm, u, n - 2.0), sd, own

    def _most(self, mean: Mean, sd: float, dof: float) -> float:
        """The greatest share outside, both sides together."""
        both = 0.5 * (1.0 + CONFIDENCE)
        return min(1.0, sum(outside_limit(d / sd, dof, self._part(mean, sd), both) for d in self._beyond(mean)))

    def _fails(self, mean: Mean, sd: float, dof: float) -> bool:
        """Whether more than may be lie beyond one side; two speeds and two sides share one half of what is left."""
        chance = 0.125 * (1.0 - CONFIDENCE)
        least = [outside_limit(d / sd, dof, self._part(mean, sd), chance) for d in self._beyond(mean)]
        return max(least) > 1.0 - self._share

    def _beyond(self, mean: Mean) -> tuple[float, float]:
        """How far either limit lies beyond the mean."""
        return self._setup.tolerance_mm - mean.value_mm, self._setup.tolerance_mm + mean.value_mm

    def _scatter(self, speed_mm_s: float) -> tuple[float, float]:
        """The scatter of single marks as made nearest to a speed, and its degrees of freedom."""
        away = np.abs(self._speeds - speed_mm_s)
        own = self._groups == self._groups[np.argmin(away)]
        if own.sum() < OWN_MARKS:
            own = away <= np.sort(away)[min(OWN_MARKS, len(away)) - 1]
        means = np.array([m.value_mm if (m := self._trial.mean(float(v))) else 0.0 for v in self._speeds[own]])
        return max(float(np.std(self._errors[own] - means, ddof=1)), self._least_sd), float(own.sum()) - 1.0

    def _part(self, mean: Mean, sd: float) -> float:
        """The mean's variance as a part of that of single marks; it is not made large by scatter found large there."""
        return (mean.u_mm / min(sd, self._trial.scatter_mm)) ** 2


def _moved(mean: Mean, by: float) -> Mean:
    """The same mean, farther from zero by so many of its standard uncertainties."""
    return replace(mean, value_mm=mean.value_mm + math.copysign(by * mean.u_mm, mean.value_mm))
