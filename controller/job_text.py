"""The text of a saved job, compared and shown: plain functions on the text that `settings.saved` writes.

Rules of this file: nothing but the standard library, so that a short command starts quickly. A setting is known by its
place, such as `stations.flap.distance`; one that is left out and one that is not set are the same.
"""

from __future__ import annotations

import difflib
import json
import re
from collections.abc import Iterator
from typing import Any

from controller.units import Display

Value = str | float | bool
Place = tuple[str, ...]

_ORDER = ("job", "detector", "stations", "encoder", "uncertainty")
_NAMES = ("name", "station")
"""Settings that are words of people: what looks like a quantity there is none."""
_QUANTITY = re.compile(r"(\S+) (mm|mm/s|s)")
_DIGITS = 7
_ALL_DIGITS = 17


def write(values: dict[str, Any]) -> str:
    """Write the values of a job as its text: the same values give the same text."""
    return json.dumps(values, ensure_ascii=False, allow_nan=False, sort_keys=True, indent=1) + "\n"


def settings_in(text: str) -> dict[Place, Value]:
    """Give every setting in the text with its value, in the order in which people read them."""
    found = dict(_walk((), json.loads(text)))
    return dict(sorted(found.items(), key=lambda item: _ORDER.index(item[0][0])))


def _walk(place: Place, value: Any) -> Iterator[tuple[Place, Value]]:
    if isinstance(value, dict):
        for name, inner in value.items():
            yield from _walk((*place, name), inner)
    elif isinstance(value, list):
        for number, inner in enumerate(value, start=1):
            yield from _walk((*place[:-1], f"{place[-1]}#{number}"), inner)
    elif place != ("format",):
        yield place, value


def differing(one: str, other: str) -> list[Place]:
    """Give the places of the settings that are not the same in both texts."""
    a, b = settings_in(one), settings_in(other)
    return [place for place in {**a, **b} if a.get(place) != b.get(place)]


def place_text(place: Place) -> str:
    """A place as people write it."""
    return ".".join(place)


def shown(place: Place, value: Value | None, display: Display, digits: int = _DIGITS) -> str:
    """A setting's value in the units that people read; "not set" for none."""
    if value is None:
        return "not set"
    if isinstance(value, bool):
        return "yes" if value else "no"
    quantity = _QUANTITY.fullmatch(value) if isinstance(value, str) and place[-1] not in _NAMES else None
    if quantity is None:
        return str(value)
    number, unit = float(quantity[1]), quantity[2]
    if unit == "mm":
        return display.length(number, digits)
    return display.speed(number, digits) if unit == "mm/s" else display.time(number, digits)


def rows(text: str, display: Display, exact: frozenset[Place] = frozenset()) -> list[tuple[str, str]]:
    """Give a job as rows of place and value; those of `exact` with all their digits."""
    return [
        (place_text(place), shown(place, value, display, _ALL_DIGITS if place in exact else _DIGITS))
        for place, value in settings_in(text).items()
    ]


def changes(old: str, new: str, display: Display) -> list[tuple[str, str, str]]:
    """Give the settings that differ: place, old value, new value, with the digits that tell them apart."""
    a, b = settings_in(old), settings_in(new)
    found = []
    for place in differing(old, new):
        pair = [shown(place, values.get(place), display) for values in (a, b)]
        if pair[0] == pair[1]:
            pair = [shown(place, values.get(place), display, _ALL_DIGITS) for values in (a, b)]
        found.append((place_text(place), pair[0], pair[1]))
    return found


def unified(old: str, new: str, names: tuple[str, str], display: Display) -> list[str]:
    """Give the difference as a unified diff of the lines, empty where there is none."""
    a, b = settings_in(old), settings_in(new)
    alike = frozenset(
        place for place in differing(old, new)
        if shown(place, a.get(place), display) == shown(place, b.get(place), display)
    )  # fmt: skip
    before, after = ([f"{place} = {value}" for place, value in rows(text, display, alike)] for text in (old, new))
    return list(difflib.unified_diff(before, after, *names, lineterm=""))
