"""How many marks, at which speeds, a trial needs for a wanted confidence. Speeds in mm/s, lengths in mm. Pure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from controller.commissioning.least_squares import student
from controller.commissioning.uncertainty import Array

SLOWEST_PART = 0.2
"""Where the line marks from standstill on, the slow speed of a trial is this part of the highest."""
MOST_EACH = 100


@dataclass(frozen=True, slots=True)
class Proposal:
    """So many marks at each of these speeds; the mean mark is then known within ± `half_width_mm` at every speed."""

    speeds_mm_s: tuple[float, ...]
    each: int
    half_width_mm: float
    enough: bool
    """False: even the most marks that are proposed do not reach what was wanted."""


def propose(
    lowest_mm_s: float, highest_mm_s: float, scatter_mm: float, wanted_mm: float, confidence: float = 0.95
) -> Proposal:
    """Propose a slow, a middle and a fast speed, and the fewest marks at each, two or more.

    The slow and the fast one tell the delay, the middle one whether a straight line fits at all. Raises ValueError for
    a range of speeds or a wanted half width that is none.
    """
    if not (0.0 <= lowest_mm_s < highest_mm_s and wanted_mm > 0.0 and scatter_mm >= 0.0):
        raise ValueError("a trial needs a highest speed above the lowest, and a half width above 0")
    speeds = np.array(speeds_for(lowest_mm_s, highest_mm_s))
    for each in range(2, MOST_EACH + 1):
        half = _half_width(speeds, each, lowest_mm_s, scatter_mm, confidence)
        if half <= wanted_mm:
            break
    return Proposal(tuple(float(v) for v in speeds), each, half, half <= wanted_mm)


def speeds_for(lowest_mm_s: float, highest_mm_s: float) -> tuple[float, float, float]:
    """A slow, a middle and a fast speed for marks that are to tell of all the line's speeds."""
    slow = max(lowest_mm_s, SLOWEST_PART * highest_mm_s)
    return slow, 0.5 * (slow + highest_mm_s), highest_mm_s


def _half_width(speeds: Array, each: int, lowest: float, scatter: float, confidence: float) -> float:
    """The interval's half width at the worst of both ends of the line's speeds."""
    n, mean = len(speeds) * each, float(speeds.mean())
    about = each * float(np.sum((speeds - mean) ** 2))
    farthest = max(abs(lowest - mean), abs(float(speeds[-1]) - mean))
    return float(student(n - 2.0, confidence) * scatter * (1.0 / n + farthest**2 / about) ** 0.5)
