"""What measured scales say, in plain words. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from controller.commissioning.scale import Estimate
from controller.commissioning.scale_combine import Combined, SlipKind, Verdict, shift_mm
from controller.units import Display

_EXPLAINED = {
    SlipKind.DIAMETER_FOR_CIRCUMFERENCE: "the wheel's diameter was taken for its circumference (ratio π)",
    SlipKind.CIRCUMFERENCE_FOR_DIAMETER: "the wheel's circumference was taken for its diameter (ratio π)",
    SlipKind.DECODE: "the counter counts other edges than the decode factor says (×1, ×2, ×4), or there is a gearing "
    "of that ratio",
    SlipKind.GEARING_NOT_THERE: "the encoder turns as often as the wheel, without the gearing that is set",
    SlipKind.GEARING_UPSIDE_DOWN: "the gearing is set upside down",
    SlipKind.INCHES: "inches and millimetres were mixed up",
}


def estimate_text(estimate: Estimate, display: Display) -> str:
    """One estimate with its uncertainty."""
    share = 100.0 * estimate.u / estimate.mm_per_count
    n = f", {estimate.n} values" if estimate.n > 1 else ""
    out = f", {estimate.left_out} left out as other products" if estimate.left_out else ""
    return f"{display.length(estimate.mm_per_count)} a count, standard uncertainty {share:.2g} %{n}{out}"


def combined_text(found: Combined, display: Display) -> str:
    """All together."""
    share = 100.0 * found.half_width / found.mm_per_count
    p = "" if found.p is None else f"; consistency of them p = {found.p:.2g}"
    return f"{display.length(found.mm_per_count)} a count ± {share:.2g} % (95 %), from {len(found.used)}{p}"


def verdict_texts(estimates: Sequence[Estimate], found: Combined, verdict: Verdict) -> list[str]:
    """What is right, what is wrong, and why."""
    says = []
    if not found.agree:
        says.append(
            "the measurements DISAGREE by more than chance, and none stands apart: nothing is to be corrected yet"
        )
    if found.apart is not None:
        odd = estimates[found.apart]
        away = odd.mm_per_count / found.mm_per_count - 1.0
        why = f": {_EXPLAINED[found.slip.kind]}" if found.slip else "; it was left out, measure it again"
        says.append(f"{odd.kind.value} stands apart from the others by {away:+.2%}{why}")
    error = f"{100.0 * verdict.error:+.2f} ± {100.0 * verdict.half_width:.2g} %"
    if not verdict.wrong:
        says.append(f"the scale that is set fits what was measured (error {error})")
    else:
        says.append(f"the scale that is set is WRONG by {error}")
    if verdict.slip is not None:
        says.append(f"that is a classic slip: {_EXPLAINED[verdict.slip.kind]}")
    elif verdict.wrong and not verdict.believed and found.agree:
        says.append("no wheel is so far off by itself, and one measurement alone told it: find out why first")
    return says


def product_texts(verdict: Verdict, distance_mm: float, display: Display) -> list[str]:
    """Which way a wrong scale shows on the product."""
    if not verdict.wrong:
        return []
    shift = shift_mm(verdict.error, distance_mm)
    towards, long = ("trailing", "long") if shift > 0.0 else ("leading", "short")
    return [
        f"marks lie {display.length(abs(shift), 3)} too near the {towards} edge after "
        f"{display.length(distance_mm)} of belt, at every speed; pitches, and marks that are paced by the same count, "
        f"come out {abs(shift / distance_mm) if distance_mm else 0.0:.2%} too {long}"
    ]


def needs_text(found: Combined, verdict: Verdict) -> str:
    """What would settle it; empty: nothing is open."""
    if not found.agree and len(found.used) == 2:
        return "a third way of measuring, which tells the wrong one of the two"
    if not found.agree:
        return "each of them measured again with care"
    if verdict.wrong and not verdict.believed:
        return "a second way of measuring, e.g. a taped distance and the length of the products"
    return ""
