"""Quantities with units: text to mm, mm/s, s and mm/s² on the way in, the user's unit on the way out.

Reading goes through pint, whose registry is made at the first quantity read: it takes most of a second, which a
program that only shows figures does not pay. The few units that figures are shown in stand here as exact ratios;
the tests hold them against pint's.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from decimal import Decimal
from enum import Enum
from fractions import Fraction
from functools import lru_cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pint


class Kind(Enum):
    """What a quantity measures: its noun, its unit inside the program, an example, and the largest that is believed.

    The bound catches a slip such as "35 Mm"; nothing on a line comes near it.
    """

    LENGTH = ("a length", "mm", "35 mm", 1e8)
    SPEED = ("a speed", "mm/s", "20 m/min", 1e6)
    TIME = ("a time", "s", "5 ms", 1e8)
    ACCELERATION = ("an acceleration", "mm/s^2", "0.5 m/s^2", 1e7)
    FREQUENCY = ("a frequency", "Hz", "100 kHz", 1e9)

    def __init__(self, noun: str, base: str, example: str, most: float) -> None:
        self.noun = noun
        self.base = base
        self.example = example
        self.most = most


_NUMBER = r"[+-]?(?:\d{1,30}(?:\.\d{0,30})?|\.\d{1,30})(?:[eE][+-]?\d{1,2})?"
_UNIT = r"[A-Za-zµμ]+(?:\s*/\s*[A-Za-zµμ]+){0,2}(?:\s*(?:\^|\*\*)\s*2|²)?"
PATTERN = rf"^\s*{_NUMBER}\s*{_UNIT}\s*$"
"""What a quantity looks like, for schemas; whether the unit is of the right kind only `parse` knows."""

_STARTS_WITH_NUMBER = re.compile(rf"\s*({_NUMBER})\s*(.*?)\s*")
_WHOLE_UNIT = re.compile(_UNIT)
_NOT_FINITE = re.compile(r"\s*[+-]?(nan|inf|infinity)\b.*", re.IGNORECASE)
_TRADE_UNITS = ("fpm = foot / minute", "mpm = meter / minute")


def parse(value: object, kind: Kind) -> float:
    """Read a quantity such as "35 mm" or "50 ft/min" into mm, mm/s, s or mm/s².

    Raises ValueError, with what is wrong and an example, for a bare number, a number that is none or not
    finite, a unit that is missing, unknown or of the wrong kind, and a size that no line has.
    """
    want = f'{kind.noun} is wanted, e.g. "{kind.example}"'
    if isinstance(value, int | float) and not isinstance(value, bool):
        raise ValueError(f"{value} has no unit; {want}")
    if not isinstance(value, str):
        raise ValueError(f"{_short(value)} is not a quantity; {want}")
    if _NOT_FINITE.fullmatch(value):
        raise ValueError(f"{_short(value)} is not a finite number; {want}")
    match = _STARTS_WITH_NUMBER.fullmatch(value)
    if match is None:
        raise ValueError(f"{_short(value)} does not begin with a number; {want}")
    number, unit = match.groups()
    if not unit:
        raise ValueError(f"{_short(value)} has no unit; {want}")
    if unit[0] == "," and unit[1:2].isdigit():
        raise ValueError(f'{_short(value)} has a comma in the number; write a point, e.g. "{kind.example}"')
    if not _WHOLE_UNIT.fullmatch(unit):
        raise ValueError(f"{_short(value)} has no unit that is known ({_short(unit)}); {want}")
    found, factor = _unit(unit)
    if found is None:
        raise ValueError(f"{_short(unit)} is no unit that is known{_case_hint(unit, kind)}; {want}")
    if found != kind.name:
        what = f"is {Kind[found].noun}" if found else "measures something else"
        raise ValueError(f"{_short(value)} {what}{_case_hint(unit, kind)}, {want}")
    exact = Fraction(number) * factor
    if abs(exact) > kind.most:
        raise ValueError(f"{_short(value)} is more than any line has{_case_hint(unit, kind)}; {want}")
    return float(exact)


def parse_length_mm(value: object) -> float:
    """Read a length in mm. Raises ValueError as `parse` does."""
    return parse(value, Kind.LENGTH)


def parse_speed_mm_s(value: object) -> float:
    """Read a speed in mm/s. Raises ValueError as `parse` does."""
    return parse(value, Kind.SPEED)


def parse_duration_s(value: object) -> float:
    """Read a time in s. Raises ValueError as `parse` does."""
    return parse(value, Kind.TIME)


def parse_accel_mm_s2(value: object) -> float:
    """Read an acceleration in mm/s². Raises ValueError as `parse` does."""
    return parse(value, Kind.ACCELERATION)


def _short(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "…"


def _case_hint(unit: str, kind: Kind) -> str:
    """The unit meant, where only the case of its letters is wrong: 35 MM, 5 MS."""
    usual = {"in", "ft", "µs", "min", "h", "cm", kind.base, *(n for n, (k, _) in SHOWN.items() if k is kind)}
    lower = unit.lower()
    return f' (did you mean "{lower}"?)' if lower != unit and lower in usual and _unit(lower)[0] == kind.name else ""


@lru_cache(maxsize=1)
def _registry() -> pint.UnitRegistry[Fraction]:
    """The one registry. Fractions keep the factors exact: a foot a minute is 5.08 mm/s and not a hair less."""
    import pint

    registry: pint.UnitRegistry[Fraction] = pint.UnitRegistry(non_int_type=Fraction)
    for definition in _TRADE_UNITS:
        registry.define(definition)
    return registry


@lru_cache(maxsize=256)
def _unit(text: str) -> tuple[str | None, Fraction]:
    """What the unit measures (a `Kind`'s name, "": something else, None: unknown) and its size in our unit for that."""
    registry = _registry()
    try:
        unit = registry.parse_units(text)
        for kind in Kind:
            base = registry.parse_units(kind.base)
            if unit.dimensionality == base.dimensionality:
                return kind.name, Fraction(registry.Quantity(Fraction(1), unit).to(base).magnitude)
    except Exception:  # pint tells an unknown unit by errors of many unrelated types
        return None, Fraction(0)
    return "", Fraction(0)


SHOWN: dict[str, tuple[Kind, Fraction]] = {
    "mm": (Kind.LENGTH, Fraction(1)),
    "m": (Kind.LENGTH, Fraction(1000)),
    "in": (Kind.LENGTH, Fraction(254, 10)),
    "ft": (Kind.LENGTH, Fraction(3048, 10)),
    "mm/s": (Kind.SPEED, Fraction(1)),
    "m/s": (Kind.SPEED, Fraction(1000)),
    "m/min": (Kind.SPEED, Fraction(1000, 60)),
    "ft/min": (Kind.SPEED, Fraction(3048, 600)),
    "in/s": (Kind.SPEED, Fraction(254, 10)),
    "ms": (Kind.TIME, Fraction(1, 1000)),
    "s": (Kind.TIME, Fraction(1)),
    "mm/s²": (Kind.ACCELERATION, Fraction(1)),
    "m/s²": (Kind.ACCELERATION, Fraction(1000)),
    "in/s²": (Kind.ACCELERATION, Fraction(254, 10)),
}
"""The units that figures are shown in: what each measures, and how many of our unit it holds."""


def to_unit(value: float, unit: str) -> float:
    """A value in mm, mm/s, s or mm/s² as a number of the unit, one of `SHOWN`."""
    size = SHOWN[unit][1]
    return value * size.denominator / size.numerator


def show(value: float, unit: str, digits: int = 6) -> str:
    """A value in mm, mm/s, s or mm/s² as text in the unit (one of `SHOWN`), with so many significant digits."""
    number = to_unit(value, unit)
    if not math.isfinite(number):
        return f"{number} {unit}"
    text = f"{number + 0.0:.{digits}g}"
    return f"{format(Decimal(text), 'f') if 'e' in text else text} {unit}"


@dataclass(frozen=True, slots=True)
class Display:
    """The units one line's people read: every figure goes out with its unit."""

    length_unit: str = "mm"
    speed_unit: str = "m/min"

    def length(self, mm: float, digits: int = 6) -> str:
        """A length given in mm."""
        return show(mm, self.length_unit, digits)

    def belt(self, mm: float, digits: int = 4) -> str:
        """A long piece of belt given in mm, in m or ft."""
        return show(mm, "ft" if self.length_unit == "in" else "m", digits)

    def speed(self, mm_s: float, digits: int = 4) -> str:
        """A speed given in mm/s."""
        return show(mm_s, self.speed_unit, digits)

    def acceleration(self, mm_s2: float, digits: int = 4) -> str:
        """An acceleration given in mm/s²."""
        return show(mm_s2, "in/s²" if self.length_unit == "in" else "m/s²", digits)

    def time(self, seconds: float, digits: int = 4) -> str:
        """A time given in s; in ms where it is under a second."""
        return show(seconds, "ms" if abs(seconds) < 1.0 else "s", digits)
