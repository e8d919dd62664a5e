"""The step that says what a mark's error is made of. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from controller.plots import Bar, draw_budget
from controller.record_page.drawing import draw
from controller.record_page.model import Body, Figure, Picture, Table
from controller.record_page.shown import STANDARD, Shown, number, percent


def describe(result: Mapping[str, Any], _raw: Mapping[str, Any], shown: Shown) -> Body:
    """The terms, all together, and the tolerance."""
    expanded, tolerance = result["expanded_95_mm"], result["tolerance_mm"]
    half = shown.spread("", expanded)
    kept = "kept" if result["within_tolerance"] else "NOT KEPT"
    at = shown.speed("", result["speed_mm_s"]).text
    body = Body(f"± {half.text} (95 %) at {at}; tolerance ± {shown.length('', tolerance).text} {kept}")
    dof = "unlimited" if result["dof"] is None else number("", result["dof"], digits=3).value
    drawn_u = result["monte_carlo_u_error_mm"]
    body.figures += [
        shown.speed("at", result["speed_mm_s"]),
        Figure("station", result["station"]),
        Figure("path", result["path"]),
        Figure("link", result["figures"]),
        shown.spread("combined standard uncertainty", result["combined_mm"]),
        Figure("degrees of freedom", dof),
        number("coverage factor", result["coverage_factor"], digits=4),
        shown.spread("expanded, 95 %: ±", expanded),
        shown.spread("worst case, all at its worst at once: ±", result["worst_mm"]),
        shown.spread("95 % by drawing: ±", result["monte_carlo_95_mm"]),
        shown.length("standard deviation by drawing", result["monte_carlo_u_mm"], drawn_u, STANDARD),
        number("draws", result["draws"]),
        shown.length("mean by path and rounding, late positive", result["bias_mm"]),
        number("outside the permitted window, and not made", 100.0 * result["missed_share"], None, "%"),
        shown.length("tolerance: ±", tolerance),
        Figure("tolerance at 95 %", kept),
        Figure("biggest term", f"{result['biggest']['name']}; to shrink it: {result['biggest']['shrink']}"),
    ]
    body.tables.append(_terms(result, shown))
    body.pictures.append(_picture(result, shown))
    if result["correlated"]:
        body.notes.append("Terms of the path hang on one another; the combined figure allows for it.")
    return body


def _terms(result: Mapping[str, Any], shown: Shown) -> Table:
    rows = []
    for term in result["terms"]:
        unit, u = term["input_unit"], term["input_u"]
        own = {"s": number("", 1e3 * u, unit="ms", digits=2), "mm/mm": number("", 100.0 * u, unit="%", digits=2)}
        rows.append(
            [
                term["name"],
                own.get(unit, shown.spread("", u)).text,
                f"{number('', term['sensitivity'], digits=3).value} {_slope(unit)}".rstrip(),
                shown.spread("", term["u_mm"]).text,
                "unlimited" if term["dof"] is None else number("", term["dof"], digits=3).value,
                percent(term["share"]),
                term["says"],
            ]
        )
    columns = ["term", "its u", "sensitivity", "contributes u", "dof", "share", "known from"]
    note = "u is one standard uncertainty; share: of the variance; dof: degrees of freedom"
    return Table("Terms of the budget", columns, rows, note, words=(0, 6))


def _slope(unit: str) -> str:
    return {"s": "mm/s", "mm/mm": "mm"}.get(unit, "")


def _picture(result: Mapping[str, Any], shown: Shown) -> Picture:
    bars = [Bar(t["name"], t["u_mm"], t["share"], t["assumed"]) for t in result["terms"] if t["u_mm"] > 0.0]
    whole = {"combined": result["combined_mm"], "95 %, by formula": result["expanded_95_mm"],
             "95 %, drawn": result["monte_carlo_95_mm"], "worst case": result["worst_mm"]}  # fmt: skip
    caption = "What a mark's error is made of, the biggest at the top; hatched terms are assumed, not measured."
    return draw(2.3 + 0.24 * len(bars), caption, lambda sheet: draw_budget(sheet, bars, whole, shown.display))
