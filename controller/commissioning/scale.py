"""Scale: the belt for one count, from what can be measured at a line, each with its standard uncertainty. Pure.

Lengths in mm, scales in mm a count. What is stated as "within" is taken as evenly spread. A scatter that is seen in few
values has Student's distribution and its variance, as JCGM 101 has it; fewer than four values show no scatter worth the
name, and what is stated counts instead.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike

from controller.commissioning.mark_length import Owner, look
from controller.commissioning.uncertainty import Array, Shape, Spread
from controller.spec import Pacing

LEAST_SCATTER = 4
"""From so few values on their own scatter is used."""
FAR_PART = 0.05
"""A pass that is so far from the others is a slip, not scatter."""
OTHER_PART = 0.2
"""A product that is so much longer or shorter than the others is another one, or two of them."""
TAPE_FIXED_MM, TAPE_PART = 0.3, 0.2e-3
"""What a common tape measure may be off: so much, and so much of its length (class II, from memory)."""
PLACING_MM = 1.0
"""How well a mark is brought to a pointer by hand. Common practice, no source."""
EDGE_MM = 1.0
"""How much longer or shorter an eye may see a product, by its spot and its threshold. Common practice, no source."""
READING_MM = 0.5
"""How well a length is read from a rule. Common practice, no source."""


class Kind(StrEnum):
    """Where an estimate comes from."""

    TAPE = "taped distance"
    PRODUCT = "product length"
    PITCH = "pitch of marks"
    MARK = "length of marks"


@dataclass(frozen=True, slots=True)
class Estimate:
    """The belt for one count by one way of measuring, from `n` values, and the errors it may have, in mm a count."""

    kind: Kind
    mm_per_count: float
    parts: tuple[Spread, ...]
    n: int = 1
    left_out: int = 0
    """Values that were none of their kind."""

    @property
    def u(self) -> float:
        """The standard uncertainty; of a scatter from few values that of its Student's distribution."""
        return math.hypot(*(part.u * math.sqrt(_widening(part.dof)) for part in self.parts))


def _widening(dof: float) -> float:
    """By so much the variance of Student's distribution is greater than that of the normal one."""
    return 1.0 if math.isinf(dof) else dof / (dof - 2.0)


def taped(
    lengths_mm: ArrayLike, counts: ArrayLike, *, tape_within_mm: float | None = None,
    placing_within_mm: float = PLACING_MM, kind: Kind = Kind.TAPE,
) -> Estimate:  # fmt: skip
    """Take passes over measured lengths of belt, and the counts of each.

    Both ends of a pass are placed within `placing_within_mm`; the tape, which is the same for all, is right within
    `tape_within_mm`. Raises ValueError for a pass that cannot be.
    """
    length, n = np.atleast_1d(np.asarray(lengths_mm, np.float64)), np.atleast_1d(np.asarray(counts, np.float64))
    if len(length) != len(n) or not len(n):
        raise ValueError(f"{len(length)} lengths and {len(n)} counts; each pass needs both")
    if not ((length > 0.0).all() and (n > 0.0).all()):
        raise ValueError("each pass needs a length and counts of more than 0; with a wrong sense settle that first")
    _refuse_far(length / n)
    scale = float(n @ length / (n @ n))
    middle, share = float(length.mean()), 1.0 / math.sqrt(float(n @ n))
    tape = tape_within_mm if tape_within_mm is not None else TAPE_FIXED_MM + TAPE_PART * middle
    each = _scatter(length - scale * n, share)
    if each is None:
        # Two ends, each evenly within so much: their difference is spread as a triangle.
        each = (Spread.within(2.0 * placing_within_mm * share, Shape.TRIANGULAR),)
    step = Spread.within(scale * scale / middle, Shape.TRIANGULAR)
    return Estimate(kind, scale, (*each, step, Spread.within(tape / middle * scale)), len(n))


def of_products(
    length_mm: float, counts: ArrayLike, *, length_within_mm: float = READING_MM, edge_within_mm: float = EDGE_MM
) -> Estimate:
    """Take the counts of products of one mean length, four or more. Raises ValueError."""
    found = np.atleast_1d(np.asarray(counts, np.float64))
    found = found[np.isfinite(found)]
    good = found[np.abs(found - np.median(found)) <= OTHER_PART * np.median(found)] if len(found) else found
    if not length_mm > 0.0 or len(good) < LEAST_SCATTER or not (good > 0.0).all():
        raise ValueError(
            f"needs {LEAST_SCATTER} products or more of one length, and that length; {len(good)} were seen"
        )
    mean = float(good.mean())
    scale = length_mm / mean
    per_mm = scale / length_mm
    each = _scatter((good - mean) * scale, per_mm / math.sqrt(len(good))) or ()
    # Products that come in step with the counts all lie alike in them: the count's step does not average out.
    step = Spread.within(scale * per_mm, Shape.TRIANGULAR)
    known = (step, Spread.within(length_within_mm * per_mm), Spread.within(edge_within_mm * per_mm))
    return Estimate(Kind.PRODUCT, scale, (*each, *known), len(good), len(found) - len(good))


def of_pitch(
    scale_mm: float, pitch_mm: float, pitches: Sequence[int], measured_mm: ArrayLike, *,
    tape_within_mm: float | None = None, reading_within_mm: float = READING_MM,
) -> Estimate:  # fmt: skip
    """Take how long so many pitches of marks really are, made with this scale set. Raises ValueError."""
    if not pitch_mm > 0.0:
        raise ValueError("marks without a pitch tell no scale")
    counts = np.asarray(pitches, np.float64) * pitch_mm / scale_mm
    return taped(
        measured_mm, counts, tape_within_mm=tape_within_mm, placing_within_mm=reading_within_mm, kind=Kind.PITCH
    )


def of_marks(
    scale_mm: float, design_mm: float, lengths_mm: ArrayLike, pacing: Pacing | None,
    *, reading_within_mm: float = READING_MM,
) -> Estimate | None:  # fmt: skip
    """Take how long printed marks really are; None: their length is the marker's own setting, not our scale.

    Raises ValueError for lengths that cannot be.
    """
    found = np.atleast_1d(np.asarray(lengths_mm, np.float64))
    if not (design_mm > 0.0 and len(found) and (found > 0.0).all()):
        raise ValueError("needs the mark's designed length and measured ones of more than 0")
    if look(found, np.ones_like(found), design_mm, pacing).owner is not Owner.SCALE:
        return None
    mean = float(found.mean())
    per_mm = scale_mm / design_mm
    each = _scatter(found - mean, per_mm / math.sqrt(len(found))) or ()
    # A rule read again and again is read with the same fault: its reading does not average out.
    reading = Spread.within(reading_within_mm * per_mm)
    return Estimate(Kind.MARK, mean * per_mm, (*each, reading), len(found))


def _scatter(residuals: Array, share: float) -> tuple[Spread, ...] | None:
    """Give what the scatter of single values makes of their mean, `share` of it; None where they are too few."""
    dof = len(residuals) - 1
    if dof < LEAST_SCATTER - 1:
        return None
    seen = math.sqrt(float(residuals @ residuals) / dof)
    return (Spread(seen * share, Shape.NORMAL, dof),)


def _refuse_far(scales: Array) -> None:
    """Refuse a pass that is far from the middle of the others."""
    for number, scale in enumerate(scales, start=1):
        others = np.delete(scales, number - 1)
        if len(others) < 2:
            continue
        away = scale / float(np.median(others)) - 1.0
        if abs(away) > FAR_PART and np.ptp(others) <= FAR_PART * np.median(others):
            inch = " (mm typed for inches?)" if 20.0 < max(1.0 + away, 1.0 / (1.0 + away)) < 30.0 else ""
            raise ValueError(f"pass {number} is {away:+.0%} off the others{inch}; mend it, or measure it again")
