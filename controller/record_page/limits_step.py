"""The step that says how fast the line may run. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from controller.record_page.drawing import draw
from controller.record_page.model import Body, Figure, Picture, Table
from controller.record_page.rounding import plain
from controller.record_page.shown import Shown, number, percent
from controller.units import to_unit

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Sheet


def describe(result: Mapping[str, Any], _raw: Mapping[str, Any], shown: Shown) -> Body:
    """The speed that each thing on the line allows."""
    top, present = result["top_speed_mm_s"], result["present_speed_mm_s"]
    body = Body("nothing that is known limits the line")
    if top is not None:
        body.outcome = f"up to {shown.speed('', top).text}, limited by {result['limited_by']}"
    body.figures += [
        shown.speed("top speed", top),
        Figure("limited by", result["limited_by"] or "nothing that is known"),
        shown.speed("reckoned for", present),
        Figure("link", result["figures"]),
    ]
    limits = result["limits"]
    rows = []
    for name, speed in limits.items():
        share = result["in_hand"][name]
        hand = "no speed would do" if share is None else percent(share, 0) if share >= 0.0 else "TOO FAST"
        rows.append([name.replace("_", " "), shown.speed("", speed).text, hand, result["why"][name]])
    columns = ["what limits", "up to", "in hand", "why"]
    body.tables.append(Table("Limits", columns, rows, words=(0, 3)))
    if result["busy_misses"]:
        busy = [
            [each["station"], number("", 1e3 * each["apart_s"], unit="ms").text,
             number("", 1e3 * each["service_s"], unit="ms").text, percent(each["regular"]),
             percent(each["random"])] for each in result["busy_misses"]
        ]  # fmt: skip
        columns = ["station", "marks apart", "each takes", "busy, if regular", "busy, if at random"]
        body.tables.append(Table("Marks that would find the marker busy", columns, busy, words=(0,)))
    body.notes.append(
        "Limits are reckoned from settings and, where it was measured, the link; they have no uncertainty of their own."
    )
    drawn = {name.replace("_", " "): speed for name, speed in limits.items() if speed is not None}
    if drawn:
        body.pictures.append(_picture(drawn, present, shown))
    return body


def _picture(limits: Mapping[str, float], present_mm_s: float, shown: Shown) -> Picture:
    unit = shown.display.speed_unit
    speeds = [to_unit(speed, unit) for speed in limits.values()]
    present = to_unit(present_mm_s, unit)
    # What is far from limiting anything shall not squeeze what does.
    end = 1.15 * max(present, min(max(speeds), 4.0 * min(speeds)))

    def onto(sheet: Sheet) -> None:
        axes = sheet.subplots()
        for row, speed in enumerate(speeds):
            axes.barh(row, min(speed, end), height=0.6, color="0.8" if speed >= present else "0.45", edgecolor="0.0",
                      hatch=None if speed >= present else "///", linewidth=0.7)  # fmt: skip
            inside = speed > 0.8 * end
            axes.annotate(plain(speed, 4) + (" →" if speed > end else ""), (min(speed, end), row),
                          xytext=(-4 if inside else 4, 0), textcoords="offset points", va="center",
                          ha="right" if inside else "left")  # fmt: skip
        axes.axvline(present, linestyle="--", color="0.0", label=f"reckoned for {present:.4g} {unit}")
        axes.set_yticks(range(len(speeds)), list(limits))
        axes.invert_yaxis()
        axes.set_xlim(0.0, end)
        axes.set_xlabel(f"speed that it allows, {unit}")
        axes.grid(axis="x", alpha=0.3)
        sheet.legend(loc="outside upper right", frameon=False)

    caption = "The speed that each thing on the line allows, the least at the top; hatched: slower than reckoned for."
    return draw(1.2 + 0.27 * len(speeds), caption, onto)
