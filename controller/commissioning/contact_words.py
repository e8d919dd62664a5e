"""What is seen of the wheel's contact, in plain words. Pure."""

from __future__ import annotations

from controller.commissioning.contact import NotTold, Rate, Repeats, Shown, Turn
from controller.units import Display, show


def shown_texts(found: Rate, scale_mm: float, shown: Shown | None, display: Display) -> list[str]:
    """The speed by the count, and against the drive's display."""
    says = [f"{display.speed(found.counts_s * scale_mm)} by the count, over {show(found.seconds, 's', 3)} at one speed"]
    if shown is not None:
        text = f"{100.0 * shown.difference:+.2f} ± {100.0 * shown.half_width:.2g} % against the speed that is shown"
        if shown.differs:
            text += ": slip, a wrong scale, or a display that is off; only a taped distance tells which"
        says.append(text)
    return says


def turn_texts(found: Turn | NotTold, scale_mm: float, display: Display) -> list[str]:
    """Unevenness once a turn."""
    if isinstance(found, NotTold):
        return []
    size = display.length(found.counts * scale_mm, 3)
    if not found.shows:
        return [f"nothing repeats with the wheel over {found.turns} turns (p = {found.p:.2g}; {size} at most likely)"]
    return [
        f"UNEVEN once a turn: the count is up to {size} ahead and behind, {found.share:.1%} faster and slower "
        f"(p = {found.p:.1g}, {found.turns} turns): dirt on the wheel, a flat, out of true, or it lifts; clean it and "
        f"press it on. Marks wander by up to {display.length(2.0 * found.counts * scale_mm, 3)} either way"
    ]


def repeat_texts(found: Repeats | NotTold, scale_mm: float, display: Display) -> list[str]:
    """Counts from product to product."""
    if isinstance(found, NotTold):
        return []
    share = found.sd_counts / found.mean_counts
    apart = display.length(found.mean_counts * scale_mm)
    out = f", {found.left_out} left out" if found.left_out else ""
    says = [f"{found.intervals} products {apart} apart, scatter {share:.2%}{out}"]
    if found.with_speed is not None:
        change, half = found.with_speed
        says.append(
            f"from slow to fast the counts for one distance change by {change:+.2%} ± {half:.2%}: "
            + ("the wheel SLIPS with speed" if change < -half else "no slip with speed shows")
        )
    if found.lost is not None:
        lost, half = found.lost
        text = display.length(abs(lost) * scale_mm, 3)
        says.append(
            f"a stop and a start {'lose' if lost >= 0.0 else 'gain'} {text} ± {display.length(half * scale_mm, 2)} "
            f"({found.stops} stops): "
            + ("the wheel SLIPS there; press it on, or start and stop gently" if lost > half else "no slip shows")
        )
    return says
