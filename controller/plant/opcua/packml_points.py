"""What PackML's tags say of a line, in the words of OPC 30050; what the line has no honest source for is left out.

MachSpeed is there, as the standard wants it, but has no value: the belt's speed is not ours to set. The times in modes
and states, AlarmHistory, Product, Parameter, RemoteParameter and MaterialInterlock have no source here.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

from asyncua import ua

from controller.faults import FAULTS, Reaction
from controller.model import Counters, ProductFate, State
from controller.modes import DONE, title
from controller.plant.numbers import FAULT_NUMBERS, first_cause_number
from controller.plant.opcua import packml_table as table
from controller.plant.opcua.eu import unit
from controller.plant.opcua.fault_points import NEVER
from controller.plant.opcua.packml_types import PackmlTypes
from controller.plant.opcua.points import speed
from controller.plant.opcua.seen import INACTIVE, NOT_CONNECTED, Bad, Point, Seen
from controller.snapshot import FaultView

_T = ua.VariantType
_CLEARED, _RUNNING = "Cleared", "Running"
_NODES = {name: (node, number) for row in table.MACHINES.values() for name, node, _, number in row.states}
_OWNER = {name: machine for machine, row in table.MACHINES.items() for name, *_ in row.states}
STATES_AT = {
    table.BASE_MACHINE: "BaseStateMachine",
    table.MACHINE: "BaseStateMachine/MachineState",
    table.EXECUTE_MACHINE: "BaseStateMachine/MachineState/ExecuteState",
}
"""Each machine's place in a unit."""


def current(machine: int, state: State) -> tuple[str, int, int] | None:
    """The machine's current state (name, node, number) while the line is in `state`; None while it is not at work."""
    name = title(state)
    if machine == table.BASE_MACHINE and _OWNER[name] != machine:
        name = _CLEARED
    elif machine == table.MACHINE and _OWNER[name] == table.EXECUTE_MACHINE:
        name = _RUNNING
    return (name, *_NODES[name]) if _OWNER[name] == machine else None


def packml_points(types: PackmlTypes) -> list[Point]:
    """The values of one unit, under its own object."""
    return [*_machines(types), *_status(types), *_admin(types)]


def _machines(types: PackmlTypes) -> list[Point]:
    points = []
    for machine, place in STATES_AT.items():
        at = f"{place}/CurrentState"
        points += [
            Point(at, _T.LocalizedText, partial(_state_name, machine)),
            Point(at + "/Id", _T.NodeId, partial(_state_node, types, machine)),
            Point(at + "/Number", _T.UInt32, partial(_state_number, machine)),
        ]
    return points


def _state_name(machine: int, seen: Seen) -> ua.LocalizedText | Bad:
    here = current(machine, seen.snapshot.state)
    return INACTIVE if here is None else ua.LocalizedText(here[0])


def _state_node(types: PackmlTypes, machine: int, seen: Seen) -> ua.NodeId | Bad:
    here = current(machine, seen.snapshot.state)
    return INACTIVE if here is None else types.node(here[1])


def _state_number(machine: int, seen: Seen) -> int | Bad:
    here = current(machine, seen.snapshot.state)
    return INACTIVE if here is None else here[2]


def _status(types: PackmlTypes) -> list[Point]:
    at, modes = "Status/", types.node(table.MODES)
    return [
        Point(at + "CurMachSpeed", _T.Float, lambda s: s.speed(s.snapshot.speed_mm_s), acquired=True, analog=speed),
        Point(at + "MachSpeed", _T.Float, lambda _: NOT_CONNECTED, analog=speed),
        Point(at + "EquipmentBlocked", _T.Boolean, partial(_present, "downstream_blocked"), acquired=True),
        Point(at + "EquipmentStarved", _T.Boolean, partial(_present, "upstream_empty"), acquired=True),
        Point(at + "StateChangeInProcess", _T.Boolean, lambda s: s.snapshot.state in DONE),
        Point(at + "StateRequested", _T.Int32, lambda s: int(DONE.get(s.snapshot.state, s.snapshot.state))),
        Point(at + "UnitModeCurrent", _T.Int32, lambda s: int(s.snapshot.mode)),
        Point(at + "UnitSupportedModes", _T.NodeId, lambda _: modes),
    ]  # fmt: skip


def _present(fault: str, seen: Seen) -> bool:
    view = seen.faults.get(fault)
    return view is not None and view.active


def _admin(types: PackmlTypes) -> list[Point]:
    at = "Admin/"
    alarm, counts = "PackMLAlarmDataType", "PackMLCountDataType"
    return [
        Point(at + "Alarm", _T.ExtensionObject, partial(_alarms, types, False), structure=alarm, array=True),
        Point(at + "AlarmExtent", _T.Int32, lambda _: sum(k.reaction > Reaction.WARN for k in FAULTS.values())),
        Point(at + "Warning", _T.ExtensionObject, partial(_alarms, types, True), structure=alarm, array=True),
        Point(at + "WarningExtent", _T.Int32, lambda _: sum(k.reaction is Reaction.WARN for k in FAULTS.values())),
        Point(at + "StopReason", _T.ExtensionObject, partial(_stop_reason, types), structure=alarm),
        Point(at + "MachDesignSpeed", _T.Float, lambda s: s.speed(s.about.top_speed_mm_s), analog=speed),
        *(
            Point(at + name, _T.ExtensionObject, partial(_count, types, name), structure=counts, array=True)
            for name in COUNTS
        ),
    ]


def _ended(counters: Counters) -> int:
    return sum(counters.products.values())


COUNTS: dict[str, tuple[str, Callable[[Counters], int]]] = {
    "ProdConsumedCount": ("products detected", lambda c: c.detected),
    "ProdProcessedCount": ("products that have ended, marked or not", _ended),
    "ProdDefectiveCount": (
        "products part marked, unmarked or unknown", lambda c: _ended(c) - c.products[ProductFate.MARKED],
    ),
}  # fmt: skip
"""Tag → what it counts. Processed less defective is what was marked in full."""


def _count(types: PackmlTypes, name: str, seen: Seen) -> list[Any]:
    what, of = COUNTS[name]
    number = of(seen.snapshot.counters)
    total = seen.memory.total(name, number)
    return [types.make(table.COUNT, ID=1, Name=what, Unit=unit("one"), Count=_int32(number), AccCount=_int32(total))]


def _int32(number: int) -> int:
    """A counter as the standard's Int32, which it begins anew from when that is full."""
    return number & 0x7FFF_FFFF


def _alarms(types: PackmlTypes, warnings: bool, seen: Seen) -> list[Any]:
    views = [v for v in seen.snapshot.faults if (v.reaction == "warn") is warnings]
    return [_alarm(types, seen, view) for view in views]


def _stop_reason(types: PackmlTypes, seen: Seen) -> Any:
    first = next((view for view in seen.snapshot.faults if view.first), None)
    if first is not None:
        return _alarm(types, seen, first)
    cause, number = seen.snapshot.first_cause, first_cause_number(seen.snapshot)
    return types.make(table.ALARM, ID=number, Message=cause, DateTime=NEVER, AckDateTime=NEVER)


def _alarm(types: PackmlTypes, seen: Seen, view: FaultView) -> Any:
    """Value: how often it came. Category: how strongly the line reacts, 0 warn to 4 abort."""
    message = f"{view.text} ({view.detail})" if view.detail else view.text
    return types.make(
        table.ALARM, ID=FAULT_NUMBERS[view.name], Value=view.count, Message=message,
        Category=int(Reaction[view.reaction.upper()]), DateTime=seen.since(view.since_ns),
        AckDateTime=seen.acknowledged_at(view) if view.acknowledged else NEVER, Trigger=view.active,
    )  # fmt: skip
