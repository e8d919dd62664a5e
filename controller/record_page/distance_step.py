"""The step that measures from the eye to the marker by jogging one product there. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from controller.record_page.model import Body, Figure, Table
from controller.record_page.shown import Shown, half_of, number
from controller.record_page.strip import strip
from controller.units import to_unit


def describe(result: Mapping[str, Any], _raw: Mapping[str, Any], shown: Shown) -> Body:
    """The distance with its uncertainty, the passes, and what the uncertainty is made of."""
    found, half = half_of(result["distance_mm"])
    off, off_half = half_of(result["off_mm"])
    setting, unit = result["setting_mm"], shown.display.length_unit
    fits = off is not None and abs(off) <= (off_half or 0.0)
    state = "the setting fits" if fits else "the setting is off"
    if result["applied"]:
        state = "the setting was off, and was corrected"
    if not result["agree"]:
        state = "the passes DISAGREE"
    measured = shown.length("eye to print point", found, half)
    body = Body(f"station {result['station']}: {measured.text}; {state}")
    slip = result["slip_each_stop_mm"]
    body.figures += [
        Figure("station", result["station"]),
        Figure("passes", f"{len(result['passes'])}, {_source(result['source'])}"),
        measured,
        shown.length("as it was set", setting),
        shown.length("the setting is off by, measured less set", off, off_half),
        shown.spread("the part of ± that is not the scale's: ±", result["length_half_width_95_mm"]),
        shown.spread("scatter of a pass (sd)", result["sd_mm"]),
        shown.length("placing under the print point, within ±", result["placing_within_mm"]),
        shown.speed("jogged at", result["jog_mm_s"]),
        shown.length("eye's response at that speed, made up for", result["response_mm"]),
    ]
    if slip is not None:
        body.figures.append(shown.length("slip in each stop", slip["value"], slip["half_width_95"]))
    rows = [
        [str(n), number("", each["counts"]).text, shown.length("", each["mm"], digits=6).text,
         number("", each["edge_within_counts"], digits=2).text, "–" if each["stops"] is None else str(each["stops"])]
        for n, each in enumerate(result["passes"], start=1)
    ]  # fmt: skip
    columns = ["pass", "counts", "distance", "edge known to ± counts", "stops"]
    body.tables.append(Table("Passes", columns, rows))
    parts = [[part["name"], shown.spread("", part["u_mm"]).text] for part in result["parts"]]
    body.tables.append(Table("Parts of the uncertainty", ["part", "one standard uncertainty"], parts, words=(0,)))
    if found is not None:
        names = [(f"pass {n}", to_unit(each["mm"] - found, unit), None) for n, each in enumerate(result["passes"], 1)]
        caption = "Each pass, the band that covers the distance with 95 % confidence, and the setting."
        body.pictures.append(strip(names, to_unit(half or 0.0, unit), to_unit(setting - found, unit), unit, caption))
    return body


def _source(name: str) -> str:
    return {"typed": "typed in", "io_side": "jogged, looked at through the I/O side"}.get(
        name, f"jogged, looked at through the {name}"
    )
