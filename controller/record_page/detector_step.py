"""The step that looks at what the eye tells of the products. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from controller.record_page.drawing import draw
from controller.record_page.model import Body, Figure, Picture, Table
from controller.record_page.rounding import plain
from controller.record_page.shown import NOT_KNOWN, Shown, half_of, number
from controller.units import to_unit

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Sheet

_BOUNCE = {
    "leading": "longest bounce at a leading edge",
    "trailing": "longest bounce at a trailing edge",
    "within_products": "longest break within a product",
    "short_pulses": "longest pulse too short for a product",
}


def describe(result: Mapping[str, Any], _raw: Mapping[str, Any], shown: Shown) -> Body:
    """Polarity, lengths and gaps, bounce, repeatability, and the filters that suit."""
    polarity = {True: "INVERTED", False: "right", None: NOT_KNOWN}[result["inverted"]]
    unfit = [f["name"].replace("_", " ") for f in result["filters"] if not f["suits"]]
    filters = "no filters told yet" if not result["filters"] else "filters suit"
    if unfit:
        done = "changed" if result["applied"] else "do not suit"
        filters = f"{', '.join(unfit)}: {done}"
    body = Body(f"polarity {polarity}; {filters}")
    body.figures += [
        Figure("polarity", polarity),
        Figure("the leading edge is told as the eye", result["leading_edge"] or NOT_KNOWN),
        number("looked for", result["seconds"], None, "s"),
        number("edges seen", result["edges"]),
        number("edges lost", result["edges_lost"]),
        number("whole products seen", result["products"]),
        *(_or_none(name, result["bounce_mm"][key], shown) for key, name in _BOUNCE.items()),
        number("longest bounce at a leading edge, in time", result["bounce_ms"], None, "ms", digits=3),
    ]
    delay, half = half_of(result["response_difference_ms"])
    body.figures.append(number("trailing edge told later than leading edge by", delay, half, "ms"))
    for name, caption in (("lengths_mm", "length"), ("gaps_mm", "gap")):
        found = result[name]
        for which in () if found is None else ("shortest", "median", "longest"):
            body.figures.append(shown.length(f"{which} {caption} of {found['n']}", found[which]))
    body.tables += [_filters(result["filters"], shown), _speeds(result["speeds"], shown)]
    body.tables = [table for table in body.tables if table.rows]
    body.pictures += _pictures(result, shown)
    return body


def _or_none(name: str, mm: float | None, shown: Shown) -> Figure:
    return Figure(name, "none seen") if mm is None else shown.length(name, mm)


def _filters(filters: Sequence[Mapping[str, Any]], shown: Shown) -> Table:
    def text(mm: float | None) -> str:
        return "none" if mm is None else shown.length("", mm).text

    rows = [
        [f["name"].replace("_", " "), text(f["now_mm"]), text(f["low_mm"]), text(f["high_mm"]), text(f["value_mm"]),
         f["why"]] for f in filters
    ]  # fmt: skip
    return Table("Filters", ["filter", "was set", "suits from", "to", "proposed", "why"], rows, words=(0, 5))


def _speeds(speeds: Sequence[Mapping[str, Any]], shown: Shown) -> Table:
    rows = []
    for at in speeds:
        sd, n = at["sd_mm"], at["products"]
        u = None if sd is None else sd / n**0.5
        scatter = "not known from one" if sd is None else shown.length("", sd, sd / (2.0 * (n - 1)) ** 0.5).text
        rows.append(
            [shown.speed("", at["speed_mm_s"]).text, str(n), shown.length("", at["length_mm"], u).text, scatter]
        )
    columns = ["speed", "products", "mean length", "scatter of one (sd)"]
    return Table("Repeatability", columns, rows, "± is one standard uncertainty, of the mean and of the scatter itself")


def _pictures(result: Mapping[str, Any], shown: Shown) -> list[Picture]:
    unit = shown.display.length_unit
    both = (("lengths_mm", "lengths", "least_length"), ("gaps_mm", "gaps", "least_gap"))
    present = [(result[key], title, name) for key, title, name in both if result[key] is not None]
    if not present:
        return []
    filters = {f["name"]: f for f in result["filters"]}

    def onto(sheet: Sheet) -> None:
        for axes, (found, title, name) in zip(
            sheet.subplots(1, len(present), squeeze=False).flat, present, strict=True
        ):
            ends = [to_unit(end, unit) for end in found["ends"]]
            axes.stairs(found["bars"], ends, fill=True, color="0.75", edgecolor="0.0", linewidth=0.8)
            axes.set_title(f"{title} of {found['n']}")
            axes.set_xlabel(f"{title}, {unit}")
            axes.set_ylabel("how many")
            axes.ticklabel_format(axis="x", useOffset=False)
            axes.yaxis.get_major_locator().set_params(integer=True)
            if name in filters:
                _limits(axes, filters[name], name.replace("_", " "), unit)

    caption = "What the eye told, before the line's filters, and the filters that part products from what is none."
    return [draw(2.4, caption, onto)]


def _limits(axes: Any, found: Mapping[str, Any], name: str, unit: str) -> None:
    """Draw a filter where it stands among the products; one far from them is told at the edge it lies beyond."""
    low, high = axes.get_xlim()
    marks = [(f"{name}, as it was set", found["now_mm"], "-")]
    if found["value_mm"] is not None and not found["suits"]:
        marks.append((f"{name}, proposed", found["value_mm"], "--"))
    beyond = []
    for text, mm, style in marks:
        at = to_unit(mm, unit)
        if low - (high - low) <= at <= high + (high - low):
            axes.axvline(at, color="0.0", linestyle=style, label=text)
        else:
            beyond.append(f"{'←' if at < low else '→'} {text}: {plain(at, 4)} {unit}")
    if len(beyond) < len(marks):
        axes.legend(loc="best")
    axes.margins(y=0.25)
    axes.annotate("\n".join(beyond), (0.02, 0.98), xycoords="axes fraction", va="top")
