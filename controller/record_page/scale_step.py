"""The step that finds how much belt one count is. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from controller.record_page.model import Body, Table
from controller.record_page.shown import STANDARD, Shown, chance, half_of, number
from controller.record_page.strip import strip


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

    def percent_off(mm: float) -> float:
        return 100.0 * (mm / float(together) - 1.0)

    ways = [(each["kind"], percent_off(each["mm_per_count"]), 100.0 * each["u"] / together) for each in sources]
    caption = "Sources of the scale: thick bars are one standard uncertainty, thin ones two."
    body.pictures.append(strip(ways, 100.0 * (half or 0.0) / together, percent_off(setting), "%", caption))
    return body
