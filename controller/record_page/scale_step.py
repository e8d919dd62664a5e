"""The step that finds how much belt one count is. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from controller.record_page.drawing import draw
from controller.record_page.model import Body, Picture, Table
from controller.record_page.shown import STANDARD, Shown, chance, half_of, number

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Sheet

FAR = 6.0
"""A setting farther off than so many times the spread of the sources is told in words, or it would squeeze them."""


def describe(result: Mapping[str, Any], _raw: Mapping[str, Any], shown: Shown) -> Body:
    """Every source with its uncertainty, all together, and the setting against them."""
    setting, together, half = result["setting_mm_per_count"], result["mm_per_count"], result["half_width_95"]
    error, error_half = half_of(result["scale_error_percent"])
    off = bool(result["changes"]) or error is None or abs(error) > (error_half or 0.0)
    outcome = "the setting is off" if off else "the setting fits"
    if result["applied"]:
        outcome = "the setting was off, and was corrected"
    if not result["agree"]:
        outcome = "the measurements DISAGREE"
    error_figure = number("error of the setting", error, error_half, "%")
    body = Body(f"{outcome}: error of the setting {error_figure.text}")
    body.figures += [
        shown.scale("as it was set", setting),
        shown.scale("measured, all sources together", together, half),
        error_figure,
        chance("consistency of the sources, p", result["p"]),
    ]
    sources = result["estimates"]
    rows = [
        [
            each["kind"],
            str(each["values"]),
            shown.scale("", each["mm_per_count"], each["u"], STANDARD).text,
            number("", 100.0 * each["u"] / each["mm_per_count"], unit="%", digits=2).text,
            number("", 100.0 * (each["mm_per_count"] / together - 1.0), 100.0 * each["u"] / together, "%").text,
        ]
        for each in sources
    ]
    columns = ["source", "values", "belt for one count", "relative", "off all together"]
    note = "± is one standard uncertainty" + (f"; {result['apart']} stands apart" if result["apart"] else "")
    body.tables.append(Table("Sources of the scale", columns, rows, note, words=(0,)))
    body.pictures.append(_picture(sources, setting, together, half))
    return body


def _picture(sources: Sequence[Mapping[str, Any]], setting: float, together: float, half: float | None) -> Picture:
    def off(mm: float) -> float:
        return 100.0 * (mm / together - 1.0)

    band = 100.0 * (half or 0.0) / together
    widest = max([band, *(abs(off(s["mm_per_count"])) + 200.0 * s["u"] / together for s in sources)]) or 1.0
    near = abs(off(setting)) <= FAR * widest

    def onto(sheet: Sheet) -> None:
        axes = sheet.subplots()
        axes.axvspan(-band, band, color="0.85", label="all together, 95 %")
        for row, each in enumerate(sources):
            u = 100.0 * each["u"] / together
            at = off(each["mm_per_count"])
            axes.errorbar(at, row, xerr=2.0 * u, fmt="none", ecolor="0.0", elinewidth=0.9, capsize=3.0)
            axes.errorbar(at, row, xerr=u, fmt="o", color="0.0", elinewidth=3.0, markersize=5.0)
        if near:
            axes.axvline(off(setting), linestyle="--", color="0.0", label="as it was set")
        axes.set_yticks(range(len(sources)), [s["kind"] for s in sources])
        axes.set_ylim(len(sources) - 0.4, -0.6)
        axes.set_xlabel("off what all say together, %")
        axes.grid(axis="x", alpha=0.3)
        sheet.legend(loc="outside upper right", ncols=2, frameon=False)

    caption = "Sources of the scale: thick bars are one standard uncertainty, thin ones two."
    if not near:
        caption += f" The setting lies outside the picture, at {off(setting):+.3g} %."
    return draw(1.25 + 0.34 * len(sources), caption, onto)
