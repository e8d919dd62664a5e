"""Where clients come in: how many, for how long, and what is served to each.

Rules of this file: a client that is there and asks is never put out for another. Where all places are taken, the one
that has waited longest without ever asking gives its own to the newcomer; where all have asked, the newcomer goes.
"""

from __future__ import annotations

import asyncio
import errno
import os
import socket
from collections.abc import Callable

from controller.plant.image import Desk, PlantError
from controller.plant.modbus.connection import Connection

Ask = Callable[[Connection, int, bytes], bytes]
"""Connection, unit and request → the answer."""

UNREAD_S = 5.0
"""A client that has not taken its answers for so long is cut off."""
_SWEEP_S = 0.5
_A_TURN = 2
"""So many are let in before others get their turn: the newest must be able to ask before it is the oldest."""
_BACKLOG = 64
"""So many more wait in the system for their turn."""
_MENDS = {
    errno.EADDRINUSE: "stop what uses it or choose another port",
    errno.EACCES: "ports below 1024 need a permission (CAP_NET_BIND_SERVICE); give it or choose a port above",
    errno.EADDRNOTAVAIL: 'write an address of this computer, or "0.0.0.0" for all of them',
}


class Listener:
    """Listens at one address; `answer` is asked for every request, whoever it comes from."""

    def __init__(self, answer: Ask, left: Callable[[Connection], None], desk: Desk, most: int, idle_s: float) -> None:
        """`most` connections at once, each silent for at most `idle_s`; `left` is told of each that has ended."""
        self._answer, self._left, self._desk = answer, left, desk
        self._most, self._idle_s = most, idle_s
        self._connections: set[Connection] = set()
        self._all_gone = asyncio.Event()
        self._server: asyncio.Server | None = None
        self._timer: asyncio.TimerHandle | None = None
        self.port = 0

    async def open(self, host: str, port: int) -> None:
        """Begin to listen; port 0: any free one, then in `port`. Raises PlantError, one line."""
        loop = asyncio.get_running_loop()
        try:
            self._server = await loop.create_server(lambda: Connection(self), host, port, backlog=_A_TURN)
        except OSError as error:
            number = None if isinstance(error, socket.gaierror) else error.errno
            why = os.strerror(number) if number else f"{host} is not known"
            mend = _MENDS.get(number or errno.EADDRNOTAVAIL, "choose another address")
            raise PlantError(f"plant.modbus.address: cannot listen at {host}:{port}: {why}; {mend}") from None
        for listening in self._server.sockets:
            # asyncio has one number for both.
            with socket.fromfd(listening.fileno(), listening.family, listening.type) as same:
                same.listen(_BACKLOG)
        self.port = self._server.sockets[0].getsockname()[1]
        self._sweep()

    async def close(self) -> None:
        """Stop listening and end every connection; harmless when it is not open."""
        server, self._server = self._server, None
        if server is None:
            return
        if self._timer is not None:
            self._timer.cancel()
        server.close()
        for connection in list(self._connections):
            connection.end()
        if self._connections:
            self._all_gone.clear()
            await self._all_gone.wait()
        await server.wait_closed()

    def admit(self, connection: Connection) -> bool:
        """Whether there is place for it, made free if need be."""
        if self._server is None:
            return False  # it came in as the door was closed
        if len(self._connections) >= self._most:
            waiting = [each for each in self._connections if not each.asked]
            out = min(waiting, key=lambda each: each.last_s) if waiting else connection
            self.refused("too many connections", out)
            if out is connection:
                return False
            self._connections.discard(out)
            out.end()
        self._connections.add(connection)
        return True

    def leave(self, connection: Connection) -> None:
        """It has ended."""
        self._connections.discard(connection)
        self._left(connection)
        if not self._connections:
            self._all_gone.set()

    def answer(self, connection: Connection, unit: int, pdu: bytes) -> bytes:
        """Answer one request."""
        return self._answer(connection, unit, pdu)

    def refused(self, why: str, connection: Connection) -> None:
        """Count and log something refused."""
        self._desk.refused(why, client=connection.client)

    def _sweep(self) -> None:
        """End those that are silent, and those that do not take their answers."""
        loop = asyncio.get_running_loop()
        now_s = loop.time()
        for connection in list(self._connections):
            if connection.full_since_s is not None and now_s - connection.full_since_s > UNREAD_S:
                self.refused("answers not taken", connection)
                connection.end()
            elif now_s - connection.last_s > self._idle_s:
                connection.end()
        self._timer = loop.call_later(min(_SWEEP_S, self._idle_s / 4), self._sweep)
