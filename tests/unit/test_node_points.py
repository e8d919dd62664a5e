"""Values of the field block at OPC UA nodes: places, orders, and packing both ways for any map."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.layout import flag_name
from controller.node_packing import CommandFromNodes, CommandToNodes, StatusFromNodes, StatusToNodes
from controller.node_points import ELSEWHERE, Kind, NodeMap, NodePlace, command_names, status_names
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

U16, U32 = st.integers(0, 0xFFFF), st.integers(0, 0xFFFFFFFF)
STATUS_BITS = [f"bits.{flag_name(flag)}" for flag in StatusBit]


def placed(names: list[str]) -> dict[str, NodePlace]:
    return {name: NodePlace.parse(f"ns=2;s=F.{name}") for name in names}


def node_map(stations: int = 0, single: bool = False, modulus: int = 1 << 32) -> NodeMap:
    return NodeMap(placed(status_names(stations, single)), placed(command_names(single)), modulus)


@pytest.mark.parametrize(
    "text",
    ["i=85", "ns=4;i=77", "ns=2;s=Line 1.Count/x", "nsu=urn:a:b;s=Count", "ns=3;g=0f1a2b3c-1111-2222-3333-444455556666",
     "ns=1;b=QUJD", "0:Objects/2:Line/2:Belt count", "0:Objects/12:a=b"],
)  # fmt: skip
def test_node_ids_and_browse_paths_are_read(text: str) -> None:
    assert str(NodePlace.parse(text)) == text


@pytest.mark.parametrize(
    "text", ["", "Count", "ns=2", "ns=2;x=7", "ns=2;i=seven", "ns=70000;i=1", "i=4294967296", "0:Objects//2:a", "/0:Objects",
             "ns=3;g=1", "ns=1;b=*"],
)  # fmt: skip
def test_what_is_neither_is_refused_with_an_example(text: str) -> None:
    with pytest.raises(ValueError, match="write a node id"):
        NodePlace.parse(text)


def test_a_namespace_by_its_name_gets_the_servers_number() -> None:
    place = NodePlace.parse("nsu=urn:line;s=a;b")
    assert (place.uri, place.node_id(5)) == ("urn:line", "ns=5;s=a;b")


@pytest.mark.parametrize("single", [False, True])
def test_what_answers_is_read_after_what_it_answers_and_a_ring_after_its_total(single: bool) -> None:
    nodes = node_map(stations=2, single=single)
    order = [node.name for node in nodes.reads]
    assert order[0] == "heartbeat_echo"
    for first, *then in (
        ("ack_token", "ack_result", "ack_count"),
        ("armed", "release_total"),
        ("station.1.armed", "releases.token"),
        ("release_total", "releases.token", "releases.result", "releases.count"),
        ("capture_total", "captures.edge", "captures.count"),
    ):
        assert all(order.index(first) < order.index(name) for name in then)


def test_token_and_heartbeat_are_written_last_and_alone() -> None:
    nodes = node_map()
    assert [node.name for node in nodes.last] == ["command.order_token", "command.heartbeat"]
    assert len(nodes.rest) == len(command_names(False)) - 2


def test_two_values_at_one_node_are_refused() -> None:
    status = placed(status_names(0, False))
    status["depth"] = status["armed"]
    with pytest.raises(ValueError, match=r"armed and depth are the same node \(ns=2;s=F\.armed\)"):
        NodeMap(status, placed(command_names(False)), 1 << 32)


def test_how_wide_a_number_must_be_is_the_counters_affair() -> None:
    assert node_map(modulus=1 << 16).bits_of(Kind.COUNT) == 16
    assert node_map(modulus=100_000).bits_of(Kind.COUNTS) == 17
    assert node_map().bits_of(Kind.COUNT) == node_map(modulus=1 << 16).bits_of(Kind.CLOCK) == 32


@st.composite
def statuses(draw: st.DrawFn, modulus: int, stations: int) -> Status:
    count = st.integers(0, modulus - 1)
    words = {name: draw(U16) for name in ("boot_id", "heartbeat_echo", "interlocks", "ack_token", "armed", "owner")}
    return Status(
        **words, bits=draw(st.integers(0, 0xFFF)), ack_count=draw(count), belt_count=draw(count), sample_us=draw(U32),
        captures=tuple(Capture(draw(U16), draw(count)) for _ in range(8)),
        releases=tuple(Release(draw(U16), draw(U16), draw(count)) for _ in range(8)),
        stations=tuple(
            StationStatus(draw(U16), draw(U16), draw(st.booleans()), draw(st.booleans()), draw(st.booleans()), draw(U16))
            for _ in range(stations)
        ),
    )  # fmt: skip


@given(st.data(), st.sampled_from([1 << 16, 10_000, 1 << 32]), st.integers(0, 2), st.booleans())
def test_a_status_comes_through_any_map(data: st.DataObject, modulus: int, stations: int, single: bool) -> None:
    nodes = node_map(stations, single, modulus)
    status = data.draw(statuses(modulus, stations))
    assert StatusFromNodes(nodes).decode(StatusToNodes(nodes).encode(status)) == status


@given(st.data(), st.sampled_from([1 << 16, 10_000, 1 << 32]), st.booleans())
def test_a_command_comes_through_any_map(data: st.DataObject, modulus: int, single: bool) -> None:
    nodes = node_map(0, single, modulus)
    count = st.integers(0, modulus - 1)
    kind = data.draw(st.sampled_from(OrderKind))
    command = Command(
        heartbeat=data.draw(U16), control=data.draw(st.integers(0, 31)), owner=data.draw(U16), order_kind=kind,
        order_count=data.draw(count), order_last=data.draw(U16 if kind is OrderKind.CANCEL else count),
        order_token=data.draw(U16), lease_ms=data.draw(U16),
    )  # fmt: skip
    rest, last = CommandToNodes(nodes).encode(command)
    assert last == [command.order_token, command.heartbeat]
    assert CommandFromNodes(nodes).decode(rest + last) == command


def test_signed_and_wider_numbers_are_brought_into_their_range() -> None:
    nodes = node_map()
    names = [node.name for node in nodes.reads]
    values = StatusToNodes(nodes).encode(Status())
    values[names.index("belt_count")] = -1
    values[names.index("boot_id")] = -2
    values[names.index("capture_total")] = 70_000
    values[names.index("captures.count")] = [-3] * 8
    status = StatusFromNodes(nodes).decode(values)
    assert (status.belt_count, status.boot_id, status.capture_total) == (0xFFFFFFFF, 0xFFFE, 70_000 - 65536)
    assert status.captures[0].count == 0xFFFFFFFD


def test_a_bit_of_its_own_is_heeded_and_the_one_in_the_word_is_not() -> None:
    names = [*status_names(0, False), "bits.marker_ready"]
    nodes = NodeMap(placed(names), placed(command_names(False)), 1 << 32, no_status_bits=int(StatusBit.MARKER_FAULT))
    order = [node.name for node in nodes.reads]
    values = StatusToNodes(nodes).encode(Status(bits=0xFFF))
    values[order.index("bits.marker_ready")] = False
    assert StatusFromNodes(nodes).decode(values).bits == 0xFFF & ~StatusBit.MARKER_READY & ~StatusBit.MARKER_FAULT


def test_a_control_bit_that_the_device_lacks_is_not_written() -> None:
    nodes = NodeMap(
        placed(status_names(0, False)), placed(command_names(False)), 1 << 32, no_control_bits=int(ControlBit.RUNNING)
    )
    rest, _ = CommandToNodes(nodes).encode(Command(control=int(ControlBit.RUNNING | ControlBit.ENABLE)))
    assert ControlBit.ENABLE in rest
    assert ControlBit.RUNNING | ControlBit.ENABLE not in rest


def test_inputs_complete_a_status_that_came_another_way() -> None:
    nodes = NodeMap(placed(["interlocks", "bits.marker_ready", "bits.interlocks_closed"]), {}, 1 << 32)
    came = Status(bits=int(StatusBit.DRIVE_RUNNING), interlocks_opened=4, belt_count=9)
    values = StatusToNodes(nodes).encode(
        Status(bits=int(StatusBit.MARKER_READY | StatusBit.DRIVE_RUNNING), interlocks=5)
    )
    joined = StatusFromNodes(nodes).onto(came, values)
    assert joined == replace(came, interlocks=5, bits=int(StatusBit.DRIVE_RUNNING | StatusBit.MARKER_READY))


def test_an_interlock_of_its_own_is_heeded_and_its_bit_in_the_word_is_not() -> None:
    bits = {"guard": 0, "cover": 3}
    alone = NodeMap(placed(["interlocks.guard"]), {}, 1 << 32, interlocks=bits)
    came = Status(interlocks=0b1001)
    for closed, word in ((True, 0b1001), (False, 0b1000)):
        assert StatusToNodes(alone).encode(Status(interlocks=int(closed))) == [closed]
        assert StatusFromNodes(alone).onto(came, [closed]).interlocks == word
    whole = NodeMap(
        placed([*status_names(0, False), "interlocks.cover"]), placed(command_names(False)), 1 << 32, interlocks=bits
    )
    order = [node.name for node in whole.reads]
    assert order.index("heartbeat_echo") < order.index("interlocks.cover") < order.index("ack_token")
    values = StatusToNodes(whole).encode(came)
    values[order.index("interlocks.cover")] = False
    assert StatusFromNodes(whole).decode(values).interlocks == 0b0001


def test_only_what_answers_to_no_request_may_come_another_way() -> None:
    answers = {"bits.inhibited", "bits.flush_done", "bits.forward_counts_down", "belt_count", "ack_token", "armed"}
    assert not answers & ELSEWHERE
    assert {"interlocks", "bits.marker_ready", "bits.drive_running"} <= ELSEWHERE
