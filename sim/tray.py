"""The tray of scrap beside a simulated line: where a person with a ruler finds each mark, as a trial's CSV file."""

from __future__ import annotations

import random
from typing import Any, Final, TextIO

from controller.units import Display, to_unit

STEP_MM: Final = 0.1
"""What a steel rule is read to."""
READING_SD_MM: Final = 0.1
"""How well a person reads it."""


class Tray:
    """Writes a row for each mark on a product: the drive's displayed speed as it was made, and its place."""

    def __init__(self, file: TextIO, display: Display, seed: int) -> None:
        """Write the header of the columns to an open file, in the line's units."""
        self._file, self._display = file, display
        self._chance = random.Random(f"{seed}/tray")
        print(f"speed [{display.speed_unit}],position [{display.length_unit}]", file=file, flush=True)

    def tell(self, item: dict[str, Any]) -> None:
        """Take an item of the truth; what is no mark on a product is left out."""
        mark = item.get("mark")
        if mark is None or mark["from_lead_mm"] is None:
            return
        place_mm = round(self._chance.gauss(mark["from_lead_mm"], READING_SD_MM) / STEP_MM) * STEP_MM
        speed = to_unit(mark["truth"]["speed_mm_s"], self._display.speed_unit)
        digits = 1 if self._display.length_unit == "mm" else 3
        place = to_unit(place_mm, self._display.length_unit)
        print(f"{speed:.1f},{place:.{digits}f}", file=self._file, flush=True)
