"""Serial framing on the I/O side: requests cut out by their length and CRC, over a socket or a serial port.

Rules of this file: a frame whose CRC is wrong, or that is for another unit, is not answered; after one the input is
thrown away up to the next silence. On a serial port an answer takes the time that its characters take, so that a
simulated line is as slow as a real one, although a pseudo terminal passes bytes on at once.
"""

from __future__ import annotations

import asyncio
import os
import tty
from collections.abc import Callable, Iterator
from functools import partial

from serial import Serial

from controller.serial_line import SerialLine

POLYNOMIAL = 0xA001
_FIXED = dict.fromkeys((1, 2, 3, 4, 5, 6), 8) | {22: 10}
"""Function code → bytes of a whole request, where all have the same."""
_COUNTED = {15: 6, 16: 6, 23: 10}
"""Function code → where the byte that counts the rest stands."""
_LONGEST = 256


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

    def feed(self, data: bytes) -> Iterator[tuple[int, bytes]]:
        """Take bytes in; gives each whole request that is in order."""
        self._buffer += data
        while (length := self._length()) is not None and len(self._buffer) >= length:
            frame, self._buffer = self._buffer[:length], self._buffer[length:]
            if sealed(frame[:-2]) != frame:
                self.drop()  # nobody knows where the next one begins: a silence parts them
                return
            yield frame[0], frame[1:-2]

    def drop(self) -> None:
        """Throw away what is not whole."""
        self._buffer = b""

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

    def __init__(
        self, line: SerialLine, unit: int, answer: Callable[[bytes], bytes], fail: Callable[[Exception], None]
    ) -> None:
        self._line, self._unit, self._answer, self._fail = line, unit, answer, fail
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
            line = self._line
            self._port = Serial(path, line.baud, parity=line.parity[0].upper(), stopbits=line.stop_bits, timeout=0)
            self._fd, name = self._port.fileno(), path
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
        loop = asyncio.get_running_loop()
        for unit, pdu in self._cutter.feed(data):
            if unit == self._unit:
                # Taken up when its last character would have come, then a silence.
                due_s = loop.time() + self._line.frame_s(len(pdu)) + self._line.silence_s
                self._after(due_s, partial(self._take, pdu))

    def _take(self, pdu: bytes) -> None:
        try:
            answer = self._answer(pdu)
        except Exception as error:
            self._fail(error)
            return
        if not answer:
            return  # its cable is out
        frame = sealed(bytes([self._unit]) + answer)
        now_s = asyncio.get_running_loop().time()
        self._after(now_s + self._line.frame_s(len(answer)), partial(self._send, frame))

    def _send(self, frame: bytes) -> None:
        if self._fd >= 0:
            os.write(self._fd, frame)

    def _after(self, at_s: float, what: Callable[[], None]) -> None:
        def due() -> None:
            self._later.discard(handle)
            what()

        handle = asyncio.get_running_loop().call_at(at_s, due)
        self._later.add(handle)
