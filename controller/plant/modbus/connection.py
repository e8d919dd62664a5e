"""One client's connection: its bytes cut into requests, each answered in its turn.

Rules of this file: what one client can make us do or keep is bounded. It brings at most one small buffer of requests
before others get their turn; while it does not take its answers, nothing more is read from it. What begins no frame
ends the connection, after the answers to what came before it.
"""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import socket
from typing import Protocol

from controller.modbus_pdu import HEADER, LONGEST_FRAME, FrameError, frame_end, framed

_BUFFER_BYTES = 2 * LONGEST_FRAME
"""Some 40 requests a turn."""
_UNSENT_BYTES = 4096
_KERNEL_BYTES = 32_768
_PROBE_AFTER_S, _PROBE_EVERY_S, _PROBES = 10, 5, 3
"""TCP keepalive: a client whose cable is out is noticed within 25 s, also by itself."""


class House(Protocol):
    """What a connection belongs to."""

    def admit(self, connection: Connection) -> bool:
        """Whether there is place for it."""
        ...

    def leave(self, connection: Connection) -> None:
        """It has ended."""
        ...

    def answer(self, connection: Connection, unit: int, pdu: bytes) -> bytes:
        """Answer one request."""
        ...

    def refused(self, why: str, connection: Connection) -> None:
        """Tell of something refused."""
        ...


class Connection(asyncio.BufferedProtocol):
    """One client. Times are those of the loop's clock, in s."""

    def __init__(self, house: House) -> None:
        self._house = house
        self._loop = asyncio.get_running_loop()
        self._buffer = bytearray(_BUFFER_BYTES)
        self._filled = 0
        self._transport: asyncio.Transport | None = None
        self.client = ""
        self.asked = False
        """Whether it has ever brought a whole request."""
        self.last_s = self._loop.time()
        """When it brought its last request; before that, when it came."""
        self.full_since_s: float | None = None
        """Since when it has not taken its answers."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Let it in or send it away."""
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        self.client = _plain_address(transport.get_extra_info("peername"))
        if not self._house.admit(self):
            transport.abort()
            return
        transport.set_write_buffer_limits(high=_UNSENT_BYTES)
        own: socket.socket = transport.get_extra_info("socket")
        for level, option, value in (
            (socket.SOL_SOCKET, socket.SO_SNDBUF, _KERNEL_BYTES),
            (socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1),
            (socket.IPPROTO_TCP, socket.TCP_KEEPIDLE, _PROBE_AFTER_S),
            (socket.IPPROTO_TCP, socket.TCP_KEEPINTVL, _PROBE_EVERY_S),
            (socket.IPPROTO_TCP, socket.TCP_KEEPCNT, _PROBES),
        ):
            with contextlib.suppress(OSError):  # it may be gone by now
                own.setsockopt(level, option, value)

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002
        """It has ended, however."""
        self._transport = None
        self._house.leave(self)

    def get_buffer(self, sizehint: int) -> memoryview:  # noqa: ARG002
        """Where the next bytes go. A whole frame always fits, so there is always place."""
        return memoryview(self._buffer)[self._filled :]

    def buffer_updated(self, nbytes: int) -> None:
        """Answer what is whole."""
        self._filled += nbytes
        self._work()

    def pause_writing(self) -> None:
        """It does not take its answers: take no more requests."""
        self.full_since_s = self._loop.time()
        if self._transport is not None:
            self._transport.pause_reading()

    def resume_writing(self) -> None:
        """It has taken them."""
        self.full_since_s = None
        if self._transport is not None and not self._transport.is_closing():
            self._transport.resume_reading()

    def end(self) -> None:
        """End it at once."""
        if self._transport is not None:
            self._transport.abort()

    def _work(self) -> None:
        transport = self._transport
        if transport is None or transport.is_closing():
            return
        answers, start, broken = bytearray(), 0, False
        try:
            while (end := frame_end(self._buffer, start, self._filled)) is not None:
                transaction, _, _, unit = HEADER.unpack_from(self._buffer, start)
                pdu = bytes(self._buffer[start + HEADER.size : end])
                answers += framed(transaction, unit, self._house.answer(self, unit, pdu))
                start = end
        except FrameError:
            broken = True
        if start:
            self.asked, self.last_s = True, self._loop.time()
            self._buffer[: self._filled - start] = self._buffer[start : self._filled]
            self._filled -= start
        if answers:
            transport.write(answers)
        if broken:
            self._house.refused("no Modbus frame", self)
            transport.close()


def _plain_address(peer: object) -> str:
    """The client's address as it stands in a list of addresses."""
    if not isinstance(peer, tuple):
        return ""
    address = ipaddress.ip_address(str(peer[0]).partition("%")[0])
    mapped = address.ipv4_mapped if isinstance(address, ipaddress.IPv6Address) else None
    return str(mapped or address)
