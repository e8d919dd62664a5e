"""The steps that look at a running belt: sense and contact. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from controller.record_page.drawing import draw
from controller.record_page.model import Body, Figure, Picture
from controller.record_page.shown import STANDARD, Shown, chance, number

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Sheet

    from controller.commissioning.series import Series

RATE_S = 0.1
"""A count rate is drawn over so long."""


def describe_sense(result: Mapping[str, Any], raw: Mapping[str, Any], _shown: Shown) -> Body:
    """Does the count go up as the belt runs forward."""
    right = result["right"]
    outcome = "not known" if right is None else "the sense is right" if right else "the sense is WRONG"
    if result["applied"]:
        outcome += ", and was turned"
    body = Body(outcome)
    body.figures += [
        Figure("looked at through", {"io_side": "the I/O side"}.get(result["source"], f"the {result['source']}")),
        number("looked for", result["seconds"], None, "s"),
        number("looks", result["looks"]),
        Figure("the count moved", str(result["moving"])),
        Figure("counts, forward less backward", str(result["counts"]), "counts", "1", "at most"),
        number("counts against the rest", result["against_counts"], None, "counts"),
        number("jumps that no belt makes", result["jumps"]),
        number("wandering at rest, from lowest to highest", result["rest_noise_counts"], None, "counts"),
        number("at rest for", result["rest_s"], None, "s"),
        Figure("the belt ran forward, as a person saw it", _answer(result["forward"])),
        Figure("channels wired as drawn, as a person saw it", _answer(result["wired"])),
    ]
    return _with_rate(body, raw)


def describe_contact(result: Mapping[str, Any], raw: Mapping[str, Any], shown: Shown) -> Body:
    """Is the wheel turning steadily with the belt."""
    wrong = result["wrong"]
    body = Body(f"found wrong: {', '.join(wrong)}" if wrong else "nothing speaks against the contact of the wheel")
    if result["unknown"] and not wrong:
        body.outcome = "not all could be told: " + ", ".join(u["what"] for u in result["unknown"])
    against, turn, products = result["against_shown"], result["once_a_turn"], result["repeats"]
    body.figures.append(shown.speed("speed by the count", result["speed_mm_s"], result.get("speed_half_width_95_mm_s")))
    if against is not None:
        half = 100.0 * against["half_width"]
        body.figures.append(number("against the drive's display", 100.0 * against["difference"], half, "%"))
    if turn is not None:
        u = turn["mm"] / turn["counts"] * turn["u"] if turn["counts"] else None
        body.figures += [
            number("once a turn, ahead or behind by", turn["counts"], turn["u"], "counts", STANDARD),
            shown.length("the same on the belt", turn["mm"], u, STANDARD),
            number("so much faster or slower at most", 100.0 * turn["share"], None, "%", digits=2),
            chance("chance that this is none, p", turn["p"]),
            number("turns", turn["turns"]),
        ]
    if products is not None:
        n, sd = products["intervals"], products["sd_counts"]
        body.figures += [
            number("from product to product", products["mean_counts"], sd / n**0.5, "counts", STANDARD),
            number("scatter of one interval (sd)", sd, None, "counts", digits=2),
            number("intervals used", n),
            number("intervals left out", products["left_out"]),
            number("stops in between", products["stops"]),
        ]
        for name, pair, factor, unit in (
            ("change from slow to fast", products["with_speed"], 100.0, "%"),
            ("lost in each stop", products["lost"], 1.0, "counts"),
        ):
            value, half = (None, None) if pair is None else (factor * pair[0], factor * pair[1])
            body.figures.append(number(name, value, half, unit))
    return _with_rate(body, raw)


def _answer(value: bool | None) -> str:
    return "not told" if value is None else "yes" if value else "no"


def _with_rate(body: Body, raw: Mapping[str, Any]) -> Body:
    from controller.commissioning.series import Series

    series = Series(np.array(raw["t_s"], np.float64), np.array(raw["counts"], np.float64))
    if len(series) > 2:
        body.pictures.append(_rate_picture(series, np.array(raw["leads"], np.float64)))
    return body


def _rate_picture(series: Series, leads: np.ndarray[Any, Any]) -> Picture:
    from controller.commissioning.series import blocks_of, speeds_of

    blocks = blocks_of(series, RATE_S)
    rates, ends = speeds_of(series, blocks), [series.t_s[end] for _, end in blocks]
    start = float(series.t_s[0])

    def onto(sheet: Sheet) -> None:
        above, below = sheet.subplots(2, 1, sharex=True, height_ratios=[1.0, 1.2])
        travel = series.counts - series.counts[0]
        above.plot(series.t_s - start, travel)
        if len(leads):
            came = np.interp(leads, series.counts, series.t_s) - start
            above.plot(came, np.interp(leads, series.counts, travel), "o", mfc="1.0", markersize=4, label="a product")
        above.set_ylabel("travel,\ncounts")
        below.step(np.array(ends) - start, rates, where="pre", linewidth=0.9)
        below.axhline(float(np.median(rates)), linestyle="--", color="0.45", linewidth=0.9, label="median")
        below.set_ylabel("count rate,\ncounts/s")
        below.set_xlabel("time, s")
        sheet.legend(loc="outside upper right", ncols=2, frameon=False)
        for axes in (above, below):
            axes.grid(alpha=0.3)
            axes.ticklabel_format(useOffset=False)

    caption = (
        f"What the count did while it was looked at: travel, forward positive, and count rate over {RATE_S:g} s each. "
        f"A rate is known to one count in {RATE_S:g} s, that is ± {1.0 / RATE_S:g} counts/s."
    )
    return draw(2.6, caption, onto)
