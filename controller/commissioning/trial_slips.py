"""Slips of the pen in a trial: inches and millimetres taken for one another, marks off the product. Pure."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from controller.commissioning.trial_data import Marks, Setup
from controller.commissioning.uncertainty import Array
from controller.units import Display

INCH_MM = 25.4
LOOSE = 2.2
"""A ratio to what is expected within this factor of 25.4 is taken for the slip."""
TIGHT = 1.4
"""The same where others of the same kind say what is expected."""
NEAR_MM, FAR_MM = 8.0, 100.0
"""A mark on the near or far side of its place by less than this is believed, whatever the ratio."""
TOO_FAST = 10.0
"""So many times the line's highest speed is no speed of this line."""


def slips(marks: Marks, setup: Setup, product_mm: float | None, display: Display) -> Iterator[str]:
    """Say what cannot be as typed, in order, the surest first; marks are numbered from 1. `product_mm`: its length."""
    yield from _inches(marks, setup)
    for number, speed in enumerate(marks.speed_mm_s, start=1):
        if speed < 0.0:
            yield f"mark {number}: speed {display.speed(speed)} is negative; write the belt's speed"
        if speed > TOO_FAST * setup.highest_mm_s:
            yield (
                f"mark {number}: speed {display.speed(speed)} is far above the line's highest, "
                f"{display.speed(setup.highest_mm_s)}; mend the speed or the unit in the header"
            )
    for number, place in enumerate(marks.position_mm, start=1):
        where = f"mark {number}: position {display.length(place)}"
        if place < 0.0:
            yield f"{where} lies in front of the leading edge, off the product; measure from the leading edge backward"
        elif product_mm is not None and place > product_mm:
            yield (
                f"{where} lies beyond the end of a product of {display.length(product_mm)}, off the product; "
                "mend it, the "
                "unit in the header (mm typed for inches?), or --product-length"
            )


def _inches(marks: Marks, setup: Setup) -> Iterator[str]:
    middle = float(np.median(marks.position_mm))
    if setup.offset_mm > 0.0 and _is_inch(middle / setup.offset_mm, LOOSE):
        over = middle - setup.offset_mm
        if over > FAR_MM or over < -NEAR_MM:
            yield _text("positions", middle, setup.offset_mm, "where the mark should be")
            return
    for name, values, wanted in (
        ("lengths", marks.length_mm, setup.design_length_mm),
        ("distances", marks.distance_mm, setup.distance_mm),
    ):
        if values is not None and wanted and np.isfinite(values).any():
            typical = float(np.nanmedian(values))
            if _is_inch(typical / wanted, TIGHT):
                yield _text(name, typical, wanted, "in the line's files or as given")
                return
    yield from _single("position", marks.position_mm)
    if marks.length_mm is not None:
        yield from _single("length", marks.length_mm)


def _single(name: str, values: Array) -> Iterator[str]:
    """Find one value among many that is 25.4 times the others, or as many times less."""
    if len(values) < 3 or not np.isfinite(values).any():
        return
    middle = float(np.nanmedian(values))
    for number, value in enumerate(values, start=1):
        if middle > 0.0 and abs(value - middle) > NEAR_MM and _is_inch(value / middle, TIGHT):
            yield (
                f"mark {number}: {name} {value:.4g} mm against {middle:.4g} mm of the others is out by about 25.4: "
                "mm typed for inches, or inches for mm? Mend it"
            )


def _is_inch(ratio: float, loose: float) -> bool:
    return INCH_MM / loose < ratio < INCH_MM * loose or 1.0 / (INCH_MM * loose) < ratio < loose / INCH_MM


def _text(name: str, typical_mm: float, wanted_mm: float, where: str) -> str:
    slip = "mm typed for inches" if typical_mm > wanted_mm else "inches typed for mm"
    return (
        f"{name} of about {typical_mm:.4g} mm against {wanted_mm:.4g} mm {where} are out by about 25.4: {slip}? "
        "Mend the unit in the header"
    )
