"""One connection of the plant's Modbus server: however its bytes come in pieces, every frame is answered in order."""

from __future__ import annotations

import asyncio
import itertools
import struct
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from controller.modbus_pdu import framed
from controller.plant.modbus.connection import Connection
from controller.plant.modbus.identification import OBJECTS, identify


class Wire(asyncio.Transport):
    """Keeps what is written, as the network would."""

    def __init__(self) -> None:
        super().__init__()
        self.sent = b""
        self.closed = False
        self.reading = True

    def get_extra_info(self, name: str, default: Any = None) -> Any:
        return ("::ffff:192.0.2.9", 5000, 0, 0) if name == "peername" else Socket()

    def write(self, data: Any) -> None:
        self.sent += bytes(data)

    def close(self) -> None:
        self.closed = True

    def abort(self) -> None:
        self.closed = True

    def is_closing(self) -> bool:
        return self.closed

    def pause_reading(self) -> None:
        self.reading = False

    def resume_reading(self) -> None:
        self.reading = True

    def set_write_buffer_limits(self, high: int | None = None, low: int | None = None) -> None:
        pass


class Socket:
    def setsockopt(self, *_: int) -> None:
        pass


class Echo:
    """Answers every request with itself."""

    def __init__(self) -> None:
        self.refusals: list[str] = []

    def admit(self, connection: Connection) -> bool:
        return True

    def leave(self, connection: Connection) -> None:
        pass

    def answer(self, connection: Connection, unit: int, pdu: bytes) -> bytes:
        return pdu

    def refused(self, why: str, connection: Connection) -> None:
        self.refusals.append(why)


def heard(*chunks: bytes) -> tuple[Wire, Echo, Connection]:
    """What a connection does with bytes that come so, cut further where its own buffer is full."""

    async def run() -> tuple[Wire, Echo, Connection]:
        wire, house = Wire(), Echo()
        connection = Connection(house)
        connection.connection_made(wire)
        for chunk in chunks:
            rest = chunk
            while rest and not wire.closed:
                place = connection.get_buffer(-1)
                size = min(len(place), len(rest))
                assert size > 0
                place[:size] = rest[:size]
                rest = rest[size:]
                connection.buffer_updated(size)
        return wire, house, connection

    return asyncio.run(run())


frames = st.builds(
    framed, st.integers(0, 0xFFFF), st.integers(0, 255), st.binary(min_size=1, max_size=253)
)  # fmt: skip


def cut(data: bytes, places: list[int]) -> list[bytes]:
    edges = [0, *sorted(place % (len(data) + 1) for place in places), len(data)]
    return [data[a:b] for a, b in itertools.pairwise(edges)]


@given(st.lists(frames, max_size=12), st.lists(st.integers(0, 1 << 16), max_size=12))
def test_every_frame_is_answered_once_and_in_order_however_it_is_cut(sent: list[bytes], places: list[int]) -> None:
    wire, house, _ = heard(*cut(b"".join(sent), places))
    assert wire.sent == b"".join(sent)
    assert not wire.closed
    assert house.refusals == []


@given(st.lists(frames, max_size=4), st.integers(0, 0xFFFF), st.integers(0, 0xFFFF), st.lists(st.integers(0, 1 << 16)))
def test_what_begins_no_frame_ends_the_connection_after_the_answers_to_what_came_before(
    sent: list[bytes], protocol: int, length: int, places: list[int]
) -> None:
    bad = struct.pack(">HHH", 1, protocol, length)
    good = protocol == 0 and 2 <= length <= 254
    wire, house, _ = heard(*cut(b"".join(sent) + bad, places))
    assert wire.sent == b"".join(sent)
    assert wire.closed is not good
    assert house.refusals == ([] if good else ["no Modbus frame"])


@given(st.binary(max_size=2000), st.lists(st.integers(0, 1 << 16), max_size=8))
def test_no_bytes_whatever_raise(data: bytes, places: list[int]) -> None:
    wire, _, connection = heard(*cut(data, places))
    assert wire.closed or len(connection.get_buffer(-1)) >= 260


def test_a_mapped_address_is_that_of_its_client() -> None:
    _, _, connection = heard(b"")
    assert connection.client == "192.0.2.9"


async def test_a_client_that_takes_no_answers_is_not_read_from_until_it_does() -> None:
    wire = Wire()
    connection = Connection(Echo())
    connection.connection_made(wire)
    connection.pause_writing()
    assert not wire.reading
    assert connection.full_since_s is not None
    connection.resume_writing()
    assert wire.reading
    assert connection.full_since_s is None


def test_who_answers_is_said_in_the_basic_objects() -> None:
    # MODBUS Application Protocol V1.1b3, section 6.21, from memory.
    head = bytes.fromhex("2B 0E 01 81 00 00 03")
    objects = b"".join(bytes((n, len(value))) + value for n, value in enumerate(OBJECTS))
    assert identify(bytes.fromhex("2B 0E 01 00")) == head + objects
    assert identify(bytes.fromhex("2B 0E 03 09")) == b"\x2b\x0e\x03" + head[3:] + objects
    assert identify(bytes.fromhex("2B 0E 01 02"))[6:8] == bytes((1, 2))
    assert identify(bytes.fromhex("2B 0E 04 00")) == bytes.fromhex("2B 0E 04 81 00 00 01 00 07") + b"beltcue"
    assert identify(bytes.fromhex("2B 0E 04 03")) == bytes.fromhex("AB 02")
    assert identify(bytes.fromhex("2B 0E 05 00")) == bytes.fromhex("AB 03")
    assert identify(bytes.fromhex("2B 0E 01")) == bytes.fromhex("AB 03")
    assert identify(bytes.fromhex("2B 0D 01 00")) == bytes.fromhex("AB 01")
    assert identify(bytes.fromhex("2B")) == bytes.fromhex("AB 01")
