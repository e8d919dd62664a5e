"""The step that says whether the marks are within tolerance at all the line's speeds. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from controller.record_page.drawing import draw
from controller.record_page.marks_kept import NOT_DRAWN, alike, by_speed, marks_of, setup_of
from controller.record_page.model import HELD, Body, Figure, Picture, Table
from controller.record_page.shown import Shown, chance, half_of, number
from controller.units import to_unit

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Sheet

    from controller.commissioning.accept import Acceptance
    from controller.commissioning.trial_data import Marks, Setup


def describe(result: Mapping[str, Any], raw: Mapping[str, Any], shown: Shown) -> Body:
    """The verdict, what single marks do at both ends of the speeds, and the marks."""
    tolerance, station = result["tolerance_mm"], raw["station"]
    limit = shown.length("", tolerance).text
    body = Body(f"{result['verdict'].upper()}: station {station}, {result['marks']} marks against ± {limit}")
    cut = result["cut_from_mm_s"]
    body.figures += [
        Figure("verdict", result["verdict"].upper()),
        Figure("station", station),
        number("marks", result["marks"]),
        shown.length("tolerance: ±", tolerance),
        number("share that must be within it", result["share_percent"], None, "%"),
        shown.speed("line's lowest speed", result["lowest_mm_s"]),
        shown.speed("line's highest speed", result["highest_mm_s"]),
        shown.spread("scatter of a single mark (sd)", result["scatter_mm"]),
        chance("lack of fit, p", result["lack_of_fit_p"]),
        Figure("mean within tolerance at all speeds", {None: "not told", True: "yes", False: "NO"}[
            result["mean_within_tolerance"]]),
        Figure("marks measured outside, by row", _rows(result["outside"])),
        Figure("marks that do not belong, by row", _rows(result["outliers"])),
    ]  # fmt: skip
    if cut is not None:
        body.figures.append(shown.speed("marks are cut off from", cut))
    if result["needs"]:
        body.figures.append(Figure("what would settle it", result["needs"]))
    ends = [
        [shown.speed("", end["speed_mm_s"]).text, shown.length("", *half_of(end["mean_mm"])).text,
         _from_to(end["single_marks_mm"], shown), _share(end["outside_percent_expected"]),
         _share(end["outside_percent_at_most"])]
        for end in result["at_speeds"]
    ]  # fmt: skip
    columns = ["at", "mean error", "single marks", "outside, as found", "outside, at most"]
    note = "all with 95 % confidence: what holds at both ends of the speeds holds between them"
    body.tables += [Table("At the ends of the line's speeds", columns, ends, note), by_speed(raw, shown)]
    body.tables = [table for table in body.tables if table.rows]
    again = _again(result, raw)
    if again is None:
        body.notes.append(NOT_DRAWN)
    else:
        body.pictures.append(_picture(*again, shown))
    return body


def _rows(numbers: list[int]) -> str:
    return ", ".join(map(str, numbers)) or "none"


def _share(percent: float) -> str:
    return f"less than 0.01{HELD}%" if percent < 0.01 else number("", percent, unit="%", digits=2).text


def _from_to(ends: Mapping[str, float], shown: Shown) -> str:
    low, high = ends["low95"], ends["high95"]
    middle, half = 0.5 * (low + high), 0.5 * (high - low)
    return shown.length("", middle, half).text


def _again(result: Mapping[str, Any], raw: Mapping[str, Any]) -> tuple[Marks, Setup, Acceptance] | None:
    """Judge the marks again; None where that gives other figures than those that were kept."""
    from controller.commissioning.accept import judge

    try:
        marks, setup = marks_of(raw), setup_of(raw)
        found = judge(marks, setup, result["share_percent"] / 100.0)
    except (TypeError, ValueError):
        return None
    kept = [x for end in result["at_speeds"] for x in end["single_marks_mm"].values()]
    now = [x for end in found.ends for x in (end.marks.low, end.marks.high)]
    return (marks, setup, found) if found.verdict.value == result["verdict"] and alike(kept, now) else None


def _picture(marks: Marks, setup: Setup, found: Acceptance, shown: Shown) -> Picture:
    length, speed = shown.display.length_unit, shown.display.speed_unit
    speeds = np.linspace(setup.lowest_mm_s, setup.highest_mm_s, 40)
    means = [mean.interval() for v in speeds if (mean := found.trial.mean(float(v))) is not None]
    outside = np.isin(np.arange(len(marks.position_mm)), found.outside)
    errors = marks.position_mm - setup.offset_mm

    def onto(sheet: Sheet) -> None:
        axes = sheet.subplots()
        limit = to_unit(setup.tolerance_mm, length)
        for end in (-limit, limit):
            axes.axhline(end, color="0.0", linestyle="--", label="tolerance" if end > 0.0 else None)
        at = [to_unit(float(v), speed) for v in speeds]
        if len(means) == len(at):
            low, high = ([to_unit(getattr(m, end), length) for m in means] for end in ("low", "high"))
            axes.fill_between(at, low, high, color="0.75", label="mean, 95 %")
            axes.plot(at, [to_unit(m.value, length) for m in means], color="0.0")
        for name in ("low", "high"):
            if found.ends:
                axes.plot(
                    [to_unit(e.speed_mm_s, speed) for e in found.ends],
                    [to_unit(getattr(e.marks, name), length) for e in found.ends],
                    color="0.35", linestyle=":", linewidth=1.6,
                    label=f"{100.0 * found.share:.4g} % of single marks" if name == "low" else None,
                )  # fmt: skip
        for is_out, sign, label in ((False, "o", "marks"), (True, "x", "marks outside")):
            some = outside == is_out
            if some.any():
                axes.plot([to_unit(float(v), speed) for v in marks.speed_mm_s[some]],
                          [to_unit(float(e), length) for e in errors[some]], sign, color="0.0", markersize=3.5,
                          alpha=1.0 if is_out else 0.6, label=label)  # fmt: skip
        axes.set_xlabel(f"speed, {speed}")
        axes.set_ylabel(f"error, {length}")
        axes.grid(alpha=0.3)
        sheet.legend(loc="outside upper center", ncols=5, frameon=False)

    caption = (
        "Each mark's error against the speed, the mean's band, and within what single marks lie, both with 95 % "
        "confidence, against the tolerance. Positive is towards the trailing edge."
    )
    return draw(3.2, caption, onto)
