"""Scales from several ways of measuring: do they agree, which one stands apart, which slip explains it. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from scipy import special

from controller.commissioning.scale import Estimate
from controller.commissioning.uncertainty import Array, monte_carlo

DISAGREE_P = 0.01
"""Estimates that lie so far apart would do so by chance so rarely: they disagree."""
SLIP_PART = 0.1
"""A ratio within this part of a slip's is taken for it; wheels are never so far off by wear."""
INCH_MM = 25.4
DRAWS = 20_000
"""So many tell a 95 % half width to about 1 %."""


class SlipKind(StrEnum):
    """The classic slips."""

    DIAMETER_FOR_CIRCUMFERENCE = "diameter taken for circumference"
    CIRCUMFERENCE_FOR_DIAMETER = "circumference taken for diameter"
    DECODE = "decode factor"
    GEARING_NOT_THERE = "gearing that is not there"
    GEARING_UPSIDE_DOWN = "gearing upside down"
    INCHES = "inches and millimetres"


@dataclass(frozen=True, slots=True)
class Slip:
    """A slip that makes a scale come out as `ratio` times the true one."""

    kind: SlipKind
    ratio: float


@dataclass(frozen=True, slots=True)
class Combined:
    """The scale from all estimates that were used, in mm a count, its standard uncertainty and 95 % half width.

    `p` is how likely they lie so far apart by chance (None: there was one only). Where they disagree and none stands
    apart, `u` is widened until they would agree, and the scale is not to be trusted.
    """

    mm_per_count: float
    u: float
    half_width: float
    p: float | None
    used: tuple[int, ...]
    apart: int | None = None
    agree: bool = True
    slip: Slip | None = None
    """What would explain the one that stands apart."""


def combine(estimates: Sequence[Estimate], gearing: float = 1.0) -> Combined:
    """Combine one estimate or more; `gearing` is that of the wheel's data. Raises ValueError for none."""
    if not estimates:
        raise ValueError("there is nothing measured to tell the scale from")
    everything = tuple(range(len(estimates)))
    whole = _mean(estimates, everything)
    if whole.p is None or whole.p >= DISAGREE_P:
        return whole
    without = {n: _mean(estimates, tuple(m for m in everything if m != n)) for n in everything}
    if len(estimates) == 2:
        # Of two either may be wrong.
        return _widened(whole, len(estimates))
    healed = [n for n, rest in without.items() if rest.p is not None and rest.p >= DISAGREE_P]
    if len(healed) != 1:
        return _widened(whole, len(estimates))
    n = healed[0]
    slip = slip_of(estimates[n].mm_per_count / without[n].mm_per_count, gearing)
    return replace(without[n], apart=n, slip=slip)


def _mean(estimates: Sequence[Estimate], used: tuple[int, ...]) -> Combined:
    x = np.array([estimates[n].mm_per_count for n in used])
    weight = np.array([1.0 / estimates[n].u ** 2 for n in used])
    mean = float(weight @ x / weight.sum())
    p = float(special.chdtrc(len(used) - 1, weight @ (x - mean) ** 2)) if len(used) > 1 else None
    u = 1.0 / math.sqrt(float(weight.sum()))
    shares = weight / weight.sum()

    def draw(chance: np.random.Generator, count: int) -> Array:
        """Errors of the mean, each part in its own shape: bounds that are stated have no tails."""
        errors = np.zeros(count)
        for share, n in zip(shares, used, strict=True):
            for part in estimates[n].parts:
                errors += share * part.draw(chance, count)
        return errors

    half = monte_carlo(draw, np.random.default_rng(1), DRAWS).half_width_95
    return Combined(mean, u, half, p, used)


def _widened(whole: Combined, n: int) -> Combined:
    chi2 = float(special.chdtri(n - 1, whole.p or 1e-300))
    widen = max(1.0, math.sqrt(chi2 / (n - 1)))
    return replace(whole, u=whole.u * widen, half_width=whole.half_width * widen, agree=False)


def slip_of(ratio: float, gearing: float = 1.0) -> Slip | None:
    """Name the classic slip that makes a scale `ratio` times the true one; None: none does, or there is none."""
    known = [
        Slip(SlipKind.DIAMETER_FOR_CIRCUMFERENCE, 1.0 / math.pi),
        Slip(SlipKind.CIRCUMFERENCE_FOR_DIAMETER, math.pi),
        *(Slip(SlipKind.DECODE, factor) for factor in (0.25, 0.5, 2.0, 4.0)),
        *(Slip(SlipKind.INCHES, factor) for factor in (INCH_MM, 1.0 / INCH_MM)),
    ]
    if abs(gearing - 1.0) > SLIP_PART:
        known += [
            Slip(SlipKind.GEARING_NOT_THERE, 1.0 / gearing),
            Slip(SlipKind.GEARING_UPSIDE_DOWN, 1.0 / gearing**2),
        ]
    near = [slip for slip in known if abs(ratio / slip.ratio - 1.0) <= SLIP_PART]
    return min(near, key=lambda slip: abs(ratio / slip.ratio - 1.0), default=None)


@dataclass(frozen=True, slots=True)
class Verdict:
    """The setting against what was measured: its relative error (setting ÷ true − 1) with its 95 % half width.

    `rest` is the error that remains once the slip is mended.
    """

    error: float
    half_width: float
    slip: Slip | None
    rest: float
    correct: bool
    """Whether what remains is to be corrected: more than chance, and not too much to be believed."""
    believed: bool
    """Whether an error this large is explained, or told by two that agree."""

    @property
    def wrong(self) -> bool:
        """Whether the setting is off by more than can be chance."""
        return abs(self.error) > self.half_width


def against(setting_mm: float, found: Combined, gearing: float = 1.0, *, wheel: bool = True) -> Verdict:
    """Hold a setting against what was measured; `wheel`: it comes from a wheel's data, where slips are made."""
    ratio = setting_mm / found.mm_per_count
    half = ratio * found.half_width / found.mm_per_count
    slip = slip_of(ratio, gearing) if wheel else None
    rest = ratio / slip.ratio - 1.0 if slip is not None else ratio - 1.0
    believed = found.agree and (abs(rest) <= SLIP_PART or len(found.used) > 1)
    correct = believed and abs(rest) > (half if slip is None else half / slip.ratio)
    return Verdict(ratio - 1.0, half, slip, rest, correct, believed)


def shift_mm(error: float, distance_mm: float) -> float:
    """How far a mark lands towards the trailing edge (negative: the leading one) for a setting wrong by this part."""
    return distance_mm * (1.0 / (1.0 + error) - 1.0)
