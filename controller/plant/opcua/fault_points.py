"""The values of one fault: what it means and does, and whether it is there."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

from asyncua import ua

from controller.faults import FAULTS
from controller.plant.numbers import FAULT_NUMBERS
from controller.plant.opcua.seen import Point, Seen

_T = ua.VariantType
NEVER = datetime(1601, 1, 1, tzinfo=UTC)
"""What OPC UA takes for no time."""

FAULT_MEMBERS: dict[str, tuple[ua.VariantType, str]] = {
    "Code": (_T.UInt32, "the fault's number in the table of faults"),
    "Meaning": (_T.String, "what it means"),
    "WhatToDo": (_T.String, "what to do about it"),
    "Reaction": (_T.String, "what it does to the line: warn, suspend, hold, stop or abort"),
    "Active": (_T.Boolean, "its cause is present"),
    "Acknowledged": (_T.Boolean, "nothing of it waits to be acknowledged"),
    "FirstCause": (_T.Boolean, "it is the first cause of the present stop"),
    "Count": (_T.UInt32, "how often it came since it was last both gone and acknowledged"),
    "Since": (_T.DateTime, "when it last came"),
    "Detail": (_T.String, "which guard, which job, which order"),
}


def fault_points(name: str) -> list[Point]:
    """The values of the fault of that name, under Faults."""
    kind = FAULTS[name]
    get: dict[str, Callable[[Seen], Any]] = {
        "Code": lambda _: FAULT_NUMBERS[name],
        "Meaning": lambda _: kind.text,
        "WhatToDo": lambda _: kind.mend,
        "Reaction": lambda s: s.faults[name].reaction if name in s.faults else kind.reaction.name.lower(),
        "Active": lambda s: name in s.faults and s.faults[name].active,
        "Acknowledged": lambda s: name not in s.faults or s.faults[name].acknowledged,
        "FirstCause": lambda s: name in s.faults and s.faults[name].first,
        "Count": lambda s: s.faults[name].count if name in s.faults else 0,
        "Since": lambda s: s.since(s.faults[name].since_ns) if name in s.faults else NEVER,
        "Detail": lambda s: s.faults[name].detail if name in s.faults else "",
    }
    return [Point(f"Faults/{name}/{member}", type_, get[member]) for member, (type_, _) in FAULT_MEMBERS.items()]
