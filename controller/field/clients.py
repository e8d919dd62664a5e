"""The library's clients as a connection wants them: over Ethernet, or over a serial line.

Rules of this file: nothing is retried and nothing reconnects by itself; the library says nothing in words of its own.
"""

from __future__ import annotations

import logging
import termios
from collections.abc import Callable
from enum import StrEnum

from pymodbus import FramerType
from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient
from pymodbus.exceptions import ModbusException
from serial import Serial

from controller.field.answers import decode_whole
from controller.serial_line import SerialLine

Client = AsyncModbusTcpClient | AsyncModbusSerialClient
Told = Callable[[bool], None]
"""Called when a client is connected (True), or is not any more (False)."""

# What goes wrong is told once, by LinkError; the library would print it a second time in words of its own.
logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL)


class Framing(StrEnum):
    """How requests and answers are parted over Ethernet: by their header, or by length and CRC as on a serial line."""

    TCP = "tcp"
    RTU = "rtu"


def tcp_client(host: str, port: int, framing: Framing, timeout_s: float, told: Told) -> Client:
    """Make a client that goes over Ethernet; it is not connected yet."""
    client = AsyncModbusTcpClient(
        host,
        port=port,
        framer=FramerType.RTU if framing is Framing.RTU else FramerType.SOCKET,
        timeout=timeout_s,
        retries=0,
        reconnect_delay=0,
        trace_connect=told,
    )
    return _prepared(client)


def serial_client(path: str, line: SerialLine, timeout_s: float, told: Told) -> Client:
    """Make a client that goes over a serial line; it is not connected yet. Raises OSError when the port is no good."""
    try:
        # The library says only that it could not; the system says why.
        Serial(path, exclusive=True).close()
    except termios.error as error:
        raise OSError(*error.args) from None
    client = AsyncModbusSerialClient(
        path,
        framer=FramerType.RTU,
        baudrate=line.baud,
        parity=line.parity[0].upper(),
        stopbits=line.stop_bits,
        timeout=timeout_s,
        retries=0,
        reconnect_delay=0,
        trace_connect=told,
    )
    return _prepared(client)


def _prepared(client: Client) -> Client:
    decode_whole(client)
    take = client.ctx.callback_data

    def take_what_can_be_read(data: bytes, addr: tuple[str, int] | None = None) -> int:
        try:
            return take(data, addr)
        except ModbusException:
            # As good as no answer. Further up it would end the library's reader, with a traceback on the screen.
            return len(data)

    client.ctx.callback_data = take_what_can_be_read  # type: ignore[method-assign]
    return client


async def connected(client: Client) -> bool:
    """Connect; whether it could."""
    try:
        if not await client.connect():
            return False
    except termios.error:
        return False
    # An exchange has one time limit, its own; the library's for each request costs as much again as the request.
    client.ctx.comm_params.timeout_connect = None  # type: ignore[assignment]
    return True
