"""An acceptance in plain words, all figures in the line's own units. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from controller.commissioning.accept import REACHED, Acceptance, AtEnd, More, Reason, Verdict
from controller.commissioning.trial_data import Setup
from controller.units import Display


def verdict_texts(found: Acceptance, setup: Setup, display: Display) -> list[str]:
    """The verdict first, then why, one sentence each."""
    limit = f"± {display.length(setup.tolerance_mm, 3)}"
    lowest, highest = display.speed(setup.lowest_mm_s), display.speed(setup.highest_mm_s)
    rest = f"{(1.0 - found.share) * 100.0:.3g} %"
    wanted = f"{found.share * 100.0:.4g} % of the marks within {limit} at every speed from {lowest} to {highest}"
    match found.verdict:
        case Verdict.PASS:
            first = f"PASS: with 95 % confidence at least {wanted}"
        case Verdict.FAIL:
            first = f"FAIL: not {wanted}"
        case Verdict.NOT_PROVEN:
            first = f"NOT PROVEN yet, neither way: {wanted}"
    return [first, *_reasons(found, setup, display, limit, rest), *_beside(found, setup, display)]


def _reasons(found: Acceptance, setup: Setup, display: Display, limit: str, rest: str) -> Iterator[str]:
    speeds = [s.speed_mm_s for s in found.trial.by_speed]
    for reason in found.reasons:
        match reason:
            case Reason.OUTSIDE:
                yield (
                    f"with 95 % confidence more than {rest} of the marks lie outside {limit}"
                    + (f"; measured outside: marks {_numbers(found.outside)}" if found.outside else "")
                )
            case Reason.CUT_OFF:
                at = None if found.length is None else found.length.cut_from_mm_s
                yield f"marks are cut off from {display.speed(at or 0.0)} on: the marker is too slow for its window"
            case Reason.ONE_SPEED:
                yield "all marks were made at one speed, which says nothing of the others"
            case Reason.NOT_COVERED:
                yield (
                    f"the marks were made from {display.speed(min(speeds))} to {display.speed(max(speeds))}, which "
                    f"does not cover the line's speeds up to {display.speed(setup.highest_mm_s)}"
                )
            case Reason.OUTLIERS:
                yield (
                    f"{_marks(tuple(found.trial.outliers))} not belong to the others: a line is not "
                    "accepted on the marks that suit; find out what happened there, and make the trial anew"
                )
            case Reason.NOT_STRAIGHT:
                yield (
                    f"the error does not go straight with the speed (lack of fit, p = {found.trial.lack_of_fit_p:.2g}),"
                    " so nothing is proven of the speeds between and beyond the marks; look for slip at some speed, or "
                    "a speed typed wrong"
                )
            case Reason.TOO_FEW:
                most = max((e.outside_most for e in found.ends), default=1.0)
                yield (
                    f"as far as these marks tell, up to {most * 100.0:.2g} % may lie outside {limit}: they are too "
                    "few for their scatter, or too near to the limit"
                )


def _beside(found: Acceptance, setup: Setup, display: Display) -> Iterator[str]:
    """What the mean and the scatter say of it, and what rests on no measurement."""
    if found.verdict is not Verdict.PASS and found.ends and Reason.CUT_OFF not in found.reasons:
        worst = max(found.ends, key=lambda e: abs(e.mean.value))
        if 2.0 * abs(worst.mean.value) > setup.tolerance_mm:
            yield (
                f"the mean mark is {display.length(abs(worst.mean.value), 2)} off at {display.speed(worst.speed_mm_s)}:"
                " settings mend that; find them with beltcue commission trial"
            )
        elif 4.0 * found.trial.scatter_mm > setup.tolerance_mm:
            yield (
                f"it is the scatter, {display.length(found.trial.scatter_mm, 2)} (one sigma), rather than the mean: "
                "no setting mends that"
            )
    if found.verdict is Verdict.PASS and found.trial.lack_of_fit_p is None:
        yield (
            "that the error goes straight between the speeds of the trial is taken from how distance and delay act; "
            "repeats at a third speed would show it"
        )
    length = found.length
    if length is not None and length.wrong and length.cut_from_mm_s is None:
        yield f"the marks come out {length.error * 100.0:+.2g} % long; acceptance is of their place, not their length"


def end_text(end: AtEnd, setup: Setup, display: Display) -> str:
    """What the marks do at one end of the line's speeds."""

    def signed(mm: float) -> str:
        return f"{'+' if mm > 0 else '−' if mm < 0 else ''}{display.length(abs(mm), 3)}"

    return (
        f"at {display.speed(end.speed_mm_s)}: mean {signed(end.mean.value)} ± "
        f"{display.length(end.mean.half_width, 2)}, scatter {display.length(end.scatter_mm, 2)}, single marks "
        f"{signed(end.marks.low)} to "
        f"{signed(end.marks.high)}; outside ± {display.length(setup.tolerance_mm, 3)}: "
        f"{_percent(end.outside)} as found, {_percent(end.outside_most)} at most"
    )


def needs_text(found: Acceptance, setup: Setup, display: Display) -> str:
    """What would settle what is not proven; empty where the verdict stands."""
    if found.verdict is not Verdict.NOT_PROVEN:
        return ""
    if {Reason.OUTLIERS, Reason.NOT_STRAIGHT} & set(found.reasons):
        return "the cause found, and a trial made anew"
    if found.more is None:
        return (
            "the mean brought nearer to its place by beltcue commission trial, or less scatter: no number of marks up "
            "to 100 at each speed would be expected to settle it as it is"
        )
    more = found.more
    fast = display.speed(REACHED * setup.highest_mm_s)
    text = f"about {more_text(more, display)}, added to these, if nothing was changed in between"
    if Reason.NOT_COVERED in found.reasons:
        text += f"; the fastest at {fast} or more"
    if more.towards is Verdict.FAIL:
        text += "; as it looks they would prove that it fails: find out first, with beltcue commission trial"
    return text


def more_text(more: More, display: Display) -> str:
    """How many marks at which speeds."""
    return f"{more.each} more marks at each of {', '.join(display.speed(v) for v in more.speeds_mm_s)}"


def _marks(indices: tuple[int, ...]) -> str:
    return f"marks {_numbers(indices)} do" if len(indices) > 1 else f"mark {_numbers(indices)} does"


def _numbers(indices: tuple[int, ...]) -> str:
    shown = ", ".join(str(i + 1) for i in indices[:10])
    return shown + (" and others" if len(indices) > 10 else "")


def _percent(share: float) -> str:
    if share < 1e-4:
        return "less than 0.01 %"
    return f"{share * 100.0:.2g} %"
