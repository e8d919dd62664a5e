"""CRC-16/MODBUS and the time of frames, against values from outside.

Sources: the CRC catalogue's check value for CRC-16/MODBUS ("123456789" gives 4B37h); MODBUS over Serial Line V1.02,
Figure 30 (02 07 gives 1241h; the input pair from memory); frames of public Modbus conformance tests.
"""

from __future__ import annotations

import pytest
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU

from controller.serial_line import SerialLine
from sim.rtu import Cutter, crc16, sealed

VECTORS = [
    (b"123456789", 0x4B37),
    (bytes.fromhex("01030000000A"), 0xCDC5),
    (bytes.fromhex("0207"), 0x1241),
    (bytes.fromhex("1103006B0003"), 0x8776),
    (bytes.fromhex("110100130025"), 0x840E),
    (bytes.fromhex("110500ACFF00"), 0x8B4E),
    (bytes.fromhex("11100001000204000A0102"), 0xF0C6),
]


@pytest.mark.parametrize(("data", "crc"), VECTORS)
def test_our_crc_and_the_librarys_are_the_published_ones(data: bytes, crc: int) -> None:
    assert crc16(data) == crc
    # The library gives it with the bytes as they go over the wire.
    assert FramerRTU.compute_CRC(data) == int.from_bytes(crc.to_bytes(2, "little"), "big")
    assert sealed(data) == data + bytes((crc & 0xFF, crc >> 8))
    # As our requests are framed: unit, then function code and its data.
    assert FramerRTU(DecodePDU(False)).encode(data[1:], data[0], 0) == sealed(data)


@pytest.mark.parametrize("size", [1, 2, 3, 5, 100])
def test_requests_are_cut_out_of_any_pieces(size: int) -> None:
    requests = [data for data, _ in VECTORS if len(data) > 4 and data[0] in (1, 0x11)]
    stream = b"".join(sealed(data) for data in requests)
    cutter = Cutter()
    found = [whole for at in range(0, len(stream), size) for whole in cutter.feed(stream[at : at + size], 0.0)]
    assert [bytes([unit]) + pdu for unit, pdu in found] == requests


def test_a_frame_whose_crc_is_wrong_is_no_request() -> None:
    good = sealed(bytes.fromhex("1103006B0003"))
    cutter = Cutter()
    assert list(cutter.feed(good[:-1] + bytes([good[-1] ^ 1]), 0.0)) == []
    assert list(cutter.feed(good, 0.0)) == [(0x11, bytes.fromhex("03006B0003"))]


def test_the_silence_between_frames_is_three_and_a_half_characters_and_fixed_above_19200_baud() -> None:
    assert SerialLine(9600).silence_s == pytest.approx(3.5 * 11 / 9600)
    assert SerialLine(19_200).silence_s == pytest.approx(3.5 * 11 / 19_200)
    assert SerialLine(38_400).silence_s == SerialLine(115_200).silence_s == 0.00175
