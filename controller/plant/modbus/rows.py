"""What a row of the map is, and how its value becomes registers.

Rules of this file: nothing here raises for a value. What does not fit saturates at the end of its type's range, except
sums and places, which wrap as their meaning says, so that differences stay right. 32 bits have the high word first.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum

from controller.plant.image import LineAbout, LineImage, LinkTiming
from controller.plant.modbus.commands import Taken
from controller.snapshot import Snapshot


class Kind(StrEnum):
    """The types of the map's values."""

    U16 = "u16"
    I16 = "i16"
    U32 = "u32"
    I32 = "i32"
    TEXT = "text"
    """UTF-8, two bytes a register, the first in the upper half, filled up with zeros."""


_RANGE = {
    Kind.U16: (0, 0xFFFF),
    Kind.I16: (-0x8000, 0x7FFF),
    Kind.U32: (0, 0xFFFF_FFFF),
    Kind.I32: (-0x8000_0000, 0x7FFF_FFFF),
}
_WORDS = {Kind.U16: 1, Kind.I16: 1, Kind.U32: 2, Kind.I32: 2}


@dataclass(frozen=True, slots=True)
class Shown:
    """One line as it is shown at an instant: its newest image, how old that is, and its last command.

    Ages in ns, None: never. `image` is None before the first one came.
    """

    about: LineAbout
    image: LineImage | None
    heartbeat: int
    image_age_ns: int | None
    status_age_ns: int | None
    controller_silent: bool
    io_silent: bool
    command: Taken

    @property
    def stale(self) -> bool:
        """Whether the values are older than they may be."""
        return self.controller_silent or self.io_silent


Take = Callable[[Shown], float | str | None]
"""A row's value, in its unit; None: there is none, which an age shows as its greatest value and all else as 0."""


@dataclass(frozen=True, slots=True)
class Row:
    """One value of the register map. `scale` is the unit's amount that one digit stands for."""

    address: int
    name: str
    kind: Kind
    unit: str
    meaning: str
    take: Take = field(repr=False)
    scale: float = 1.0
    wraps: bool = False
    none_is_most: bool = False
    """Whether a value that there is not is shown as the greatest one."""
    text_words: int = 0
    writable: bool = False

    @property
    def words(self) -> int:
        """How many registers it takes."""
        return self.text_words if self.kind is Kind.TEXT else _WORDS[self.kind]

    def registers(self, shown: Shown) -> list[int]:
        """The value as registers."""
        value = self.take(shown)
        if self.kind is Kind.TEXT:
            return _text_words(str(value or ""), self.text_words)
        least, most = _RANGE[self.kind]
        figure = math.nan if value is None else float(value) / self.scale
        if math.isinf(figure):
            raw = most if figure > 0 else least
        elif math.isnan(figure):
            raw = most if self.none_is_most else 0
        else:
            raw = round(figure)
        if not self.wraps:
            raw = min(max(raw, least), most)
        if self.words == 1:
            return [raw & 0xFFFF]
        return [raw >> 16 & 0xFFFF, raw & 0xFFFF]


@dataclass(frozen=True, slots=True)
class Bit:
    """One bit of the bit map."""

    address: int
    name: str
    meaning: str
    take: Callable[[Shown], bool] = field(repr=False)


def _text_words(text: str, words: int) -> list[int]:
    raw = text.encode()[: 2 * words].decode(errors="ignore").encode()  # no character is cut in two
    raw = raw.ljust(2 * words, b"\0")
    return [raw[i] << 8 | raw[i + 1] for i in range(0, 2 * words, 2)]


def of_snapshot(get: Callable[[Snapshot], float | str | None]) -> Take:
    """A row that comes from the line's snapshot."""
    return lambda shown: None if shown.image is None else get(shown.image.snapshot)


def of_timing(get: Callable[[LinkTiming], float]) -> Take:
    """A row that comes from how the line keeps its time."""
    return lambda shown: None if shown.image is None else get(shown.image.timing)
