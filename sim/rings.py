"""The rings of the field block: the last eight events, and how many there have been since boot."""

from __future__ import annotations

from typing import Generic, TypeVar

from controller.registers import RING_SIZE

Entry = TypeVar("Entry")


class Ring(Generic[Entry]):
    """A ring whose event n, counted from 1, stands at index (n − 1) mod 8; `total` wraps at 16 bit."""

    __slots__ = ("_empty", "entries", "total")

    def __init__(self, empty: Entry) -> None:
        self._empty = empty
        self.clear()

    def clear(self) -> None:
        """Begin anew, as after a restart."""
        self.entries: tuple[Entry, ...] = (self._empty,) * RING_SIZE
        self.total = 0

    def put(self, entry: Entry) -> None:
        """Add an event in the place of the oldest."""
        at = self.total % RING_SIZE
        self.entries = (*self.entries[:at], entry, *self.entries[at + 1 :])
        self.total = (self.total + 1) & 0xFFFF
