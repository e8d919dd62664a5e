"""What the jogged distance says, in plain words. Pure."""

from __future__ import annotations

from controller.commissioning.distance import Distance, inch_slip
from controller.units import Display


def found_texts(found: Distance, display: Display) -> list[str]:
    """The distance with its uncertainty, and what that is made of."""
    n = len(found.passes_mm)
    passes = f"{n} passes" if n > 1 else "1 pass"
    scatter = "" if found.sd_mm is None else f", scatter {display.length(found.sd_mm, 2)}"
    says = [
        f"{display.length(found.mm)} ± {display.length(found.half_width_mm, 2)} (95 %) as long as the scale stays "
        f"as it is, from {passes}{scatter}; as a length ± {display.length(found.length_half_width_mm, 2)}, the "
        "scale's own uncertainty with it"
    ]
    biggest = max(found.parts, key=lambda part: part.u_mm)
    says.append(f"the biggest part of that is {biggest.name} ({display.length(biggest.u_mm, 2)} standard uncertainty)")
    return says


def response_text(found: Distance, response_s: float, display: Display) -> str:
    """What the eye's response does at the speed of the jog."""
    if found.jog_mm_s is None:
        return "the speed of the jog is not known, so the eye's response was not reckoned with; jog slowly"
    at = f"the edge passed the eye at {display.speed(found.jog_mm_s)}"
    a_ms = display.length(found.jog_mm_s * 1e-3, 2)
    if response_s > 0.0:
        was = display.length(found.response_mm, 2)
        return f"{at}: its response of {display.time(response_s)} is {was} there and was added; 1 ms more is {a_ms}"
    return f"{at}: a response of the eye, none being set, would shorten the distance by {a_ms} for each ms"


def verdict_texts(found: Distance, setting_mm: float, placing_mm: float, display: Display) -> list[str]:
    """How the setting stands to it, and what speaks against the passes."""
    away = found.mm - setting_mm
    says = []
    if not found.agree:
        apart = display.length(float(found.passes_mm.max() - found.passes_mm.min()), 3)
        says.append(
            f"the passes lie {apart} apart, more than placing within {display.length(placing_mm)} explains: slip or "
            "play of the wheel, a product that moved on the belt, or another edge at the marker; nothing is proposed"
        )
    if found.each_stop is not None:
        change, half = found.each_stop
        size = f"{display.length(abs(change), 3)} ± {display.length(half, 2)}"
        says.append(
            f"each stop on the way loses {size} of the travel: the wheel SLIPS in stops; press it on, and jog in one "
            "go; nothing is proposed"
            if found.slips
            else f"no travel is lost in stops on the way ({size})"
        )
    if inch_slip(found.mm, setting_mm):
        says.append(
            f"it is set to {display.length(setting_mm)}: was it typed in mm for inches, or the other way round?"
        )
    if not found.agree or found.slips:
        return says
    if abs(away) <= found.half_width_mm:
        says.append(f"the setting of {display.length(setting_mm)} agrees with it ({display.length(away, 3)} away)")
    else:
        way = (
            "later (further towards the trailing edge)" if away < 0.0 else "earlier (further towards the leading edge)"
        )
        says.append(
            f"the setting of {display.length(setting_mm)} is off by {display.length(away, 4)}: a mark is made "
            f"{display.length(abs(away), 4)} {way} than it should"
        )
    return says
