"""Sense: whether the count goes up as the belt runs forward, and what else the count shows meanwhile. Pure.

A count that goes backward is mended in the line file only where the encoder's two channels are wired as drawn: else the
wiring is mended, or the next person who mends it turns the sense again.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from controller.commissioning.series import Series, blocks_of

LEAST_COUNTS = 100
"""Less travel than this tells no direction."""
AGAINST_PART = 0.1
"""So much of the travel against the rest is no belt that runs one way."""
NOISE_LOOKS = 6
"""A count that changes so often and gets nowhere is noise."""
REST_NET_COUNTS = 2
"""A stretch in which the count ends within this of where it began may be rest."""
REST_SPAN_COUNTS = 20


class Moving(StrEnum):
    """What the count did, as it is configured to be read."""

    FORWARD = "forward"
    BACKWARD = "backward"
    STILL = "no movement"
    NOISE = "noise only"
    TOO_LITTLE = "too little movement to say"
    BOTH_WAYS = "both ways"
    JUMPED = "jumped"


@dataclass(frozen=True, slots=True)
class Sense:
    """What was seen: verdict, net travel and travel against it in counts, rest noise from lowest to highest count."""

    moving: Moving
    counts: int
    against_counts: int
    seconds: float
    looks: int
    jumps: int
    rest_noise_counts: int | None
    """None: the belt never stood while it was looked at."""
    rest_s: float
    drive_ran: bool | None
    """Whether the drive was ever said to run; None: the line does not tell."""


def judge(series: Series, least_counts: int = LEAST_COUNTS) -> Sense:
    """Say what the count did."""
    steps = np.diff(series.counts)
    up, down = float(steps[steps > 0].sum()), float(-steps[steps < 0].sum())
    noise, rest_s = _rest(series)
    return Sense(
        moving=_moving(steps, up, down, least_counts, series.jumps),
        counts=round(up - down),
        against_counts=round(min(up, down)),
        seconds=series.seconds,
        looks=len(series),
        jumps=series.jumps,
        rest_noise_counts=noise,
        rest_s=rest_s,
        drive_ran=None if series.running is None else bool(series.running.any()),
    )


def _moving(steps: np.ndarray, up: float, down: float, least: int, jumps: int) -> Moving:
    net, path = up - down, up + down
    if jumps:
        return Moving.JUMPED
    if path == 0.0:
        return Moving.STILL
    if np.count_nonzero(steps) >= NOISE_LOOKS and abs(net) <= 0.25 * path and abs(net) < least:
        return Moving.NOISE if path < 20.0 * least else Moving.BOTH_WAYS
    if abs(net) < least:
        return Moving.TOO_LITTLE
    if min(up, down) > AGAINST_PART * max(up, down):
        return Moving.BOTH_WAYS
    return Moving.FORWARD if net > 0.0 else Moving.BACKWARD


def _rest(series: Series) -> tuple[int | None, float]:
    """Noise while the belt stands, and how long that was: by the drive where it is told, and the count gets nowhere."""
    noise, rest_s = None, 0.0
    blocks = blocks_of(series)
    for number, (a, b) in enumerate(blocks):
        c = series.counts[a : b + 1]
        if series.running is not None:
            before = blocks[number - 1][0] if number else a  # a belt runs on for a while after its drive
            if series.running[before : b + 1].any():
                continue
        if abs(c[-1] - c[0]) > REST_NET_COUNTS or np.ptp(c) > REST_SPAN_COUNTS:
            continue
        noise = max(noise or 0, int(np.ptp(c)))
        rest_s += float(series.t_s[b] - series.t_s[a])
    return noise, rest_s


@dataclass(frozen=True, slots=True)
class Advice:
    """What is to be done: in words, whether the sense is right (None: not known), whether to turn it."""

    says: tuple[str, ...]
    right: bool | None
    turn: bool = False
    needs: str = ""
    """What would tell, where the sense is not known."""


def advise(sense: Sense, ran_forward: bool | None, wired_as_drawn: bool | None) -> Advice:
    """Judge with what a person at the belt says; None: nobody said."""
    if sense.moving not in (Moving.FORWARD, Moving.BACKWARD):
        says, needs = _no_direction(sense)
        return Advice((says, *_extra(sense)), None, needs=needs)
    up = sense.moving is Moving.FORWARD
    seen = f"the count goes {'forward' if up else 'BACKWARD'} as it is configured: {abs(sense.counts)} counts"
    if ran_forward is None:
        return Advice((seen, *_extra(sense)), None, needs="somebody at the belt who says that it ran forward")
    if not ran_forward:
        text = "the belt did not run forward, so nothing is said of the sense"
        return Advice((seen, text, *_extra(sense)), None, needs="the belt run forward while it is looked at")
    wiring = {
        True: "the two channels are wired as drawn",
        False: "the two channels are NOT wired as drawn: mend the wiring first, which turns the sense, and look again",
        None: "whether the two channels are wired as drawn is not known: look at the terminals, then say so",
    }[wired_as_drawn]
    verdict = "the sense is right" if up else "the sense is WRONG"
    turn = wired_as_drawn is True and not up
    needs = "" if wired_as_drawn else "the wiring compared with the drawing"
    return Advice((f"{seen} while the belt ran forward: {verdict}", wiring, *_extra(sense)), up, turn, needs)


def _no_direction(sense: Sense) -> tuple[str, str]:
    stood = sense.drive_ran is False
    match sense.moving:
        case Moving.STILL:
            why = (
                "the drive was not running"
                if stood
                else "does the belt run, does the wheel touch it, has the encoder its supply?"
            )
            return f"the count did not move: {why}", "the belt running forward, and the wheel turning with it"
        case Moving.NOISE:
            why = (
                "vibration at rest"
                if stood
                else "with the belt running one of the two channels is missing; at rest it is vibration or interference"
            )
            return f"the count goes to and fro and gets nowhere: {why}", "a count that moves with the belt"
        case Moving.TOO_LITTLE:
            return f"only {abs(sense.counts)} counts: too little movement to say", "the belt run for a second or more"
        case Moving.BOTH_WAYS:
            return (
                f"the count went both ways, {sense.against_counts} counts against the rest",
                "the belt run one way only; if it did, one of the two channels is bad",
            )
        case _:
            return (
                f"the count jumped {sense.jumps} times as no belt does: counter restarted, wrong width or word order?",
                "a count that goes on: check counter_bits, word order and the points",
            )


def _extra(sense: Sense) -> tuple[str, ...]:
    says = []
    if sense.moving in (Moving.FORWARD, Moving.BACKWARD) and sense.against_counts > 1:
        says.append(f"{sense.against_counts} counts went against the rest: does the belt roll back, or is it noise?")
    if sense.rest_noise_counts is not None:
        noise = sense.rest_noise_counts
        word = "quiet" if noise <= 1 else "NOT quiet: vibration, or interference on the cable"
        says.append(f"at rest ({sense.rest_s:.1f} s) the count stays within {noise}: {word}")
    return tuple(says)
