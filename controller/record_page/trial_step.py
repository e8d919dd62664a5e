"""The step that finds the line's errors from marks made at several speeds. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from controller.plots import draw_trial, errors_shown
from controller.record_page.drawing import draw
from controller.record_page.marks_kept import NOT_DRAWN, alike, by_speed, marks_of, setup_of
from controller.record_page.model import Body, Figure, Picture, Table
from controller.record_page.shown import Shown, chance, half_of, number
from controller.units import to_unit

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Sheet

    from controller.commissioning.trial_data import Marks, Setup, Trial


def describe(result: Mapping[str, Any], raw: Mapping[str, Any], shown: Shown) -> Body:
    """The unknowns with their intervals, the marks by speed, and what the mean mark does before and after."""
    setup, n = raw["setup"], len(raw["marks"]["position_mm"])
    body = Body(f"{n} marks, station {raw['station']}: {_tolerance(result)}")
    scatter = result["scatter_mm"]
    body.figures += [
        Figure("station", raw["station"]),
        number("marks", n),
        shown.length("where the mark should be", setup["offset_mm"]),
        shown.length("distance, as it was set", setup["distance_mm"]),
        number("response, as it was set", 1e3 * setup["response_s"], None, "ms"),
        shown.length("tolerance: ±", setup["tolerance_mm"]),
        shown.length("distance error", *half_of(result["distance_error_mm"])),
        number("delay that is left", *half_of(result["delay_ms"]), "ms"),
        number("scale error", *half_of(result["scale_error_percent"]), "%"),
        shown.spread("scatter of a single mark (sd)", scatter),
        chance("lack of fit, p", result["lack_of_fit_p"]),
        Figure("marks left out, by row", ", ".join(str(row) for row in result["outliers"]) or "none"),
    ]
    length = result["mark_length"]
    if length is not None:
        half = 0.5 * (length["high95"] - length["low95"])
        body.figures += [
            number("marks' length against design", length["error_percent"], half, "%"),
            Figure("whose setting that is", length["owner"]),
        ]
    body.tables += [by_speed(raw, shown), _predicted(result, shown)]
    body.tables = [table for table in body.tables if table.rows]
    again = _again(result, raw)
    if again is None:
        body.notes.append(NOT_DRAWN)
    else:
        body.pictures.append(_picture(*again, shown))
    return body


def _tolerance(result: Mapping[str, Any]) -> str:
    words = {True: "within tolerance", False: "NOT within tolerance", None: "tolerance cannot be told"}
    now, after = (words[result[key]] for key in ("within_tolerance", "within_tolerance_after_changes"))
    if not result["changes"]:
        return now
    return f"{now} as it stood; {after} after the changes{'' if result['applied'] else ', which were not written'}"


def _predicted(result: Mapping[str, Any], shown: Shown) -> Table:
    rows = []
    after = result["predicted_after_changes"]
    for number_, now in enumerate(result["predicted"]):
        value, half = half_of(now | {"value": now["error_mm"]})
        row = [shown.speed("", now["speed_mm_s"]).text, shown.length("", value, half).text]
        if result["changes"]:
            then = after[number_]
            row.append(shown.length("", *half_of(then | {"value": then["error_mm"]})).text)
        row.append(f"± {shown.spread('', now['single_mark_95_mm']).text}")
        rows.append(row)
    columns = ["at", "mean error as it stood", "after the changes", "a single mark, 95 %"]
    if not result["changes"]:
        del columns[2]
    return Table("What the line does at its lowest and highest speed", columns, rows, "± covers 95 %")


def _again(result: Mapping[str, Any], raw: Mapping[str, Any]) -> tuple[Marks, Setup, Trial] | None:
    """Reckon the trial again; None where that gives other figures than those that were kept."""
    from controller.commissioning.trial import analyse

    try:
        marks, setup = marks_of(raw), setup_of(raw)
        trial = analyse(marks, setup)
    except (TypeError, ValueError):
        return None
    kept = [result["scatter_mm"], *(p["high95"] for p in result["predicted"])]
    return (marks, setup, trial) if alike(kept, [trial.scatter_mm, *(p.now.high for p in trial.predicted)]) else None


def _picture(marks: Marks, setup: Setup, trial: Trial, shown: Shown) -> Picture:
    length, speed = shown.display.length_unit, shown.display.speed_unit
    errors = errors_shown(marks, setup, trial)
    left = [
        (to_unit(float(v), speed), to_unit(float(e) - p.now.value, length), n in trial.outliers)
        for n, (v, e) in enumerate(zip(marks.speed_mm_s, errors, strict=True))
        if (p := trial.predict(float(v))) is not None
    ]

    def onto(sheet: Sheet) -> None:
        above, below = sheet.subplots(2, 1, sharex=True, height_ratios=[2.2, 1.0])
        draw_trial(above, marks, setup, trial, shown.display)
        above.set_xlabel("")
        above.set_ylabel(f"error, {length}")
        above.get_legend().remove()
        sheet.legend(*above.get_legend_handles_labels(), loc="outside upper center", ncols=5, frameon=False)
        for out, sign in ((False, "o"), (True, "x")):
            some = [(v, r) for v, r, is_out in left if is_out is out]
            if some:
                below.plot(*zip(*some, strict=True), sign, color="0.0", markersize=3.5, alpha=1.0 if out else 0.6)
        below.axhline(0.0, color="0.3", linewidth=0.8)
        below.set_ylabel(f"residual, {length}")
        below.set_xlabel(f"speed, {speed}")
        below.grid(alpha=0.3)

    caption = (
        "Each mark's error against the speed, the mean mark with the band that covers it with 95 % confidence, and the "
        "tolerance; below, what the fit leaves of each mark. Positive is towards the trailing edge."
    )
    return draw(4.0, caption, onto)
