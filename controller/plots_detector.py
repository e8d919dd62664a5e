"""The picture of what an eye told of the products, as PNG; the library is loaded when one is drawn."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from controller.plots import figure_of
from controller.units import to_unit

if TYPE_CHECKING:
    from controller.commissioning.detector_study import EyeStudy
    from controller.link_figures import Array
    from controller.units import Display


def plot_detector(path: Path, title: str, found: EyeStudy, display: Display) -> None:
    """Draw the histograms of lengths and gaps, and length over speed.

    Raises OSError, or ValueError for a kind of file that is none.
    """
    figure = figure_of(11.0, 4.2)
    figure.suptitle(title)
    p, mm, unit = found.products, found.scale_mm, display.length_unit

    def length(counts: Array) -> Array:
        return counts * to_unit(mm, unit)

    left, middle, right = figure.subplots(1, 3)
    marked = {"lengths": ("least_length",), "gaps": ("least_gap",)}
    for axes, name, values in ((left, "lengths", p.lengths), (middle, "gaps", p.gaps)):
        axes.set_title(f"{name} of {len(values)}", fontsize=10)
        axes.set_xlabel(unit)
        axes.set_ylabel("how many")
        if len(values):
            # From nothing on, so that the filter is seen beside them and equal lengths stand in one bar.
            axes.hist(length(values), bins=np.linspace(0.0, 1.1 * float(length(values).max()), 40).tolist(), color="C0")
        for f in found.filters:
            if f.name in marked[name]:
                axes.axvline(to_unit(f.now_mm, unit), color="C1", label=f"{f.name.replace('_', ' ')} now")
                if f.value_mm is not None and not f.suits:
                    axes.axvline(to_unit(f.value_mm, unit), color="C2", linestyle="--", label="proposed")
                axes.legend(fontsize=8)
    speeds = 0.5 * (p.lead_speeds + p.trail_speeds) * mm
    right.plot([to_unit(float(v), display.speed_unit) for v in speeds], length(p.lengths), "o", markersize=3)
    right.set_title("length over speed", fontsize=10)
    right.set_xlabel(display.speed_unit)
    right.set_ylabel(unit)
    if len(p.lengths):
        # Never so narrow that the counts' own steps look like a finding.
        centre, half = float(np.median(length(p.lengths))), 5.0 * to_unit(mm, unit)
        low, high = float(length(p.lengths).min()), float(length(p.lengths).max())
        right.set_ylim(min(low, centre - half) - 0.2 * half, max(high, centre + half) + 0.2 * half)
    right.grid(alpha=0.3)
    right.ticklabel_format(useOffset=False)
    figure.savefig(path)
