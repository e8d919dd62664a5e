"""The edges that the eye told, as arrays, before any filter: what a study of the eye is made from. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from controller.commissioning.series import Series
from controller.detect import edge_of
from controller.link_figures import Array
from controller.registers import Capture, Edge

AROUND_S = 0.1
"""The speed at an edge is that of the belt from so long before to so long after it."""


@dataclass(frozen=True, slots=True)
class EyeEdges:
    """Edges in order, as the belt ran forward: instants in s, which, place in counts of travel, speed in counts/s.

    `broken`: before this edge others were lost, the count jumped, or the belt ran backward; nothing is to be made of
    the stretch that ends with it.
    """

    t_s: Array
    blocked: NDArray[np.bool_]
    travel: Array
    speed_counts_s: Array
    broken: NDArray[np.bool_]
    blocked_at_start: bool = False

    def __len__(self) -> int:
        return len(self.t_s)


def edges_of(new: Sequence[Sequence[Capture]], lost: Sequence[int], series: Series, blocked_at_start: bool) -> EyeEdges:
    """Give the edges that each look brought; `lost`: how many were lost before those of that look."""
    times: list[float] = []
    blocked: list[bool] = []
    places: list[float] = []
    speeds: list[float] = []
    breaks: list[bool] = []
    broken = False
    for n, captures in enumerate(new):
        broken |= lost[n] > 0 or (n > 0 and series.counts[n] < series.counts[n - 1])
        speed = speed_at(series, n)
        for capture, travel in zip(captures, series.captured[n], strict=True):
            seen = edge_of(capture, travel)
            if seen.backward:
                broken = True
                continue
            broken |= bool(places) and seen.place < places[-1]
            since = (series.counts[n] - seen.place) / speed if speed > 0.0 else 0.0
            times.append(float(series.t_s[n]) - max(0.0, since))
            blocked.append(seen.edge is Edge.BLOCKED)
            places.append(seen.place)
            speeds.append(speed)
            breaks.append(broken)
            broken = False
    return EyeEdges(
        np.array(times, np.float64), np.array(blocked, bool), np.array(places, np.float64),
        np.array(speeds, np.float64), np.array(breaks, bool), blocked_at_start,
    )  # fmt: skip


def speed_at(series: Series, n: int) -> float:
    """Give the speed about the look `n`, in counts/s; 0 where too little was seen."""
    t = series.t_s
    first = int(np.searchsorted(t, t[n] - AROUND_S))
    last = int(np.searchsorted(t, t[n] + AROUND_S, side="right")) - 1
    return float((series.counts[last] - series.counts[first]) / (t[last] - t[first])) if last > first else 0.0
