"""Names of kept values as words with their units, for what this program has no better words for. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from controller.record_page.model import Figure
from controller.record_page.shown import Shown, half_of, number

_UNITS = (
    ("_mm_per_count", "mm a count"),
    ("_counts_s", "counts/s"),
    ("_mm_s", "mm/s"),
    ("_counts", "counts"),
    ("_percent", "%"),
    ("_mm", "mm"),
    ("_ms", "ms"),
    ("_us", "µs"),
    ("_s", "s"),
    ("_hz", "Hz"),
)
"""How a name ends, and what that says; the longest first."""
_WHOLE = {unit[1:]: unit for unit, _ in _UNITS} | {"mm_per_count": "mm a count", "counts": "counts"}
_INTERVAL = {"value", "low95", "high95"}
COMMON = {"line", "verdict", "says", "unknown", "changes", "applied", "notes"}
"""What every step keeps, and the record shows for all of them alike."""


def words_of(name: str) -> tuple[str, str]:
    """A name's words and its unit; empty where it has none."""
    for ending, unit in _UNITS:
        if name.endswith(ending) and name != ending:
            return _words(name[: -len(ending)]), unit
        if name == ending[1:] and unit in ("mm a count", "counts"):
            return _words(name), unit
    return _words(name), ""


def _words(name: str) -> str:
    return name.replace("95", " 95 %").replace("_", " ").replace("  ", " ").strip()


def header(name: str) -> str:
    """A name as the head of a column."""
    words, unit = words_of(name)
    return f"{words}, {unit}" if unit and unit != words else words


def figure_of(name: str, value: Any, shown: Shown) -> Figure | None:
    """A kept value as a figure in the line's units; None for what is none."""
    words, unit = words_of(name)
    half = None
    if isinstance(value, Mapping):
        if not set(value) >= _INTERVAL:
            return None
        value, half = half_of(value)
    if value is None:
        return number(words, None)
    if isinstance(value, bool):
        return Figure(words, "yes" if value else "no")
    if isinstance(value, str):
        return Figure(words, value)
    if not isinstance(value, int | float):
        return None
    match unit:
        case "mm":
            return shown.length(words, value, half)
        case "mm/s":
            return shown.speed(words, value, half)
        case "mm a count":
            return shown.scale(words, value, half)
    return number(words, value, half, unit)


def text_of(name: str, value: Any, shown: Shown) -> str:
    """A kept value as text."""
    found = figure_of(name, value, shown)
    if found is not None:
        return found.text
    if isinstance(value, Mapping):
        return "; ".join(f"{header(inner)}: {text_of(inner, each, shown)}" for inner, each in value.items())
    if isinstance(value, Sequence):
        return ", ".join(text_of(name, each, shown) for each in value) or "none"
    return str(value)
