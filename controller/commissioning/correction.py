"""What to change after a trial: the settings whose errors show, and nothing that may as well be chance. Pure."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np

from controller.commissioning.least_squares import Block, Fit, fit_blocks
from controller.commissioning.uncertainty import Array


@dataclass(frozen=True, slots=True)
class Correction:
    """What is taken away: of the distance error in mm, of the delay in s, of the scale's relative error.

    `delay_stays` says that the mark comes earlier with speed by more than any configured response can give back.
    """

    distance_mm: float = 0.0
    delay_s: float = 0.0
    scale: float = 0.0
    delay_stays: bool = False

    @property
    def any(self) -> bool:
        """Whether anything is changed."""
        return self.distance_mm != 0.0 or self.delay_s != 0.0 or self.scale != 0.0

    def in_columns(self, columns: Sequence[int]) -> Array:
        """The amounts as the unknowns of these columns."""
        return np.array([self.distance_mm, self.delay_s, self.scale])[list(columns)]


def correct(
    positions: Sequence[Block], scales: Block | None, columns: Sequence[int], unknown: Collection[str],
    response_s: float, distance_mm: float,
) -> Correction | None:  # fmt: skip
    """Choose what to correct: an unknown whose interval covers zero is left alone, the others are fitted without it.

    The scale goes first, since a correction of the distance does at the line's distance what it would; then the delay.
    Blocks have the columns distance, delay, scale, of which `columns` are fitted. None where nothing may be changed.
    """

    def fitted(blocks: Sequence[Block], numbers: Sequence[int]) -> Fit:
        return fit_marks(blocks, scales, numbers)

    if "distance" in unknown or "delay" in unknown:
        # A correction of either would be a guess; a scale that stands by itself is none.
        scale = 0.0 if 2 not in columns else _shown(fitted(positions, columns), columns, 2)
        return Correction(scale=scale) if scale else None
    kept = list(columns)
    for number in (2, 1):
        if number in kept and not _shown(fitted(positions, kept), kept, number):
            kept.remove(number)
    if kept == [0] and not _shown(fitted(positions, kept), kept, 0):
        return Correction()
    amounts = dict(zip(kept, fitted(positions, kept).estimate, strict=True))
    stays = amounts.get(1, 0.0) < -response_s
    if stays:
        # No response is less than nothing: what can be given back is, and the rest is fitted to what remains.
        rest = [replace(b, values=b.values + response_s * b.design[:, 1]) for b in positions]
        kept.remove(1)
        amounts = {**dict(zip(kept, fitted(rest, kept).estimate, strict=True)), 1: -response_s}
    a_mm, delay_s, scale = (float(amounts.get(n, 0.0)) for n in range(3))
    return Correction(min(a_mm, distance_mm), delay_s, scale, stays)


def _shown(found: Fit, columns: Sequence[int], number: int) -> float:
    """An unknown's value where its interval leaves zero out; else 0."""
    row = np.eye(len(columns))[list(columns).index(number)]
    return found.value(row) if abs(found.value(row)) > found.half_width(row) else 0.0


def fit_marks(positions: Sequence[Block], scales: Block | None, columns: Sequence[int]) -> Fit:
    """Fit these unknowns to positions, and to lengths where they tell the scale."""
    blocks = [*positions, *([scales] if scales is not None and 2 in columns else [])]
    return fit_blocks([replace(b, design=b.design[:, list(columns)]) for b in blocks])
