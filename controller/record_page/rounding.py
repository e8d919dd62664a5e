"""Figures as the GUM (7.2.6) has them: the uncertainty with two digits, the value to the same place. Pure."""

from __future__ import annotations

import math
from decimal import ROUND_HALF_EVEN, Decimal

DIGITS = 2
PLAIN_DIGITS = 5
"""Of a figure whose uncertainty nobody states."""


def rounded(value: float, uncertainty: float) -> tuple[str, str]:
    """Give value and uncertainty as texts. An uncertainty that is 0 or none leaves the value with its own digits."""
    if not math.isfinite(value):
        return "not known", ""
    if not (math.isfinite(uncertainty) and uncertainty > 0.0):
        return plain(value), ""
    place = _place(uncertainty)
    spread = Decimal(uncertainty).quantize(place, ROUND_HALF_EVEN)
    if spread.adjusted() - place.adjusted() >= DIGITS:  # 0.0996 has become 0.100
        place = place.scaleb(1)
        spread = spread.quantize(place)
    number = Decimal(value).quantize(place, ROUND_HALF_EVEN)
    return _text(number), _text(spread)


def plain(value: float, digits: int = PLAIN_DIGITS) -> str:
    """A figure with so many significant digits, never as a power of ten; a whole number whole."""
    if not math.isfinite(value):
        return "not known"
    if value == int(value) and abs(value) < 1e15:
        return str(int(value))
    return format(Decimal(f"{value:.{digits}g}"), "f")


def _place(uncertainty: float) -> Decimal:
    return Decimal(1).scaleb(math.floor(math.log10(uncertainty)) - DIGITS + 1)


def _text(number: Decimal) -> str:
    text = format(number, "f")
    return text.removeprefix("-") if not number else text
