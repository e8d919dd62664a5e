"""What a marker's test marks say, in plain words. Pure."""

from __future__ import annotations

from controller.commissioning.marker import Figure, Fits, Study
from controller.commissioning.marker_marks import Times, Wrong
from controller.units import Display

NAMES = {
    Times.READY_OFF: "trigger to ready off",
    Times.RESPONSE: "trigger to busy",
    Times.MARK: "trigger to done",
    Times.BUSY: "busy",
    Times.REARM: "done to ready again",
    Times.CYCLE: "trigger to ready again",
}
_MEANS = {
    Wrong.NOT_RELEASED: "the order did not trigger the marker: see what beltcue status says, and that it is ready",
    Wrong.FAULT: "the marker reported a fault: mend what its own display says",
    Wrong.READY_STAYED: "ready never dropped: it is not wired to this marker, or stays on while it marks; a trigger "
    "that comes too soon is then lost unseen",
    Wrong.READY_LATE: "ready drops late: until it does, a trigger that comes too soon is lost unseen; keep marks apart "
    "by pitch, or have the marker drop it sooner",
    Wrong.NEVER_READY: "ready never came back within the time waited: the marker waits for something, or is faulty",
    Wrong.NEVER_BUSY: "busy was never seen: not wired, or shorter than from look to look",
    Wrong.STAYED_BUSY: "busy never dropped within the time waited",
    Wrong.NEVER_DONE: "done never came: not wired, or the marker reports none; nobody knows whether it marked",
    Wrong.DONE_TWICE: "done came more than once for one mark: it bounces, or counts something else",
    Wrong.READY_EARLY: "ready came before done: the next trigger could come while the mark is still being made",
}


def wrong_texts(found: Study) -> list[str]:
    """What was out of order, and what it means."""
    return [f"in {count} of {found.marks} marks {_MEANS[what]}" for what, count in found.wrong.items()]


def figure_text(figure: Figure, display: Display) -> str:
    """One time with its resolution, and how it stands to its setting."""
    time = display.time
    scatter = "" if figure.sd_s is None else f", scatter {time(figure.sd_s, 2)}"
    text = (
        f"{time(figure.median_s, 3)} ± {time(figure.resolution_s, 2)} (median of {figure.n}{scatter}), "
        f"longest {time(figure.worst_s, 3)}, at most {time(figure.at_most_s, 3)}; "
    )
    if figure.same is None:
        text += "it differs from mark to mark"
    else:
        text += f"the same each time: {time(figure.same.low, 3)} to {time(figure.same.high, 3)}"
    if figure.setting_s is None or figure.fits is None:
        return text
    stands = {Fits.FITS: "fits", Fits.LONGER: "LONGER than set", Fits.SHORTER: "shorter than set"}[figure.fits]
    return f"{text}; set {time(figure.setting_s)}: {stands}"


def verdict_texts(
    found: Study, window_mm: float | None, top_mm_s: float, looks_s: float, display: Display
) -> list[str]:
    """All that is said of the marker as a whole."""
    says = wrong_texts(found)
    if not found.figures:
        return says
    says.append(
        f"signals were looked at every {display.time(looks_s, 2)}: in one mark a time has bounds, not a value; what is "
        "the same in every mark lies within all of them"
    )
    mark = found.figures.get(Times.MARK)
    if mark is not None and mark.fits is Fits.LONGER:
        says.append(
            "marks take longer than is set: the tool would think the marker free while it still marks, and limits "
            "would promise too high a speed"
        )
    says += _window(found, window_mm, top_mm_s, display)
    if found.good:
        says.append("every mark was in order, and the settings fit")
    return says


def _window(found: Study, window_mm: float | None, top_mm_s: float, display: Display) -> list[str]:
    """Whether a mark is finished within its window at the line's top speed."""
    mark_s = found.proposed.mark_s
    if window_mm is None or mark_s <= 0.0:
        return []
    speed = window_mm / mark_s
    limit = f"a mark of {display.time(mark_s)} is finished within its window of {display.length(window_mm)} up to "
    if speed >= top_mm_s:
        return [f"{limit}{display.speed(speed)}: at every speed of this line"]
    return [f"{limit}{display.speed(speed)}; at this line's top speed of {display.speed(top_mm_s)} it is CUT OFF"]
