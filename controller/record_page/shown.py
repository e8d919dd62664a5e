"""Figures of a record in the units that the line's people read, with mm beside where they read another. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from controller.record_page.model import HELD, Figure
from controller.record_page.rounding import DIGITS, plain, rounded
from controller.units import Display, to_unit

NOT_KNOWN = "not known"
SURE = "95 %"
STANDARD = "k = 1"
"""± is one standard uncertainty."""
LEAST_CHANCE = 0.001
METRIC = ("mm", "m", "mm/s", "m/s", "m/min")


@dataclass(frozen=True, slots=True)
class Shown:
    """Makes figures; every value may be None, which is not known."""

    display: Display

    def length(
        self, name: str, mm: float | None, half: float | None = None, covers: str = SURE, digits: int = 5
    ) -> Figure:
        """A length and its uncertainty, both in mm."""
        return self._quantity(name, mm, half, covers, self.display.length_unit, "mm", digits=digits)

    def spread(self, name: str, mm: float | None) -> Figure:
        """An uncertainty that is itself the figure, in mm: two digits."""
        return self.length(name, mm, digits=DIGITS)

    def scale(self, name: str, mm: float | None, half: float | None = None, covers: str = SURE) -> Figure:
        """The belt for one count and its uncertainty, both in mm."""
        return self._quantity(name, mm, half, covers, self.display.length_unit, "mm", a=" a count", digits=7)

    def speed(self, name: str, mm_s: float | None, half: float | None = None, covers: str = SURE) -> Figure:
        """A speed and its uncertainty, both in mm/s."""
        return self._quantity(name, mm_s, half, covers, self.display.speed_unit, "mm/s")

    def _quantity(
        self, name: str, value: float | None, half: float | None, covers: str, unit: str, base: str, *, a: str = "",
        digits: int = 5,
    ) -> Figure:  # fmt: skip
        if value is None:
            return Figure(name, NOT_KNOWN)
        beside = ""
        if unit not in METRIC:
            own = number("", value, half, base + a, digits=digits)
            beside = own.text
        shown = None if half is None else to_unit(half, unit)
        made = number(name, to_unit(value, unit), shown, unit + a, covers, digits=digits)
        return Figure(made.name, made.value, made.unit, made.spread, made.covers, beside)


def number(
    name: str, value: float | None, half: float | None = None, unit: str = "", covers: str = SURE, digits: int = 5
) -> Figure:
    """A figure in the unit it is in, with the half width of what covers it."""
    if value is None:
        return Figure(name, NOT_KNOWN)
    if half is None or not half > 0.0:
        return Figure(name, plain(value, digits), unit)
    text, spread = rounded(value, half)
    return Figure(name, text, unit, spread, covers)


def percent(part: float, digits: int = 1) -> str:
    """A part of a whole as text."""
    return f"{100.0 * part:.{digits}f}{HELD}%"


def chance(name: str, p: float | None) -> Figure:
    """A probability, two digits of it; one that is hardly there is not spelt out."""
    if p is not None and p < LEAST_CHANCE:
        return Figure(name, f"less than {LEAST_CHANCE:g}")
    return number(name, p, digits=2)


def half_of(interval: Mapping[str, Any] | None) -> tuple[float | None, float | None]:
    """Value and half width of an interval with `value`, `low95` and `high95`; None: not known."""
    if interval is None or interval.get("value") is None:
        return None, None
    low, high = interval.get("low95"), interval.get("high95")
    return float(interval["value"]), None if low is None or high is None else 0.5 * (float(high) - float(low))
