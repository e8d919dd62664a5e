"""What goes between the lines' process and the plant's: frames of a length and a text or object, one after another.

Down come pickled objects, from a parent that the child trusts wholly; up goes JSON, which can do no more than ask.
"""

from __future__ import annotations

import asyncio
import json
import pickle
import struct
from dataclasses import dataclass
from typing import Any

from controller.model import Refusal
from controller.plant.image import LineImage, LinePlan

_LENGTH = struct.Struct("!I")
MOST_UP_BYTES = 1 << 16
"""A message from the plant's process is never longer."""


@dataclass(frozen=True, slots=True)
class Plans:
    """The first message down: what is to be served."""

    plans: tuple[LinePlan, ...]


@dataclass(frozen=True, slots=True)
class Images:
    """The lines as they are now."""

    images: tuple[LineImage, ...]


@dataclass(frozen=True, slots=True)
class Answer:
    """The answer to the call of that number."""

    number: int
    accepted: bool
    reason: str
    kind: Refusal | None


Down = Plans | Images | Answer


def down_frame(message: Down) -> bytes:
    """One message to the plant's process."""
    return _framed(pickle.dumps(message, protocol=pickle.HIGHEST_PROTOCOL))


def up_frame(message: dict[str, Any]) -> bytes:
    """One message to the lines' process."""
    return _framed(json.dumps(message, ensure_ascii=False).encode())


async def read_down(reader: asyncio.StreamReader) -> Down | None:
    """The next message from the lines' process; None when that has ended."""
    raw = await _read(reader, None)
    return None if raw is None else pickle.loads(raw)


async def read_up(reader: asyncio.StreamReader) -> dict[str, Any] | None:
    """The next message from the plant's process; None when that has ended. Raises ValueError for what is none."""
    raw = await _read(reader, MOST_UP_BYTES)
    if raw is None:
        return None
    message = json.loads(raw)
    if not isinstance(message, dict):
        raise ValueError("no JSON object")
    return message


def _framed(raw: bytes) -> bytes:
    return _LENGTH.pack(len(raw)) + raw


async def _read(reader: asyncio.StreamReader, most: int | None) -> bytes | None:
    try:
        (length,) = _LENGTH.unpack(await reader.readexactly(_LENGTH.size))
        if most is not None and length > most:
            raise ValueError(f"a message of {length} bytes")
        return await reader.readexactly(length)
    except (asyncio.IncompleteReadError, ConnectionError):
        return None
