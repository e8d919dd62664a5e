"""The step that checks a marker's signals and measures its times over some test marks. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from controller.commissioning.marker_words import NAMES
from controller.record_page.drawing import draw
from controller.record_page.model import Body, Figure, Picture, Table
from controller.record_page.shown import Shown, number

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Sheet


def describe(result: Mapping[str, Any], _raw: Mapping[str, Any], _shown: Shown) -> Body:
    """Whether the signals come in order, and each time with how well it is known."""
    wrong, times = result["wrong"], result["times"]
    unfit = [_name(name) for name, each in times.items() if each["fits"] not in (None, "fits")]
    state = "all in order" if result["good"] else "see the verdict"
    if unfit:
        state = f"{', '.join(unfit)}: not as set" + (", settings changed" if result["applied"] else "")
    if wrong:
        state = "out of order: " + ", ".join(wrong)
    body = Body(f"station {result['station']}, {result['marks']} test marks: {state}")
    body.figures += [
        Figure("station", result["station"]),
        Figure("test marks made", f"{result['marks']} of {result['marks_asked']}"),
        number("looked at every", result["looks_every_ms"], None, "ms", digits=3),
        Figure("busy comes with, as its papers say", {None: "not told", "mark": "the mark itself"}.get(
            result["busy_tells"], f"the {result['busy_tells']}")),
        *(Figure(f"out of order: {what}", f"in {count} marks") for what, count in wrong.items()),
    ]  # fmt: skip
    if times:
        rows = [_row(name, each) for name, each in times.items()]
        columns = ["time", "marks", "median", "scatter (sd)", "longest", "in every mark", "set", "stands"]
        note = "± is what a time is known to by looking from time to time; “in every mark”: from at least to at most"
        body.tables.append(Table("Times", columns, rows, note, words=(0, 7)))
        body.pictures.append(_picture(times))
    return body


def _name(name: str) -> str:
    return {key.value: text for key, text in NAMES.items()}.get(name, name.replace("_", " "))


def _row(name: str, each: Mapping[str, Any]) -> list[str]:
    def ms(value: float | None, half: float | None = None) -> str:
        return "–" if value is None else number("", value, half, "ms", digits=3).text

    return [
        _name(name),
        str(each["n"]),
        ms(each["median_ms"], each["resolution_ms"]),
        ms(each["sd_ms"]),
        ms(each["worst_ms"], each["resolution_ms"]),
        f"{number('', each['at_least_ms'], digits=3).value} to {ms(each['at_most_ms'])}",
        ms(each["setting_ms"]),
        {None: "nothing is set"}.get(each["fits"], str(each["fits"])),
    ]


def _picture(times: Mapping[str, Mapping[str, Any]]) -> Picture:
    def onto(sheet: Sheet) -> None:
        axes = sheet.subplots()
        for row, each in enumerate(times.values()):
            axes.plot([each["at_least_ms"], each["at_most_ms"]], [row, row], color="0.0", marker="|", markersize=6)
            axes.errorbar(each["median_ms"], row, xerr=each["resolution_ms"], fmt="o", color="0.0", elinewidth=3.0,
                          markersize=4.5, label="median" if row == 0 else None)  # fmt: skip
            if each["setting_ms"] is not None:
                axes.plot(each["setting_ms"], row, "D", mfc="1.0", mec="0.0", markersize=7, label=_once(axes, "set"))
        axes.set_yticks(range(len(times)), [_name(name) for name in times])
        axes.set_ylim(len(times) - 0.4, -0.6)
        axes.set_xlim(left=0.0)
        axes.set_xlabel("time, ms")
        axes.grid(axis="x", alpha=0.3)
        sheet.legend(loc="outside upper right", ncols=2, frameon=False)

    caption = "The marker's times: from the least to the most that they can have been in any mark, and what is set."
    return draw(1.25 + 0.3 * len(times), caption, onto)


def _once(axes: Any, label: str) -> str | None:
    """The label, unless it is there already."""
    return None if label in axes.get_legend_handles_labels()[1] else label
