"""How the simulator cuts requests out of what comes over a serial line, in whatever pieces and after whatever noise."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from sim.rtu import RESYNC_S, Cutter, crc16, sealed

registers = st.lists(st.integers(0, 0xFFFF), min_size=1, max_size=60)
words = st.integers(0, 0xFFFF).map(lambda value: value.to_bytes(2, "big"))


def counted(values: list[int]) -> bytes:
    """Count, byte count and values, as functions 16 and 23 end."""
    data = b"".join(value.to_bytes(2, "big") for value in values)
    return len(values).to_bytes(2, "big") + bytes([len(data)]) + data


requests = st.one_of(
    st.builds(lambda code, a, b: bytes([code]) + a + b, st.sampled_from([1, 2, 3, 4, 5, 6]), words, words),
    st.builds(lambda a, values: bytes([16]) + a + counted(values), words, registers),
    st.builds(lambda a, b, c, values: bytes([23]) + a + b + c + counted(values), words, words, words, registers),
)
frames = st.tuples(st.integers(0, 255), requests)


@given(st.lists(frames, max_size=4), st.integers(1, 200))
def test_whole_requests_are_found_in_whatever_pieces_they_come(sent: list[tuple[int, bytes]], size: int) -> None:
    stream = b"".join(sealed(bytes([unit]) + pdu) for unit, pdu in sent)
    cutter = Cutter()
    found = [one for at in range(0, len(stream), size) for one in cutter.feed(stream[at : at + size], 1.0)]
    assert found == sent


@given(st.binary(max_size=300), frames)
def test_after_a_silence_the_next_request_is_found_whatever_came_before(noise: bytes, frame: tuple[int, bytes]) -> None:
    cutter = Cutter()
    list(cutter.feed(noise, 1.0))
    unit, pdu = frame
    assert list(cutter.feed(sealed(bytes([unit]) + pdu), 1.0 + 1.5 * RESYNC_S)) == [frame]


def test_a_pause_shorter_than_the_silence_is_within_a_frame() -> None:
    whole = sealed(bytes.fromhex("1103006B0003"))
    cutter = Cutter()
    assert list(cutter.feed(whole[:3], 1.0)) == []
    assert list(cutter.feed(whole[3:], 1.0 + 0.5 * RESYNC_S)) == [(0x11, whole[1:-2])]


@given(frames, st.integers(0, 10_000))
def test_a_frame_with_a_wrong_bit_is_no_request(frame: tuple[int, bytes], which: int) -> None:
    whole = bytearray(sealed(bytes([frame[0]]) + frame[1]))
    whole[which % len(whole)] ^= 1 << which % 8
    assert all(one != frame for one in Cutter().feed(bytes(whole), 1.0))


@given(st.binary(max_size=300))
def test_a_sealed_frame_has_no_remainder(data: bytes) -> None:
    assert crc16(sealed(data)) == 0
