"""The marks of a trial as they were kept: back as they were judged, and by speed. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from controller.record_page.model import Table
from controller.record_page.shown import STANDARD, Shown

NOT_DRAWN = "Not drawn: this version of the program reckons these marks otherwise than the one that kept the figures."
SAME = 1e-6
"""Marks reckoned again give the figures that were kept, within this part of them; else they are not drawn."""

if TYPE_CHECKING:
    from controller.commissioning.trial_data import Marks, Setup
    from controller.commissioning.uncertainty import Array


def marks_of(raw: Mapping[str, Any]) -> Marks:
    """The marks as they were kept."""
    from controller.commissioning.trial_data import Marks

    def array(values: list[float | None]) -> Array:
        return np.array([math.nan if v is None else v for v in values], np.float64)

    kept: dict[str, Any] = {name: array(v) if isinstance(v, list) else v for name, v in raw["marks"].items()}
    return Marks(**kept)


def setup_of(raw: Mapping[str, Any]) -> Setup:
    """The line as it stood, as it was kept."""
    from controller.commissioning.trial_data import Setup
    from controller.spec import Pacing

    kept = raw["setup"]
    return Setup(**kept | {"pacing": None if kept["pacing"] is None else Pacing(kept["pacing"])})


def alike(kept: Sequence[float], now: Sequence[float]) -> bool:
    """Whether marks reckoned again gave the figures that were kept."""
    pairs = zip(kept, now, strict=False)
    return len(kept) == len(now) and all(math.isclose(a, b, rel_tol=SAME, abs_tol=SAME) for a, b in pairs)


def by_speed(raw: Mapping[str, Any], shown: Shown) -> Table:
    """The marks of each speed: how many, their mean error, and their scatter."""
    from controller.commissioning.fit_checks import groups_of

    speeds = np.array(raw["marks"]["speed_mm_s"], np.float64)
    errors = np.array(raw["marks"]["position_mm"], np.float64) - raw["setup"]["offset_mm"]
    groups, rows = groups_of(speeds), []
    for group in np.unique(groups):
        here = errors[groups == group]
        sd = float(np.std(here, ddof=1)) if len(here) > 1 else None
        u = None if sd is None else sd / len(here) ** 0.5
        scatter = "not known from one" if sd is None else shown.spread("", sd).text
        speed = shown.speed("", float(speeds[groups == group].mean())).text
        rows.append([speed, str(len(here)), shown.length("", float(here.mean()), u, STANDARD).text, scatter])
    note = "all marks as they were measured, at whatever distance; ± is one standard uncertainty of the mean"
    return Table("Marks by speed", ["speed", "marks", "mean error", "scatter (sd)"], rows, note)
