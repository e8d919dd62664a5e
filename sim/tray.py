"""The tray of scrap beside a simulated line: where a person with a ruler finds each mark, as a trial's CSV file."""

from __future__ import annotations

import random
from typing import Any, Final, TextIO

from controller.units import Display, to_unit

STEP_MM: Final = 0.1
"""What a steel rule is read to."""
READING_SD_MM: Final = 0.1
"""How well a person reads it."""
STEADY_MM: Final = 500.0
"""Scrap is kept once so much belt has passed at one speed: what was ordered before the change is not of it."""
STEADY_PART: Final = 1e-3
"""A speed that differs by less than this part is the same."""


class Tray:
    """Writes a row for each mark on a product: the drive's displayed speed as it was made, and its place."""

    def __init__(self, file: TextIO, display: Display, seed: int) -> None:
        """Write the header of the columns to an open file, in the line's units."""
        self._file, self._display = file, display
        self._chance = random.Random(f"{seed}/tray")
        self._speed_mm_s = self._since_mm = 0.0
        print(f"speed [{display.speed_unit}],position [{display.length_unit}]", file=file, flush=True)

    def tell(self, item: dict[str, Any]) -> None:
        """Take an item of the truth; what is no mark on a product, or not at a steady speed, is left out."""
        mark = item.get("mark")
        if mark is None or not self._steady(mark["truth"]) or mark["from_lead_mm"] is None:
            return
        place_mm = round(self._chance.gauss(mark["from_lead_mm"], READING_SD_MM) / STEP_MM) * STEP_MM
        speed = to_unit(mark["truth"]["speed_mm_s"], self._display.speed_unit)
        digits = 1 if self._display.length_unit == "mm" else 3
        place = to_unit(place_mm, self._display.length_unit)
        print(f"{speed:.1f},{place:.{digits}f}", file=self._file, flush=True)

    def _steady(self, truth: dict[str, Any]) -> bool:
        speed_mm_s, place_mm = truth["speed_mm_s"], truth["position_mm"]
        if abs(speed_mm_s - self._speed_mm_s) > STEADY_PART * self._speed_mm_s:
            self._speed_mm_s, self._since_mm = speed_mm_s, place_mm
        return bool(place_mm - self._since_mm >= STEADY_MM)
