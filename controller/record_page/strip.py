"""A picture of several ways or passes to one value: how far each is off what all say together. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from controller.record_page.drawing import draw
from controller.record_page.model import Picture

if TYPE_CHECKING:
    from matplotlib.figure import Figure

FAR = 6.0
"""A setting farther off than so many times the spread of the others is told in words, or it would squeeze them."""


def strip(
    rows: Sequence[tuple[str, float, float | None]], band: float, setting: float, unit: str, caption: str
) -> Picture:
    """Draw rows of name, how far off, and standard uncertainty where it has one; all in the unit.

    `band` is the half width of what covers the whole with 95 % confidence, `setting` how far off the setting was.
    """
    widest = max([band, *(abs(off) + 2.0 * (u or 0.0) for _, off, u in rows)]) or 1.0
    near = abs(setting) <= FAR * widest

    def onto(sheet: Figure) -> None:
        axes = sheet.subplots()
        axes.axvspan(-band, band, color="0.85", label="all together, 95 %")
        for row, (_, off, u) in enumerate(rows):
            if u is not None:
                axes.errorbar(off, row, xerr=2.0 * u, fmt="none", ecolor="0.0", elinewidth=0.9, capsize=3.0)
                axes.errorbar(off, row, xerr=u, fmt="none", ecolor="0.0", elinewidth=3.0)
            axes.plot(off, row, "o", color="0.0", markersize=5.0)
        if near:
            axes.axvline(setting, linestyle="--", color="0.0", label="as it was set")
        axes.set_yticks(range(len(rows)), [name for name, _, _ in rows])
        axes.set_ylim(len(rows) - 0.4, -0.6)
        axes.set_xlabel(f"off what all say together, {unit}")
        axes.grid(axis="x", alpha=0.3)
        sheet.legend(loc="outside upper right", ncols=2, frameon=False)

    outside = "" if near else f" The setting lies outside the picture, at {setting:+.3g} {unit}."
    return draw(1.25 + 0.3 * len(rows), caption + outside, onto)
