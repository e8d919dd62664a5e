"""The steps of commissioning as a record has them: their order, their names, and who lays each one out. Pure."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from controller.record_page import (
    accept_step,
    budget_step,
    detector_step,
    distance_step,
    limits_step,
    marker_step,
    plain_step,
    scale_step,
    trial_step,
    watched_steps,
)
from controller.record_page.drawing import named
from controller.record_page.model import Body, Changed, Unknown
from controller.record_page.shown import Shown

Describe = Callable[[Mapping[str, Any], Mapping[str, Any], Shown], Body]


@dataclass(frozen=True, slots=True)
class Part:
    """A step's name as people read it, what it asks, and how what it found is laid out."""

    title: str
    question: str
    describe: Describe = plain_step.describe
    of: tuple[str, ...] = ("station",)
    """What of a result says whose it is: a later one of the same takes its place."""


PARTS = {
    "sense": Part("Sense", "Does the count go up as the belt runs forward?", watched_steps.describe_sense),
    "contact": Part("Contact", "Does the wheel turn with the belt?", watched_steps.describe_contact),
    "scale": Part("Scale", "How much belt is one count?", scale_step.describe),
    "detector": Part("Detector", "What does the eye tell of the products?", detector_step.describe),
    "distance": Part("Distance", "How far is the marker from the eye?", distance_step.describe),
    "marker": Part("Marker", "Do the marker's signals come in order, and how fast is it?", marker_step.describe),
    "limits": Part("Limits", "How fast may the line run?", limits_step.describe),
    "budget": Part("Error budget", "What is a mark's error made of?", budget_step.describe, ("station", "speed_mm_s")),
    "trial": Part("Trial", "Where do marks land at several speeds?", trial_step.describe),
    "accept": Part("Acceptance", "Do the marks keep the tolerance at every speed?", accept_step.describe),
}
"""In the order in which a line is commissioned."""


def part_of(step: str) -> Part:
    """A step's part, also of one that this program does not know."""
    return PARTS.get(step) or Part(step[:1].upper() + step[1:], "A step that this version has no page of its own for.")


def body_of(step: str, number: int, result: Mapping[str, Any], raw: Mapping[str, Any], shown: Shown) -> Body:
    """Lay out a result; one that another version kept in another form is shown by its names."""
    try:
        body = part_of(step).describe(result, raw, shown)
    except (ArithmeticError, AttributeError, IndexError, KeyError, TypeError, ValueError):
        body = plain_step.describe(result, raw, shown)
        body.notes.append("Kept in a form that this version of the program has no page for; shown by its names.")
    body.outcome = body.outcome or next(iter(verdict_of(result)), "")
    body.pictures = [named(picture, f"r{number}-{n}") for n, picture in enumerate(body.pictures, start=1)]
    return body


def verdict_of(result: Mapping[str, Any]) -> list[str]:
    """What the step said in words."""
    found = _all(result.get("says") or result.get("verdict"))
    return [str(text) for text in (*found, *_all(result.get("notes")))]


def unknown_of(result: Mapping[str, Any]) -> list[Unknown]:
    """What the step could not tell."""
    rows = [row for row in _all(result.get("unknown")) if isinstance(row, Mapping)]
    return [Unknown(*(str(row.get(name, "")) for name in ("what", "why", "needs"))) for row in rows]


def changes_of(result: Mapping[str, Any]) -> list[Changed]:
    """What the step changed, or would have changed."""
    applied = bool(result.get("applied"))
    rows = [row for row in _all(result.get("changes")) if isinstance(row, Mapping)]
    return [
        Changed(str(row.get("setting", "")), str(row.get("from", "")), str(row.get("to", "")), applied) for row in rows
    ]


def _all(value: Any) -> list[Any]:
    """What is kept as a list, or as one of it, or not at all."""
    if isinstance(value, list):
        return value
    return [] if value is None or value == "" else [value]
