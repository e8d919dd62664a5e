"""A trial in plain words: what is wrong, what cannot be known yet, what would tell. Pure.

All figures in the line's own units.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from controller.commissioning.mark_length import Length, Owner
from controller.commissioning.trial_data import Interval, Predicted, Setup, Term, Trial, Why
from controller.spec import Pacing
from controller.units import Display

FITS = 0.01
"""A line is doubted where so large a lack of fit has less than this chance."""
NAMES = {Term.DISTANCE: "distance_error_mm", Term.DELAY: "delay_ms", Term.SCALE: "scale_error_percent"}


@dataclass(frozen=True, slots=True)
class UnknownText:
    """What is not known, why, and what is needed."""

    what: str
    why: str
    needs: str


def towards(mm: float) -> str:
    """Which way an error of a position goes."""
    return "towards the trailing edge" if mm > 0 else "towards the leading edge"


def about(interval: Interval, display: Display) -> str:
    """A length with its interval, without its sign."""
    return f"{display.length(abs(interval.value), 3)} ± {display.length(interval.half_width, 2)}"


def unknowns(trial: Trial, setup: Setup, display: Display) -> list[UnknownText]:
    """What cannot be known from these marks, and what to measure."""
    found = [_unknown(term, why, setup, display) for term, why in trial.unknown.items()]
    if trial.lack_of_fit_p is None:
        found.append(
            UnknownText(
                "lack_of_fit_p",
                "whether the error goes straight with the speed shows only with repeats at one speed more than "
                "unknowns",
                "three speeds or more, two marks or more at each",
            )
        )
    return found


def _unknown(term: Term, why: Why, setup: Setup, display: Display) -> UnknownText:
    fast = display.speed(setup.highest_mm_s)
    if why is Why.ONE_SPEED:
        text = "at one speed a wrong distance and a delay move the mark alike and cannot be told apart"
        return UnknownText(NAMES[term], text, f"marks at a second speed far from the first, e.g. at {fast}")
    if why is Why.TOGETHER:
        text = "speed and distance were changed together, so that neither's share can be told"
        return UnknownText(NAMES[term], text, "marks at two speeds at each distance")
    text = (
        "all marks were made at one distance, where scale and distance cannot be told apart: distance_error_mm holds "
        "both, and correcting the distance is right at this distance only, but for the scale's own error on the "
        "correction"
    )
    needs = (
        "marks at a second distance (a column distance), the marker moved by a taped length; or the travel of a taped "
        "distance or of a product of known length in counts"
    )
    if setup.pacing is Pacing.SHARED_COUNT:
        needs += "; or the marks' length along the belt (a column length) and its design length"
    elif setup.pacing is None:
        needs += '; or the marks\' length, where the marker paces itself from the same count: pacing = "shared count"'
    return UnknownText(NAMES[term], text, needs)


def verdict(trial: Trial, setup: Setup, display: Display) -> list[str]:
    """What is wrong, one sentence each; one that says so where nothing is."""
    said = [*_errors(trial, setup, display), *_length(trial.length, display), *_doubts(trial, setup, display)]
    if not _wrong(trial):
        known = "nothing shows that is wrong" if trial.correction is not None else "what is wrong cannot be said yet"
        said.insert(0, f"{known}: scatter of single marks {display.length(trial.scatter_mm, 2)} (one sigma)")
    return said


def _wrong(trial: Trial) -> bool:
    return any(i.shows for i in trial.terms.values()) or (trial.length is not None and trial.length.wrong)


def _errors(trial: Trial, setup: Setup, display: Display) -> Iterator[str]:
    distance, delay, scale = (trial.terms.get(t) for t in (Term.DISTANCE, Term.DELAY, Term.SCALE))
    if Term.DELAY in trial.unknown and len(trial.by_speed) == 1:
        only = trial.by_speed[0]
        yield (
            f"at {display.speed(only.speed_mm_s)} the marks sit {display.length(abs(only.mean_mm), 3)} too far "
            f"{towards(only.mean_mm)}; whether by the distance or by a delay one speed cannot tell"
        )
    if distance is not None and distance.shows:
        kind = "wrong distance, or a wrong scale over it" if Term.SCALE in trial.unknown else "wrong distance"
        yield f"{kind}: the mark sits {about(distance, display)} too far {towards(distance.value)} at every speed"
    if delay is not None and delay.shows:
        ms, half = abs(delay.value) * 1e3, delay.half_width * 1e3
        moves = display.length(abs(delay.value) * (setup.highest_mm_s - setup.lowest_mm_s), 3)
        way = f"{towards(delay.value)} as the line speeds up"
        range_text = f"from {display.speed(setup.lowest_mm_s)} to {display.speed(setup.highest_mm_s)}"
        if delay.value > 0:
            yield f"delay: {ms:.3g} ± {half:.2g} ms are not made up for; the mark moves {way}, {moves} {range_text}"
        else:
            yield (
                f"delay: {ms:.3g} ± {half:.2g} ms too much is made up for; the mark moves {way}, {moves} {range_text}"
            )
    if scale is not None and scale.shows:
        more, way, size = ("more", "too late", "long") if scale.value > 0 else ("less", "too early", "short")
        yield (
            f"wrong scale: a count is really {abs(scale.value) * 100:.3g} ± {scale.half_width * 100:.2g} % {more} belt "
            f"than the line says; marks come {way} by that part of the distance, and what is paced by the "
            f"count too {size}"
        )
    if trial.correction is not None and trial.correction.delay_stays:
        yield (
            "the mark comes earlier with speed by more than the configured responses can give back: no "
            "response is less "
            "than 0; look for a trigger that comes ahead of the count, or speeds typed wrong"
        )


def _length(length: Length | None, display: Display) -> Iterator[str]:
    if length is None:
        return
    if length.cut_from_mm_s is not None and length.cut_to_mm is not None:
        yield (
            f"cut off: from {display.speed(length.cut_from_mm_s)} on the marks are only "
            f"{display.length(length.cut_to_mm, 3)} long, below that {display.length(length.mean_mm, 3)}: the "
            "marker is "
            "too slow for its window; slow the line down, or make the mark quicker; these lengths are not "
            "taken for a scale"
        )
    if not length.wrong and not length.with_speed:
        return
    percent, half = abs(length.error) * 100.0, length.half_width * 100.0
    what = f"{percent:.3g} ± {half:.2g} % too {'long' if length.error > 0 else 'short'} along the belt"
    if length.owner is Owner.SCALE:
        return  # said of the scale
    if length.with_speed:
        at = "" if length.at_mm_s is None else f" at {display.speed(length.at_mm_s)}"
        right = "" if length.right_at_mm_s is None else f", right at {display.speed(length.right_at_mm_s)}"
        yield (
            f"the marker's own setting: the mark is {what}{at}{right}: its time base is not told of the line's "
            "speed; set "
            "the marker's own speed; our scale has no part in it"
        )
        return
    less = "shorter" if length.error > 0 else "longer"
    whose = {
        Pacing.OWN_ENCODER: "the belt for one count of its own encoder",
        Pacing.OWN_TIME_BASE: "its own speed or time base",
        None: "its own length or pace",
    }[length.pacing]
    yield (
        f"the marker's own setting: the mark is {what}; set {whose} in the marker, so that the mark gets "
        f"{less} by that "
        "much; our scale is left alone"
    )
    if length.pacing is None:
        yield (
            "whether the marker paces itself from the same count is not said; only if it does, the length "
            "speaks of our "
            'scale: then write pacing = "shared count" for the station'
        )


def _doubts(trial: Trial, setup: Setup, display: Display) -> Iterator[str]:
    if trial.outliers:
        rows = ", ".join(str(i + 1) for i in trial.outliers)
        many = len(trial.outliers) > 1
        yield (
            f"mark{'s' if many else ''} {rows} {'do' if many else 'does'} not belong to the others "
            "(studentized residual, "
            f"Bonferroni limit) and {'are' if many else 'is'} left out: measure again, or find out what happened there"
        )
    if trial.scales_apart is not None:
        place, length = trial.scales_apart
        yield (
            f"the scale by the second distance ({place.value * 100:+.3g} %) and by the marks' length "
            f"({length.value * 100:+.3g} %) do not agree; the length is left out: look whether the marker really paces "
            "itself from the same count, and tape the distances again"
        )
    if trial.lack_of_fit_p is not None and trial.lack_of_fit_p < FITS:
        yield (
            f"the error does not go straight with the speed (lack of fit, p = {trial.lack_of_fit_p:.2g}): "
            "something else "
            "than distance and delay is at work, such as slip at some speed, or a speed typed wrong; the intervals do "
            "not hold"
        )
    if trial.unequal:
        spread = ", ".join(
            f"{display.length(s.scatter_mm, 2)} at {display.speed(s.speed_mm_s)}" for s in trial.by_speed
        )
        yield f"the scatter is not the same at all speeds ({spread}); the intervals go by each speed's own"
    if 2.0 * trial.scatter_mm > setup.tolerance_mm:
        yield (
            f"scatter: single marks scatter by {display.length(trial.scatter_mm, 2)} (one sigma), too much for "
            "a tolerance "
            f"of {display.length(setup.tolerance_mm, 3)}; no setting mends that: look for loose parts, slip, a "
            "product that "
            "moves, an eye that sees its edge differently"
        )


def outcome(predicted: Predicted, after: bool, setup: Setup, display: Display) -> str:
    """What the mark does at a speed, against the tolerance."""
    mean = predicted.after if after else predicted.now
    good = "within" if mean.within(setup.tolerance_mm) else "NOT within"
    sign = "+" if mean.value > 0 else "−" if mean.value < 0 else ""
    return (
        f"at {display.speed(predicted.speed_mm_s)}: {sign}{about(mean, display)}, {good} "
        f"± {display.length(setup.tolerance_mm, 3)} (single marks ± {display.length(predicted.mark_half_width, 2)})"
    )
