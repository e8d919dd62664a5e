"""The distance from eye to marker by jogging one product there: its value, its uncertainty, and what speaks against it.

The setting and this measurement are read by the same count, so that a wrong scale makes no mark land wrong as long as
it stays: what decides is the interval without the scale's part. As a length the distance also has that part. Pure; mm.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from controller.commissioning.distance_pass import Pass
from controller.commissioning.least_squares import fit
from controller.commissioning.scale import LEAST_SCATTER
from controller.commissioning.uncertainty import Array, Spread, combined, coverage_factor, effective_dof

PLACING_MM = 1.0
"""How well a product's edge is brought under the print point by eye. Common practice, no source."""
INCHES = (22.0, 29.0)
"""Two figures of one distance with a ratio between these were written in mm and in inches."""


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of the inputs: placing in mm, the scale as a part of it, the eye's response in s."""

    placing: Spread
    scale: Spread
    response_s: float
    response: Spread


@dataclass(frozen=True, slots=True)
class Part:
    """One contribution to the uncertainty."""

    name: str
    u_mm: float
    dof: float = math.inf


@dataclass(frozen=True, slots=True)
class Distance:
    """The distance found, with its parts; `scale_u_mm` is that of the scale, which the others do not hold."""

    passes_mm: Array
    mm: float
    sd_mm: float | None
    parts: tuple[Part, ...]
    scale_u_mm: float
    response_mm: float
    """How far the belt went during the eye's response at the speed of the jog; it was added."""
    jog_mm_s: float | None
    agree: bool
    """Whether the passes lie no farther apart than the placing explains."""
    each_stop: tuple[float, float] | None
    """By how much each stop on the way changes the travel, with its 95 % half width; None: all had as many."""

    @property
    def half_width_mm(self) -> float:
        """Of the 95 % interval in which the distance lies, in counts of the present scale."""
        us = [part.u_mm for part in self.parts]
        return coverage_factor(effective_dof(us, [part.dof for part in self.parts])) * combined(us)

    @property
    def length_half_width_mm(self) -> float:
        """The same for the distance as a length, the scale's uncertainty with it."""
        us = [*(part.u_mm for part in self.parts), self.scale_u_mm]
        dofs = [*(part.dof for part in self.parts), math.inf]
        return coverage_factor(effective_dof(us, dofs)) * combined(us)

    @property
    def slips(self) -> bool:
        """Whether travel is lost in stops by more than chance."""
        return self.each_stop is not None and self.each_stop[0] < -self.each_stop[1]


def measure(passes: Sequence[Pass], scale_mm: float, known: Known) -> Distance:
    """Put the passes together. Raises ValueError for none, and for one that cannot be."""
    if not passes:
        raise ValueError("no pass was made")
    if not all(each.counts > 0.0 for each in passes):
        raise ValueError("each pass has counts of more than 0; with a wrong sense settle that first")
    n = len(passes)
    speeds = [abs(each.speed_counts_s) * scale_mm for each in passes if each.speed_counts_s is not None]
    jog = sum(speeds) / len(speeds) if speeds else None
    # The eye tells of an edge late, so the count was farther by then, and what is left to the marker seems less.
    late_mm = [abs(each.speed_counts_s or 0.0) * scale_mm * known.response_s for each in passes]
    found = np.array([p.counts * scale_mm + late for p, late in zip(passes, late_mm, strict=True)], np.float64)
    mean = float(found.mean())
    sd = float(np.std(found, ddof=1)) if n > 1 else None
    looked = math.hypot(*(each.edge_within * scale_mm / math.sqrt(3.0) for each in passes)) / n
    parts = [
        # Whoever looks along the edge from one side does so each time: it does not average out.
        Part("placing by eye", known.placing.u),
        Part("where the belt stood within a count", scale_mm / math.sqrt(12.0)),
        Part("where the eye told the edge", looked),
        Part("the eye's response", (jog or 0.0) * known.response.u),
    ]
    if sd is not None and n >= LEAST_SCATTER:
        parts.append(Part("scatter of the passes", sd / math.sqrt(n), n - 1.0))
    return Distance(
        passes_mm=found,
        mm=mean,
        sd_mm=sd,
        parts=tuple(parts),
        scale_u_mm=mean * known.scale.u,
        response_mm=sum(late_mm) / n,
        jog_mm_s=jog,
        agree=float(np.ptp(found)) <= 2.0 * known.placing.limit + 2.0 * max(p.edge_within for p in passes) * scale_mm,
        each_stop=_each_stop(passes, found, scale_mm),
    )


def _each_stop(passes: Sequence[Pass], found: Array, scale_mm: float) -> tuple[float, float] | None:
    """How the travel changes with the stops on the way, where the passes differ in them."""
    stops = np.array([-1 if each.stops is None else each.stops for each in passes], np.float64)
    if len(passes) < LEAST_SCATTER or (stops < 0.0).any() or not np.ptp(stops) > 0.0:
        return None
    line = fit(np.column_stack([np.ones_like(stops), stops]), found, least_sd=scale_mm / math.sqrt(6.0))
    return line.value([0.0, 1.0]), line.half_width([0.0, 1.0])


def inch_slip(found_mm: float, setting_mm: float) -> bool:
    """Whether the setting and what was found are one distance in mm and in inches."""
    low, high = INCHES
    return setting_mm > 0.0 and (low < found_mm / setting_mm < high or low < setting_mm / found_mm < high)
