"""Status and command to and from the values of OPC UA nodes, for any `NodeMap`.

Both directions of both are here, so that the controller and the simulator share one packing. Numbers are as a node
gives them, signed or wider than needed: they are brought to 0 … modulus − 1, or to 16 bits, here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, TypeAlias

from controller.layout import COMMAND_WORDS, STATUS_WORDS, flag_name
from controller.node_points import Kind, Node, NodeMap
from controller.registers import (
    RING_SIZE,
    Capture,
    Command,
    ControlBit,
    OrderKind,
    Release,
    StationStatus,
    Status,
    StatusBit,
)

NodeValue: TypeAlias = int | bool | list[int]

_NO_WORDS = [0] * RING_SIZE


def _masks(nodes: Sequence[Node], flags: type[StatusBit] | type[ControlBit], prefix: str) -> dict[str, int]:
    """The single bits among the nodes: name → flag."""
    names = {f"{prefix}.{flag_name(flag)}": int(flag) for flag in flags}
    return {node.name: names[node.name] for node in nodes if node.name in names}


class _Numbers:
    """How the numbers of a map's nodes are brought into their range."""

    def __init__(self, nodes: Sequence[Node], modulus: int) -> None:
        self._nodes, self._modulus = nodes, modulus

    def named(self, values: Sequence[NodeValue]) -> tuple[dict[str, int], dict[str, list[int]]]:
        """The numbers and the arrays by name, a Boolean as 0 or 1."""
        single: dict[str, int] = {}
        arrays: dict[str, list[int]] = {}
        modulus = self._modulus
        for node, value in zip(self._nodes, values, strict=True):
            if isinstance(value, list):
                by = modulus if node.kind is Kind.COUNTS else 1 << 16
                arrays[node.name] = [item % by for item in value]
            elif node.kind is Kind.WORD:
                single[node.name] = value & 0xFFFF
            elif node.kind is Kind.COUNT:
                single[node.name] = value % modulus
            else:
                single[node.name] = value & 0xFFFFFFFF
        return single, arrays


class StatusFromNodes:
    """Makes a `Status` of the values of a map's nodes, in the order in which they are read."""

    def __init__(self, nodes: NodeMap) -> None:
        self._numbers = _Numbers(nodes.reads, nodes.modulus)
        self._bits = _masks(nodes.reads, StatusBit, "bits")
        apart = sum(self._bits.values())
        self._apart = apart
        self._word = ~(apart | nodes.no_status_bits)
        self._closed = nodes.interlocks
        self._stations = nodes.stations
        self._has_sample = any(node.name == "sample_us" for node in nodes.reads)

    def _flags(self, single: Mapping[str, int]) -> int:
        return sum(flag for name, flag in self._bits.items() if single[name])

    def _interlocks(self, single: Mapping[str, int], word: int) -> int:
        """The word of interlocks with those that are nodes of their own in it."""
        for name, bit in self._closed.items():
            word = word | bit if single[name] else word & ~bit
        return word

    def decode(self, values: Sequence[NodeValue]) -> Status:
        """Make a whole status."""
        single, arrays = self._numbers.named(values)
        words: dict[str, Any] = {name: single.get(name, 0) for name in STATUS_WORDS}
        words["interlocks"] = self._interlocks(single, words["interlocks"])
        if not self._has_sample:
            words["sample_us"] = None
        captures = zip(arrays.get("captures.edge", _NO_WORDS), arrays.get("captures.count", _NO_WORDS), strict=True)
        releases = zip(arrays["releases.token"], arrays["releases.result"], arrays["releases.count"], strict=True)
        return Status(
            bits=single.get("status_bits", 0) & self._word | self._flags(single),
            captures=tuple([Capture(*entry) for entry in captures]),
            releases=tuple([Release(*entry) for entry in releases]),
            stations=tuple([_station(single, n) for n in range(1, self._stations + 1)]),
            **words,
        )

    def onto(self, status: Status, values: Sequence[NodeValue]) -> Status:
        """Complete a status that came another way, and has nothing where these values belong."""
        single, _ = self._numbers.named(values)
        return replace(
            status,
            bits=status.bits & ~self._apart | self._flags(single),
            interlocks=self._interlocks(single, single.get("interlocks", status.interlocks)),
            interlocks_opened=single.get("interlocks_opened", status.interlocks_opened),
            job_loaded=single.get("job_loaded", status.job_loaded),
        )


def _station(single: Mapping[str, int], number: int) -> StationStatus:
    def word(name: str) -> int:
        return single.get(f"station.{number}.{name}", 0)

    return StationStatus(
        word("armed"), word("depth"), bool(word("ready")), bool(word("busy")), bool(word("fault")), word("done_total")
    )


class StatusToNodes:
    """The I/O side's way: makes of a `Status` the values of a map's nodes, in the order in which they are read."""

    def __init__(self, nodes: NodeMap) -> None:
        self._names = [node.name for node in nodes.reads]
        self._bits = _masks(nodes.reads, StatusBit, "bits")
        self._closed = nodes.interlocks

    def encode(self, status: Status) -> list[NodeValue]:
        """Make the values of a status with as many further stations as the map has."""
        return [self._value(name, status) for name in self._names]

    def _value(self, name: str, status: Status) -> NodeValue:
        if name in self._bits:
            return bool(status.bits & self._bits[name])
        if name in self._closed:
            return bool(status.interlocks & self._closed[name])
        group, _, last = name.rpartition(".")
        if group in ("captures", "releases"):
            return [getattr(entry, last) for entry in getattr(status, group)]
        if group:
            value: NodeValue = getattr(status.stations[int(group.partition(".")[2]) - 1], last)
            return value
        value = status.bits if name == "status_bits" else getattr(status, name)
        return 0 if value is None else value


class CommandToNodes:
    """Makes of a `Command` the values of the nodes that a map writes: those written first, and those written last."""

    def __init__(self, nodes: NodeMap) -> None:
        self._rest = [node.name for node in nodes.rest]
        self._last = [node.name for node in nodes.last]
        self._bits = _masks(nodes.rest, ControlBit, "control")
        self._word = ~(sum(self._bits.values()) | nodes.no_control_bits)

    def encode(self, command: Command) -> tuple[list[NodeValue], list[NodeValue]]:
        """Make the values, in the order of the map's `rest` and of its `last`."""
        return [self._value(name, command) for name in self._rest], [self._value(name, command) for name in self._last]

    def _value(self, name: str, command: Command) -> NodeValue:
        if name in self._bits:
            return bool(command.control & self._bits[name])
        word = name.removeprefix("command.")
        value: int = command.control & self._word if word == "control_bits" else getattr(command, word)
        return value


class CommandFromNodes:
    """The I/O side's way: makes a `Command` of the values of the nodes that are written, those written last behind."""

    def __init__(self, nodes: NodeMap) -> None:
        written = nodes.rest + nodes.last
        self._numbers = _Numbers(written, nodes.modulus)
        self._last = next(place for place, node in enumerate(written) if node.name == "command.order_last")
        self._bits = _masks(written, ControlBit, "control")

    def decode(self, values: Sequence[NodeValue]) -> Command:
        """Make the command."""
        single, _ = self._numbers.named(values)
        control = single.get("command.control_bits", 0)
        for name, flag in self._bits.items():
            control = control | flag if single[name] else control & ~flag
        words = {name: single.get(f"command.{name}", 0) for name in COMMAND_WORDS}
        if words["order_kind"] == OrderKind.CANCEL:
            # A cancel carries a token there, which is no count and keeps its bits.
            last = values[self._last]
            words["order_last"] = 0 if isinstance(last, list) else last & 0xFFFFFFFF
        return Command(control=control, **words)
