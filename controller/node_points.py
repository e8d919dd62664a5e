"""At which OPC UA node each value of the field block stands, and in which order the nodes are read and written.

Rules of this file: what answers comes after what it answers, and a ring after its total, so that a server that takes
nodes one by one gives nothing older than what it is judged by; the token and the heartbeat are written last, alone. A
node id is never guessed: what has none is an error here. No I/O here; packing is in `controller.node_packing`.
"""

from __future__ import annotations

import base64
import binascii
import re
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from controller.layout import COMMAND_WORDS, COUNTS, STATION_FLAGS, STATION_WORDS, flag_name
from controller.registers import ControlBit, StatusBit

STATUS_ORDER = (
    "heartbeat_echo", "layout", "boot_id", "owner", "status_bits", "interlocks", "interlocks_opened", "inhibit_cause",
    "ack_token", "ack_result", "ack_count", "armed", "depth", "done_total", "job_loaded", "capture_total",
    "release_total", "belt_count", "sample_us",
)  # fmt: skip
"""The words of a status as they are read; single bits follow the heartbeat, rings and further stations come last."""
RING_ARRAYS = {"captures": ("edge", "count"), "releases": ("token", "result", "count")}
"""Each ring as arrays of 8 values."""
LAST = ("command.order_token", "command.heartbeat")
"""What is written last: what is written before it is no order, and no request, until these have changed."""

ELSEWHERE_BITS = (
    StatusBit.INTERLOCKS_CLOSED, StatusBit.MARKER_READY, StatusBit.MARKER_BUSY, StatusBit.MARKER_FAULT,
    StatusBit.DRIVE_RUNNING, StatusBit.UPSTREAM_EMPTY, StatusBit.DOWNSTREAM_BLOCKED, StatusBit.STOP_REQUESTED,
)  # fmt: skip
ELSEWHERE = frozenset(
    {"interlocks", "interlocks_opened", "job_loaded", *(f"bits.{flag_name(flag)}" for flag in ELSEWHERE_BITS)}
)
"""What may come over OPC UA while the counts and the orders go over Modbus: inputs that answer to no request."""

_NODE_ID = re.compile(r"(?:ns=(?P<ns>\d{1,5});|nsu=(?P<uri>[^;]+);)?(?P<kind>[isgb])=(?P<id>.+)")
_STEP = re.compile(r"(\d{1,5}):([^/]+)")
EXAMPLE = 'write a node id, e.g. "ns=2;s=FieldBlock.belt_count", or a browse path, e.g. "0:Objects/2:Line/2:Count"'


class Kind(StrEnum):
    """What a node has to hold."""

    WORD = "a whole number of 16 bits or more"
    CLOCK = "a whole number of 32 bits or more"
    COUNT = "a whole number as wide as the belt counter"
    BIT = "a Boolean"
    WORDS = "an array of 8 whole numbers of 16 bits or more"
    COUNTS = "an array of 8 whole numbers as wide as the belt counter"

    @property
    def is_array(self) -> bool:
        """Whether it is an array of 8."""
        return self in (Kind.WORDS, Kind.COUNTS)


@dataclass(frozen=True, slots=True)
class NodePlace:
    """Where a node is: by its id, or by the browse names that lead to it from the root."""

    text: str
    """As it is written in the line's file."""
    steps: tuple[tuple[int, str], ...] = ()
    """(namespace, name) of each step of a browse path; empty: it is a node id."""
    uri: str | None = None
    """The name of the id's namespace, where it is not given as a number."""

    @classmethod
    def parse(cls, text: str) -> NodePlace:
        """Read a node id or a browse path. Raises ValueError with one line."""
        found = _NODE_ID.fullmatch(text)
        if found is not None:
            if int(found["ns"] or 0) > 0xFFFF or not _is_identifier(found["kind"], found["id"]):
                raise ValueError(f"{text!r} is no node id; {EXAMPLE}")
            return cls(text, uri=found["uri"])
        steps = [_STEP.fullmatch(step) for step in text.split("/")]
        if not all(steps):
            raise ValueError(f"{text!r} is neither node id nor browse path; {EXAMPLE}")
        return cls(text, tuple((int(step[1]), step[2]) for step in steps if step is not None))

    def node_id(self, namespace: int | None = None) -> str:
        """The node id, with the number of its namespace where the line's file has its name."""
        if self.uri is None:
            return self.text
        return f"ns={namespace};{self.text.partition(';')[2]}"

    def __str__(self) -> str:
        return self.text


def _is_identifier(kind: str, text: str) -> bool:
    try:
        if kind == "i":
            return text.isdecimal() and int(text) < 1 << 32
        if kind == "g":
            uuid.UUID(text)
        if kind == "b":
            base64.b64decode(text, validate=True)
    except (ValueError, binascii.Error):
        return False
    return True


@dataclass(frozen=True, slots=True)
class Node:
    """One value and where it is."""

    name: str
    place: NodePlace
    kind: Kind

    def __str__(self) -> str:
        return f"{self.name} ({self.place})"


class NodeMap:
    """Where every value that comes over OPC UA stands, checked.

    Names are those of the field block; "command.…" are words of the command, "bits.…" and "control.…" single bits in
    nodes of their own, "captures.edge" and the like the arrays of a ring, "interlocks.…" single interlocks by the names
    of which `interlocks` gives the bits. `no_status_bits` and `no_control_bits` are
    the bits that the device does not have in its words of bits. Raises ValueError with one line naming the nodes.
    """

    def __init__(
        self,
        status: Mapping[str, NodePlace],
        command: Mapping[str, NodePlace],
        modulus: int,
        *,
        interlocks: Mapping[str, int] | None = None,
        no_status_bits: int = 0,
        no_control_bits: int = 0,
    ) -> None:
        self.modulus = modulus
        named = {f"interlocks.{name}": 1 << bit for name, bit in (interlocks or {}).items()}
        self.interlocks = {name: bit for name, bit in named.items() if name in status}
        """The interlocks that are nodes of their own: name and its bit in the word."""
        self.no_status_bits, self.no_control_bits = no_status_bits, no_control_bits
        self.stations = sum(1 for name in status if name.startswith("station.") and name.endswith(".armed"))
        self.reads = tuple(_node(name, status[name]) for name in sorted(status, key=_rank))
        """What is read, in this order."""
        self.rest = tuple(_node(name, place) for name, place in command.items() if name not in LAST)
        """What is written first, in any order."""
        self.last = tuple(_node(name, command[name]) for name in LAST if name in command)
        """What is written last, in this order."""
        taken: dict[str, Node] = {}
        for node in self.nodes:
            other = taken.setdefault(node.place.text, node)
            if other is not node:
                raise ValueError(f"{other.name} and {node.name} are the same node ({node.place}): give each its own")

    @property
    def nodes(self) -> tuple[Node, ...]:
        """All of them, those read first."""
        return self.reads + self.rest + self.last

    def bits_of(self, kind: Kind) -> int:
        """How many bits a node's number needs at least."""
        if kind in (Kind.COUNT, Kind.COUNTS):
            return (self.modulus - 1).bit_length()
        return 32 if kind is Kind.CLOCK else 16


def status_names(stations: int, single_bits: bool) -> list[str]:
    """Every status value of a line with so many further stations: bits in one word, or each in a node of its own."""
    bits = [f"bits.{flag_name(flag)}" for flag in StatusBit] if single_bits else ["status_bits"]
    names = [name for name in STATUS_ORDER if name != "status_bits"] + bits
    names += [f"{ring}.{array}" for ring, arrays in RING_ARRAYS.items() for array in arrays]
    return names + [f"station.{n}.{word}" for n in range(1, stations + 1) for word in STATION_WORDS]


def command_names(single_bits: bool) -> list[str]:
    """Every command value, likewise."""
    bits = [f"control.{flag_name(flag)}" for flag in ControlBit] if single_bits else ["command.control_bits"]
    return [f"command.{name}" for name in COMMAND_WORDS] + bits


def _rank(name: str) -> tuple[int, int]:
    if name in STATUS_ORDER:
        index = STATUS_ORDER.index(name)
        return (0, index) if index <= STATUS_ORDER.index("status_bits") else (2, index)
    return (1 if name.startswith(("bits.", "interlocks.")) else 3 if name.startswith("station.") else 4, 0)


def _node(name: str, place: NodePlace) -> Node:
    return Node(name, place, _kind(name))


def _kind(name: str) -> Kind:
    group, _, last = name.rpartition(".")
    if group in RING_ARRAYS:
        return Kind.COUNTS if last == "count" else Kind.WORDS
    if group in ("bits", "control", "interlocks") or (group.startswith("station.") and last in STATION_FLAGS):
        return Kind.BIT
    if last in COUNTS:
        return Kind.COUNT
    return Kind.CLOCK if name == "sample_us" else Kind.WORD
