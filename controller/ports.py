"""The narrow ports between the loop and the world. Real, simulated and test things are siblings behind them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from controller.events import Event
from controller.registers import Command, Status


class LinkError(Exception):
    """An exchange with the I/O side failed; the text says what and how to mend it, in one line."""


class WrongPointsError(LinkError):
    """The I/O side answers, and its points are not as the line's file says; trying on will not mend it."""


class FieldLink(Protocol):
    """The way to the I/O side. One task owns it; its exchanges are never cancelled half-way."""

    @property
    def sent_ns(self) -> int:
        """When the last exchange's first request left, in monotonic ns; 0 before the first."""
        ...

    async def connect(self) -> None:
        """Open the connection. Raises LinkError when the I/O side cannot be reached."""
        ...

    async def exchange(self, command: Command) -> Status:
        """Write the whole command block, then read the whole status block. Raises LinkError."""
        ...

    async def close(self) -> None:
        """Close the connection; harmless when it is not open."""
        ...


class Recorder(Protocol):
    """Where a scan's events go to be kept. `put` never waits and never raises."""

    def put(self, events: Sequence[Event]) -> None:
        """Take events over for keeping."""
        ...

    @property
    def ok(self) -> bool:
        """Whether everything put so far is kept or on its way, with no write refused."""
        ...
