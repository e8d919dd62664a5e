"""A serial line by the Modbus rules: how long its frames take.

Source: MODBUS over Serial Line, Specification and Implementation Guide V1.02, section 2.5.1.1 (RTU framing), from
memory: 11 bits a character whatever the parity, 3.5 characters of silence before a frame, fixed at 1.75 ms above
19,200 baud.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import StrEnum

from controller.plain_points import PlainMap
from controller.points import PointMap, Request

BITS_A_CHARACTER = 11
SILENT_CHARACTERS = 3.5
FAST_BAUD = 19_200
FAST_SILENCE_S = 0.00175
_ADDRESS_AND_CRC = 3
"""Bytes of a frame round the function code and its data."""


class Parity(StrEnum):
    """How a character is guarded."""

    EVEN = "even"
    ODD = "odd"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class SerialLine:
    """How characters go over the line."""

    baud: int = 19_200
    parity: Parity = Parity.EVEN
    stop_bits: int = 1

    def at(self, path: str) -> SerialLine:
        """The same at a port: a pseudo terminal has no parity, and the system refuses to set any."""
        return replace(self, parity=Parity.NONE, stop_bits=1) if is_pseudo(path) else self

    def __str__(self) -> str:
        bits = "1 stop bit" if self.stop_bits == 1 else f"{self.stop_bits} stop bits"
        return f"{self.baud} baud, {'no' if self.parity is Parity.NONE else self.parity} parity, {bits}"

    def frame_s(self, pdu_bytes: int) -> float:
        """How long a frame takes on the wire, in s: its characters, without the silence before it."""
        return (_ADDRESS_AND_CRC + pdu_bytes) * BITS_A_CHARACTER / self.baud

    @property
    def silence_s(self) -> float:
        """The silence that parts two frames, in s."""
        return FAST_SILENCE_S if self.baud > FAST_BAUD else SILENT_CHARACTERS * BITS_A_CHARACTER / self.baud

    def turn_s(self, asked_bytes: int, answered_bytes: int) -> float:
        """One question and its answer, in s, each with the silence that ends it; the device takes no time at all."""
        return self.frame_s(asked_bytes) + self.frame_s(answered_bytes) + 2.0 * self.silence_s


def least_exchange_s(line: SerialLine, points: PointMap, function_23: bool) -> float:
    """The least that a whole exchange takes on a serial line, in s, by the points' own requests."""
    writes, reads = list(points.write_plan), list(points.read_plan)
    both_s = 0.0
    if function_23:
        write, read = writes.pop(), reads.pop(0)
        both_s = line.turn_s(10 + _data(write), 2 + _data(read))
    return both_s + _turns_s(line, reads, writes)


def least_plain_exchange_s(line: SerialLine, points: PlainMap) -> float:
    """The least that an exchange with a plain device takes on a serial line, in s: inputs, then outputs."""
    writes = list(points.steady_plan)
    if not writes:
        trigger = points.trigger(0)
        writes = [Request(trigger.table, trigger.address, 1)]
    return _turns_s(line, points.read_plan, writes)


def _turns_s(line: SerialLine, reads: Iterable[Request], writes: Iterable[Request]) -> float:
    turns = [(5, 2 + _data(read)) for read in reads] + [(6 + _data(write), 5) for write in writes]
    return sum(line.turn_s(*turn) for turn in turns)


def _data(request: Request) -> int:
    return (request.count + 7) // 8 if request.table.of_bits else 2 * request.count


def place_text(host: str, port: int) -> str:
    """An I/O side's place as people write it: host and port, or the serial port's own name."""
    return host if is_serial(host) else f"{host}:{port}"


def is_serial(host: str) -> bool:
    """Whether a place is a serial port of this computer: it is named by a path."""
    return host.startswith("/")


def same_port(path: str) -> str:
    """The one name of a serial port that it has whichever of its names is given."""
    return os.path.realpath(path)


def is_pseudo(host: str) -> bool:
    """Whether a serial port leads to another program of this computer, and to no device."""
    return is_serial(host) and same_port(host).startswith("/dev/pts/")
