"""What `beltcue commission detector` found, as rows for people and as plain values for scripts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from controller.commissioning.detector import LEAST_PRODUCTS, SPEEDS_APART

if TYPE_CHECKING:
    from controller.commissioning.detector_study import EyeStudy
    from controller.link_figures import Array
    from controller.units import Display

MOST_BARS = 12


def seen_rows(found: EyeStudy, display: Display) -> list[tuple[str, str]]:
    """Polarity, lengths, gaps, bounce, repeatability."""
    rows = [("polarity", _polarity(found))]
    p, mm = found.products, found.scale_mm
    for name, values in (("lengths", p.lengths), ("gaps", p.gaps)):
        rows.append((name, _spread(mm * values, display)))
    rows += [("bounce", _bounce(found, display))]
    for at in found.speeds:
        scatter = "scatter not known from one" if at.sd_mm is None else f"sd {display.length(at.sd_mm, 3)}"
        rows.append(
            (
                f"at {display.speed(at.speed_mm_s, 3)}",
                f"{_products(at.products)}, length {display.length(at.length_mm, 5)}, {scatter}",
            )
        )
    if any(at.sd_mm is not None for at in found.speeds):
        rows.append(
            ("repeatability", "of one edge: that sd / √2 at most; the products' own differences and counts are in it")
        )
    if found.response is not None:
        r = found.response
        rows.append(
            (
                "response",
                f"the trailing edge is told {r.value_s * 1e3:.3g} ms later than the leading one (95 %: "
                f"{r.low_s * 1e3:.3g} to {r.high_s * 1e3:.3g} ms); each edge's own response shows in the trial",
            )
        )
    return rows


def _products(n: int, kind: str = "") -> str:
    return f"{n} {kind}product{'' if n == 1 else 's'}"


def _polarity(found: EyeStudy) -> str:
    match found.inverted:
        case True:
            return (
                f"INVERTED: the leading edge is told as the eye becoming clear ({found.inverted_why}); turn the eye's "
                "light/dark switch or its input over; what follows is told as it will be then"
            )
        case False:
            return f"right: the leading edge is told as the eye becoming blocked ({found.inverted_why})"
        case _:
            return f"not known ({found.inverted_why}); what follows takes blocked stretches for products"


def _spread(values_mm: Array, display: Display) -> str:
    if not len(values_mm):
        return "none was seen whole"
    low, middle, high = (display.length(float(np.quantile(values_mm, q)), 4) for q in (0.0, 0.5, 1.0))
    return f"{len(values_mm)}: {low} to {high}, half of them below {middle}"


def _bounce(found: EyeStudy, display: Display) -> str:
    p, mm = found.products, found.scale_mm
    parts = []
    for name, values in (("leading", p.lead_bounces), ("trailing", p.trail_bounces)):
        if len(values):
            parts.append(f"at {len(values)} {name} edges, within {display.length(mm * float(values.max()), 3)}")
    if len(p.lead_bounces_s):
        parts.append(f"at leading edges for {float(p.lead_bounces_s.max()) * 1e3:.3g} ms at the longest")
    if len(p.pulses):
        parts.append(f"{len(p.pulses)} pulses too short for a product, to {display.length(mm * p.pulses.max(), 3)}")
    return "; ".join(parts) or "none was seen"


def filter_rows(found: EyeStudy, display: Display) -> list[tuple[str, str]]:
    """Each filter: as it is, what suits, and why."""
    rows = []
    for f in found.filters:
        if f.value_mm is None:
            text = f"{display.length(f.now_mm)} is set; NO value suits: {f.why}; mend the eye or its place first"
        else:
            fits = "suits" if f.suits else f"does not suit, {display.length(f.value_mm)} does"
            text = (
                f"{display.length(f.now_mm)} is set and {fits} (anything from {display.length(f.low_mm, 3)} to "
                f"{display.length(f.high_mm, 3)}): {f.why}"
            )
        rows.append((f.name, text))
    n = len(found.products.gaps)
    if found.filters:
        rows.append(("how sure", f"of {n} gaps the next is smaller than all of them with a chance of 1 in {n + 1}"))
    return rows


def unknowns(found: EyeStudy) -> list[dict[str, str]]:
    """What cannot be said yet, why, and what would tell."""
    missing = []
    if found.inverted is None:
        needs = "the products' length (--product-length), or a person who sees the eye at the start (--clear)"
        missing.append({"what": "polarity", "why": found.inverted_why, "needs": needs})
    n = len(found.products.lengths)
    if not found.filters:
        why = f"{_products(n, 'whole ')} one after another {'was' if n == 1 else 'were'} seen"
        missing.append({"what": "filters", "why": why, "needs": f"{LEAST_PRODUCTS} products or more; better 50"})
    if found.response is None:
        why = (
            "fewer than two products passed evenly at each of two speeds"
            if n >= LEAST_PRODUCTS
            else f"only {_products(n)} passed"
        )
        needs = f"products at a low speed and at one {SPEEDS_APART:g} times as high or more"
        missing.append({"what": "response", "why": why, "needs": needs})
    return missing


def as_json(found: EyeStudy) -> dict[str, Any]:
    """The same for scripts; lengths in mm, response in ms."""
    p, mm, r = found.products, found.scale_mm, found.response
    return {
        "inverted": found.inverted,
        "leading_edge": {True: "became clear", False: "became blocked", None: None}[found.inverted],
        "products": len(p.lengths),
        "lengths_mm": _histogram(mm * p.lengths),
        "gaps_mm": _histogram(mm * p.gaps),
        "bounce_mm": {
            "leading": _longest(mm * p.lead_bounces),
            "trailing": _longest(mm * p.trail_bounces),
            "within_products": _longest(mm * p.breaks),
            "short_pulses": _longest(mm * p.pulses),
        },
        "bounce_ms": _longest(1e3 * p.lead_bounces_s),
        "filters": [
            {"name": f.name, "now_mm": f.now_mm, "low_mm": f.low_mm, "high_mm": f.high_mm, "value_mm": f.value_mm,
             "suits": f.suits, "why": f.why}
            for f in found.filters
        ],
        "speeds": [
            {"products": at.products, "speed_mm_s": at.speed_mm_s, "length_mm": at.length_mm, "sd_mm": at.sd_mm}
            for at in found.speeds
        ],
        "response_difference_ms": None
        if r is None
        else {"value": r.value_s * 1e3, "low95": r.low_s * 1e3, "high95": r.high_s * 1e3},
    }  # fmt: skip


def _longest(values: Array) -> float | None:
    return float(values.max()) if len(values) else None


def _histogram(values: Array) -> dict[str, Any] | None:
    if not len(values):
        return None
    bars, ends = np.histogram(values, bins=min(MOST_BARS, len(values)))
    return {"n": len(values), "shortest": float(values.min()), "median": float(np.median(values)),
            "longest": float(values.max()), "ends": ends.tolist(), "bars": bars.tolist()}  # fmt: skip
