"""Every point of a line as its wiring is checked: name, place, and what a raw value means.

Rules of this file: names are those of the line's file; a place is only text, since it may be a register, a bit or an
OPC UA node. No I/O here.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from enum import IntEnum

from controller.forcing import AUXILIARY
from controller.layout import COUNTS, STATION_FLAGS, flag_name
from controller.node_points import Kind, Node
from controller.plain_points import PlainMap
from controller.registers import (
    BACKWARD,
    RING_SIZE,
    AckResult,
    ControlBit,
    Edge,
    InhibitCause,
    OrderKind,
    ReleaseResult,
    StatusBit,
)
from controller.settings.line import LineConfig


def _words(kind: type[IntEnum]) -> dict[int, str]:
    return {int(each): each.name.lower().replace("_", " ") for each in kind}


_ON = {0: "off", 1: "on"}
_CLOSED = {0: "OPEN", 1: "closed"}
_EDGES = {0: "none"} | _words(Edge) | {int(edge) | BACKWARD: f"{edge.name.lower()}, backward" for edge in Edge}
_MEANINGS: Mapping[str, Mapping[int, str]] = {
    "inhibit_cause": _words(InhibitCause),
    "ack_result": _words(AckResult),
    "command.order_kind": _words(OrderKind),
    "bits.interlocks_closed": {0: "OPEN", 1: "all closed"},
}
_TIMES_MS = {"sample_us": 1e-3, "command.lease_ms": 1.0}
"""Name → ms to one of it."""


@dataclass(frozen=True, slots=True)
class ListedPoint:
    """One point. `key` is the name of its value in a look; with `bit` it is that bit of it."""

    name: str
    key: str
    place: str
    out: bool = False
    bit: int | None = None
    unit: str = ""
    """What a scaled value is in, mm or ms; empty: it is no such figure."""
    scale: float = 1.0
    meaning: Mapping[int, str] | None = None
    auxiliary: str = ""
    """The output's name to the core, where it may be forced."""

    def raw(self, values: Mapping[str, int]) -> int | None:
        """The value as the device has it, its words put together; None: not read, or not written, so far."""
        value = values.get(self.key)
        return value if value is None or self.bit is None else value >> self.bit & 1

    def scaled(self, raw: int) -> float | None:
        """The raw value in its unit."""
        return raw * self.scale if self.unit else None

    def text(self, raw: int) -> str:
        """What a raw value says, where it is no figure."""
        return "" if self.meaning is None else self.meaning.get(raw, "no such value")


def listed(config: LineConfig) -> list[ListedPoint]:
    """All points of a line, inputs first."""
    if config.plain is not None:
        return list(_of_plain(config, config.plain))
    return list(_of_block(config))


def _of_block(config: LineConfig) -> Iterator[ListedPoint]:
    status, command = _places(config)
    for name, place in status.items():
        if name.startswith("interlocks."):
            continue
        if place:
            yield _block_point(name, place, config)
        if name == "interlocks":
            for interlock, bit in config.settings.interlocks.items():
                own = f"interlocks.{interlock}"
                yield ListedPoint(own, name, status.get(own, f"{place} bit {bit}"), bit=bit, meaning=_CLOSED)
    for name, place in command.items():
        output = name.removeprefix("control.")
        yield replace(_block_point(name, place, config), out=True, auxiliary=output if output in AUXILIARY else "")


def _places(config: LineConfig) -> tuple[dict[str, str], dict[str, str]]:
    """Name → place of what the device has of the status, and of the command; empty: a word that no node holds whole."""
    points, nodes = config.points, [] if config.nodes is None else config.nodes.nodes
    at_nodes: dict[str, str] = {}
    for node in sorted(nodes, key=lambda node: node.kind is Kind.BIT):  # a bit of its own before one of a word
        at_nodes |= _at_node(node)
    status = {name: at_nodes.get(name, str(point)) for name, point in points.status.items()}
    status |= {name: at_nodes.get(name, "") for name in sorted(points.elsewhere)}
    status |= {name: place for name, place in at_nodes.items() if name.startswith("interlocks.")}
    if config.settings.link.protocol == "opcua" and "interlocks" in status and "interlocks" not in at_nodes:
        status["interlocks"] = ""
    command = {}
    for name, point in points.command.items():
        full = name if name.startswith("control.") else f"command.{name}"
        command[full] = at_nodes.get(full, str(point))
    return status, command


def _at_node(node: Node) -> dict[str, str]:
    """The values that one node holds: a ring's column, a word of bits, or one."""
    group, _, last = node.name.rpartition(".")
    if node.kind.is_array:
        return {f"{group}.{n}.{last}": f"{node.place} [{n}]" for n in range(RING_SIZE)}
    words: Mapping[str, tuple[str, type[StatusBit] | type[ControlBit]]] = {
        "status_bits": ("bits", StatusBit),
        "command.control_bits": ("control", ControlBit),
    }
    if node.name in words:
        prefix, flags = words[node.name]
        return {f"{prefix}.{flag_name(flag)}": f"{node.place} bit {flag.bit_length() - 1}" for flag in flags}
    return {node.name: str(node.place)}


def _block_point(name: str, place: str, config: LineConfig) -> ListedPoint:
    group, _, last = name.rpartition(".")
    if last in COUNTS or last == "count":
        return ListedPoint(name, name, place, unit="mm", scale=config.settings.encoder.scale_mm())
    if name in _TIMES_MS:
        return ListedPoint(name, name, place, unit="ms", scale=_TIMES_MS[name])
    meaning = _MEANINGS.get(name)
    if last == "edge":
        meaning = _EDGES
    elif group.startswith("releases.") and last == "result":
        meaning = {0: "none"} | _words(ReleaseResult)
    elif meaning is None and (group in ("bits", "control") or (group.startswith("station.") and last in STATION_FLAGS)):
        meaning = _ON
    return ListedPoint(name, name, place, meaning=meaning)


def _of_plain(config: LineConfig, plain: PlainMap) -> Iterator[ListedPoint]:
    assert config.settings.plain is not None
    interlocks = list(config.settings.plain.interlocks)
    stations = [station.name for station in config.settings.stations]
    for out, points in ((False, plain.inputs), (True, plain.outputs)):
        for key, point in points.items():
            group, _, rest = key.partition(".")
            name, meaning = key, _ON
            if group == "interlock":
                name, meaning = f"interlocks.{interlocks[int(rest)]}", _CLOSED
            elif group == "station":
                number, _, last = rest.partition(".")
                name = f"stations.{stations[int(number)]}.{last}"
            auxiliary = key if out and key in AUXILIARY else ""
            listed_point = ListedPoint(name, key, str(point), out, meaning=meaning, auxiliary=auxiliary)
            if key == "count":
                scale = config.settings.encoder.scale_mm()
                listed_point = replace(listed_point, meaning=None, unit="mm", scale=scale)
            elif key == "sample_us":
                listed_point = replace(listed_point, meaning=None, unit="ms", scale=_TIMES_MS[key])
            yield listed_point
