"""One way to several I/O sides: the units behind a gateway or on a serial bus, each a line of its own.

Rules of this file: one exchange at a time, first come, first served; an exchange that has begun is never cancelled. The
wait for the turn is part of the exchange of the line that waits; `sent_ns` is when its request really left.
"""

from __future__ import annotations

import asyncio

from controller.ports import FieldLink
from controller.registers import Command, Status


class Bus:
    """What the links of one connection share: the turn, and whether the connection is open."""

    def __init__(self) -> None:
        self.turn = asyncio.Lock()
        """Given in the order in which it was asked for."""
        self.open = False
        self.users: set[SharedLink] = set()


class SharedLink:
    """A `FieldLink` that goes through a connection which others use too; the links under one bus share theirs."""

    def __init__(self, link: FieldLink, bus: Bus) -> None:
        self._link, self._bus = link, bus

    @property
    def sent_ns(self) -> int:
        """When the last exchange's first request left, in monotonic ns."""
        return self._link.sent_ns

    async def connect(self) -> None:
        """Open the connection, if it is not open for others. Raises LinkError when it cannot be reached."""
        async with self._bus.turn:
            if not self._bus.open:
                await self._link.connect()
                self._bus.open = True
            self._bus.users.add(self)

    async def exchange(self, command: Command) -> Status:
        """Wait for the turn, write the whole command and read the whole status. Raises LinkError and is then closed."""
        async with self._bus.turn:
            self._bus.open = False  # what fails closes the connection, for all
            status = await self._link.exchange(command)
            self._bus.open = True
            return status

    async def close(self) -> None:
        """Let the connection go; it is closed with the last that uses it."""
        async with self._bus.turn:
            self._bus.users.discard(self)
            if not self._bus.users:
                await self._link.close()
                self._bus.open = False
