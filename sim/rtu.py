"""Serial framing on the I/O side: requests cut out by their length and CRC, over a socket or a serial port.

Rules of this file: a frame whose CRC is wrong, or that is for a unit which is not here or for all of them, is not
answered. What is left of a broken frame is thrown away: at once where its CRC is wrong, else after a silence. On a
pseudo terminal a request and its answer take the time that their characters take, so that a simulated line is as slow
as a real one, although bytes pass at once; a real port takes that time by itself.
"""

from __future__ import annotations

import asyncio
import os
import termios
import tty
from collections.abc import Callable, Iterator
from functools import partial

from serial import Serial

from controller.serial_line import SerialLine, is_pseudo

POLYNOMIAL = 0xA001
_FIXED = dict.fromkeys((1, 2, 3, 4, 5, 6), 8) | {22: 10}
"""Function code → bytes of a whole request, where all have the same."""
_COUNTED = {15: 6, 16: 6, 23: 10}
"""Function code → where the byte that counts the rest stands."""
_LONGEST = 256
RESYNC_S = 0.02
"""So long a silence ends a frame that is not whole: not 1.5 characters, since adapters and networks pause longer."""

Answer = Callable[[int, bytes], bytes | None]
"""Unit and request → the answer; None: the unit is not here, or its cable is out."""


def crc16(data: bytes) -> int:
    """The CRC of a serial frame. Source: MODBUS over Serial Line V1.02, section 6.2.2 (preset FFFFh, A001h)."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ POLYNOMIAL if crc & 1 else crc >> 1
    return crc


def sealed(frame: bytes) -> bytes:
    """A frame with its CRC, low byte first."""
    return frame + crc16(frame).to_bytes(2, "little")


class Cutter:
    """Cuts a stream of bytes into requests: unit and function code with its data."""

    def __init__(self) -> None:
        self._buffer = b""
        self._fed_s = 0.0

    def feed(self, data: bytes, at_s: float) -> Iterator[tuple[int, bytes]]:
        """Take in the bytes that came at a time; gives each whole request that is in order."""
        if at_s - self._fed_s > RESYNC_S:
            self._buffer = b""
        self._fed_s = at_s
        self._buffer += data
        while (length := self._length()) is not None and len(self._buffer) >= length:
            frame, self._buffer = self._buffer[:length], self._buffer[length:]
            if sealed(frame[:-2]) != frame:
                self._buffer = b""  # nobody knows where the next one begins
                return
            yield frame[0], frame[1:-2]

    def _length(self) -> int | None:
        """How long the request at hand is; None while that cannot be known."""
        buffer = self._buffer
        if len(buffer) < 2:
            return None
        fixed = _FIXED.get(buffer[1])
        if fixed is not None:
            return fixed
        counted = _COUNTED.get(buffer[1])
        if counted is None:
            # Unknown functions are answered as such; all that is there is taken for the request.
            return len(buffer) if sealed(buffer[:-2]) == buffer else _LONGEST
        return None if len(buffer) <= counted else counted + 1 + buffer[counted] + 2


class SerialSide:
    """A serial port that is served: a real one by its path, or one end of a new pseudo terminal pair."""

    def __init__(self, line: SerialLine, answer: Answer, fail: Callable[[Exception], None]) -> None:
        self._line, self._answer, self._fail = line, answer, fail
        self._slow = True
        self._taken_s = 0.0
        self._cutter = Cutter()
        self._fd = -1
        self._port: Serial | None = None
        self._slave = -1
        self._later: set[asyncio.TimerHandle] = set()

    def open(self, path: str | None) -> str:
        """Open the port at `path`, or make a pair (None); the path for the controller. Raises OSError."""
        if path is None:
            self._fd, self._slave = os.openpty()
            # Bytes as they are; held open here, so that the pair outlives a controller that comes and goes.
            tty.setraw(self._slave)
            name = os.ttyname(self._slave)
            os.set_blocking(self._fd, False)
        else:
            line = self._line.at(path)
            try:
                self._port = Serial(path, line.baud, parity=line.parity[0].upper(), stopbits=line.stop_bits, timeout=0)
            except termios.error as error:
                raise OSError(*error.args) from None
            self._fd, name = self._port.fileno(), path
            self._slow = is_pseudo(path)
        asyncio.get_running_loop().add_reader(self._fd, self._read)
        return name

    def close(self) -> None:
        """Let the port go."""
        for handle in self._later:
            handle.cancel()
        if self._fd < 0:
            return
        asyncio.get_running_loop().remove_reader(self._fd)
        if self._port is not None:
            self._port.close()
        else:
            os.close(self._fd)
            os.close(self._slave)
        self._fd = -1

    def _read(self) -> None:
        try:
            data = os.read(self._fd, 4096)
        except BlockingIOError:
            return
        except OSError as error:
            self._fail(error)
            return
        now_s = asyncio.get_running_loop().time()
        for unit, pdu in self._cutter.feed(data, now_s):
            # Taken up when its last character would have come, after those before it, then a silence.
            self._taken_s = max(now_s, self._taken_s) + self._characters_s(pdu) + self._line.silence_s
            self._after(self._taken_s, partial(self._take, unit, pdu))

    def _characters_s(self, pdu: bytes) -> float:
        """How long a frame's characters still take, in s, when its bytes are passed on."""
        return self._line.frame_s(len(pdu)) if self._slow else 0.0

    def _take(self, unit: int, pdu: bytes) -> None:
        try:
            answer = self._answer(unit, pdu)
        except Exception as error:
            self._fail(error)
            return
        if answer is not None:
            due_s = asyncio.get_running_loop().time() + self._characters_s(answer)
            self._after(due_s, partial(self._send, sealed(bytes([unit]) + answer)))

    def _send(self, frame: bytes) -> None:
        try:
            os.write(self._fd, frame)
        except BlockingIOError:
            pass  # nobody reads, and the line holds no more
        except OSError as error:
            self._fail(error)

    def _after(self, at_s: float, what: Callable[[], None]) -> None:
        def due() -> None:
            self._later.discard(handle)
            what()

        handle = asyncio.get_running_loop().call_at(at_s, due)
        self._later.add(handle)
