"""Packing both ways for any map: what one side puts in the registers the other side takes out."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.layout import (
    COMMAND_WORDS,
    RELEASES_OFFSET,
    STATUS_WORDS,
    bit_points,
    command_points,
    ring_points,
    station_points,
    status_points,
)
from controller.packing import CommandDecoder, CommandEncoder, StatusDecoder, StatusEncoder
from controller.points import Point, PointMap, Table, WordOrder
from controller.registers import (
    Capture,
    Command,
    ControlBit,
    OrderKind,
    Release,
    StationStatus,
    Status,
    StatusBit,
)

U16 = st.integers(0, 0xFFFF)
U32 = st.integers(0, 0xFFFFFFFF)


@st.composite
def maps(draw: st.DrawFn) -> PointMap:
    """Maps with blocks anywhere, any word order, counts of 16 or 32 bits, points moved, dropped or made to inputs."""
    order = draw(st.sampled_from(WordOrder))
    table = draw(st.sampled_from([Table.HOLDING, Table.INPUT]))
    base = Point(table, draw(st.sampled_from([0, 300, 65000])), word_order=order)
    stations = draw(st.integers(0, 2))
    status = status_points(base, 2000, stations)
    command = command_points(Point(Table.HOLDING, draw(st.sampled_from([100, 1000])), word_order=order))
    width, signed = draw(st.sampled_from([16, 32])), draw(st.booleans())
    status["belt_count"] = replace(status["belt_count"], width=width, signed=signed)
    modulus = draw(st.sampled_from([None, 10_000, 1 << width]))
    for name in ("ack_count",):
        status[name] = replace(status[name], signed=draw(st.booleans()), word_order=draw(st.sampled_from(WordOrder)))
    for name in ("order_count", "order_last"):
        command[name] = replace(command[name], signed=draw(st.booleans()))
    status |= ring_points(
        "releases", replace(base, address=base.address + RELEASES_OFFSET, width=width, signed=draw(st.booleans()))
    )
    if draw(st.booleans()):
        for name in ("sample_us", "job_loaded"):
            del status[name]
    if draw(st.booleans()):
        for name in [name for name in status if name.startswith("capture")]:
            del status[name]
    if draw(st.booleans()):
        word = Point(table, 5000, draw(st.sampled_from([16, 32])), word_order=draw(st.sampled_from(WordOrder)))
        status |= bit_points(word, StatusBit, "bits")
    for i, flag in enumerate(draw(st.sets(st.sampled_from(StatusBit)))):
        place = draw(st.sampled_from([Table.COIL, Table.DISCRETE, Table.INPUT]))
        point = Point(place, 7000 + i, 1) if place.of_bits else Point(place, 7000 + i // 3, bit=15 - i % 3)
        status[f"bits.{str(flag.name).lower()}"] = point
    if draw(st.booleans()):
        command["control.enable"] = Point(Table.COIL, 9, 1)
    if stations and draw(st.booleans()):
        status |= station_points(1, Point(Table.HOLDING, 3000))
        status["station.1.ready"] = Point(Table.DISCRETE, 3, 1)
    return PointMap(status, command, modulus=modulus)


@st.composite
def statuses(draw: st.DrawFn, points: PointMap) -> Status:
    """Statuses that a device with these points can show."""
    count = st.integers(0, points.modulus - 1)
    words = {
        name: draw(U16) if points.has(name) else 0
        for name in STATUS_WORDS
        if name not in ("ack_count", "belt_count", "sample_us")
    }
    ring = st.tuples(*[st.builds(Capture, U16, count)] * 8) if points.has("captures") else st.just((Capture(0, 0),) * 8)
    station = st.builds(StationStatus, U16, U16, st.booleans(), st.booleans(), st.booleans(), U16)
    return Status(
        **words,
        bits=draw(st.integers(0, 0xFFF)),
        ack_count=draw(count),
        belt_count=draw(count),
        sample_us=draw(U32) if points.has("sample_us") else None,
        captures=draw(ring),
        releases=draw(st.tuples(*[st.builds(Release, U16, U16, count)] * 8)),
        stations=tuple(draw(station) for _ in range(points.stations)),
    )


@given(st.data())
def test_what_the_device_encodes_the_controller_decodes(data: st.DataObject) -> None:
    points = data.draw(maps())
    encoder, decoder = StatusEncoder(points), StatusDecoder(points)
    # Twice with one decoder: what it keeps of the rings must never show through.
    for _ in range(2):
        status = data.draw(statuses(points))
        blocks = encoder.encode(status)
        assert [len(block) for block in blocks] == [request.count for request in points.read_plan]
        assert all(0 <= register <= 0xFFFF for block in blocks for register in block)
        assert decoder.decode(blocks) == status


@given(st.data())
def test_what_the_controller_encodes_the_device_decodes(data: st.DataObject) -> None:
    points = data.draw(maps())
    words = {name: data.draw(U16) for name, (_, width) in COMMAND_WORDS.items() if width == 16}
    kind = words["order_kind"] = data.draw(st.sampled_from(OrderKind))
    count = st.integers(0, points.modulus - 1)
    last = data.draw(U16 if kind is OrderKind.CANCEL else count)
    command = Command(**words, control=data.draw(st.integers(0, 0x1F)), order_count=data.draw(count), order_last=last)
    blocks = CommandEncoder(points).encode(command)
    assert [len(block) for block in blocks] == [request.count for request in points.write_plan]
    assert all(0 <= register <= 0xFFFF for block in blocks for register in block)
    assert CommandDecoder(points).decode(blocks) == command


def test_the_default_status_block_register_by_register() -> None:
    # Addresses typed in from the field block's own table, not taken from the code.
    status = Status(
        layout=1, boot_id=2, heartbeat_echo=3, bits=StatusBit.MARKER_READY | StatusBit.STOP_REQUESTED, interlocks=5,
        interlocks_opened=6, inhibit_cause=7, ack_token=8, ack_result=9, ack_count=0x000A000B, armed=12, depth=13,
        belt_count=0x11223344, sample_us=0x55667788, capture_total=17, release_total=18, done_total=19, job_loaded=20,
        owner=21,
        captures=tuple(Capture(1, 0x10000 * i + 100 + i) for i in range(8)),
        releases=tuple(Release(200 + i, 1, 0x10000 * i + 300 + i) for i in range(8)),
    )  # fmt: skip
    (block,) = StatusEncoder(PointMap.default()).encode(status)
    assert block[:22] == [
        1, 2, 3, 0x0804, 5, 6, 7, 8, 9, 10, 11, 12, 13, 0x1122, 0x3344, 0x5566, 0x7788, 17, 18, 19, 20, 21,
    ]  # fmt: skip
    assert block[22:24] == [0, 0]
    assert block[24:30] == [1, 0, 100, 1, 1, 101]
    assert block[45:48] == [1, 7, 107]
    assert block[48:52] == [200, 1, 0, 300]
    assert block[76:80] == [207, 1, 7, 307]


def test_the_default_command_block_register_by_register() -> None:
    command = Command(
        heartbeat=1, control=ControlBit.ENABLE | ControlBit.RUNNING, boot_id_seen=3, owner=4, lease_ms=5, job_number=6,
        order_kind=1, order_station=8, order_count=0x11223344, order_last=0x55667788, order_token=13,
    )  # fmt: skip
    assert CommandEncoder(PointMap.default()).encode(command) == [
        [1, 0x0011, 3, 4, 5, 6, 1, 8, 0x1122, 0x3344, 0x5566, 0x7788, 13]
    ]


def with_points(**moved: Point) -> PointMap:
    base = PointMap.default()
    return PointMap(base.status | moved, base.command)


@pytest.mark.parametrize(
    ("point", "modulus", "registers", "count"),
    [
        (Point(Table.HOLDING, 13, 32), None, [0xFFFF, 0xFFFF], 0xFFFFFFFF),
        (Point(Table.HOLDING, 13, 32, word_order=WordOrder.LOW_FIRST), None, [0x3344, 0x1122], 0x11223344),
        (Point(Table.HOLDING, 13, 32, signed=True), None, [0xFFFF, 0xFFFE], (1 << 32) - 2),
        (Point(Table.HOLDING, 13, 16), None, [0x8001, 77], 0x8001),
        (Point(Table.HOLDING, 13, 16, signed=True), None, [0xFFFF, 77], 65535),
        (Point(Table.HOLDING, 13, 16, signed=True), 10_000, [0xFFFF, 77], 9_999),
        (Point(Table.HOLDING, 13, 32, signed=True), 10_000, [0xFFFF, 0xFFFF], 9_999),
    ],
)
def test_a_count_of_any_kind_is_brought_to_its_modulus(
    point: Point, modulus: int | None, registers: list[int], count: int
) -> None:
    base = PointMap.default()
    points = PointMap(base.status | {"belt_count": point}, base.command, modulus=modulus)
    block = [0] * 80
    block[13:15] = registers
    assert StatusDecoder(points).decode([block]).belt_count == count


def test_the_token_of_a_cancel_keeps_its_bits_where_counts_are_signed() -> None:
    base = PointMap.default()
    command = base.command | {"order_last": replace(base.command["order_last"], signed=True)}
    points = PointMap(base.status, command, modulus=10_000)
    cancel = Command(order_kind=OrderKind.CANCEL, order_last=60_000)
    (block,) = CommandEncoder(points).encode(cancel)
    assert block[10:12] == [0, 60_000]


def test_a_value_in_a_wider_register_pair_is_its_low_word() -> None:
    points = with_points(owner=Point(Table.HOLDING, 21, 32))
    block = [0] * 80
    block[21:23] = [0, 4711]
    assert StatusDecoder(points).decode([block]).owner == 4711


def test_a_status_with_other_stations_than_the_map_is_refused() -> None:
    with pytest.raises(ValueError, match="0 further stations where the points have 1"):
        StatusEncoder(PointMap.default(stations=1)).encode(Status())
