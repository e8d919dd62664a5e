"""A line's object in the address space: a PackML unit with our own objects beside Admin and Status.

The line's nodes have names for ids (`demo/Status/CurMachSpeed`), the same after every launch. Methods are the nodes of
the types, shared by all lines: the object a method is called on says which line is meant.
"""

from __future__ import annotations

from dataclasses import dataclass

from asyncua import Server, ua

from controller.faults import FAULTS
from controller.plant.image import LineAbout
from controller.plant.opcua import packml_table as table
from controller.plant.opcua.eu import unit
from controller.plant.opcua.fault_points import FAULT_MEMBERS, fault_points
from controller.plant.opcua.nodes import MANDATORY, Id, Nodes
from controller.plant.opcua.packml_points import STATES_AT, packml_points
from controller.plant.opcua.packml_types import PackmlTypes
from controller.plant.opcua.points import LINE_POINTS
from controller.plant.opcua.seen import Point

NAMESPACE = "urn:beltcue:line"
LINE_TYPE, FAULT_TYPE, EVENT_TYPE = "types/LineType", "types/FaultType", "types/FaultEventType"
ACKNOWLEDGE, RESET_COUNTERS = f"{LINE_TYPE}/Acknowledge", f"{LINE_TYPE}/ResetCounters"
EVENT_MEMBERS: dict[str, tuple[ua.VariantType, str]] = {
    "Fault": (ua.VariantType.String, "the fault's name"),
    "Code": FAULT_MEMBERS["Code"],
    "Reaction": FAULT_MEMBERS["Reaction"],
    "Active": (ua.VariantType.Boolean, "whether it came or went"),
    "FirstCause": FAULT_MEMBERS["FirstCause"],
    "WhatToDo": FAULT_MEMBERS["WhatToDo"],
}
_O = ua.ObjectIds


@dataclass(frozen=True, slots=True)
class LineSpace:
    """The nodes of one line: its object, and each value's."""

    node: ua.NodeId
    values: list[tuple[ua.NodeId, Point]]
    owners: dict[int, ua.NodeId]
    """The type that has methods → the object that they are called on."""


class Space:
    """What is in one server: the types once, and lines."""

    def __init__(self, server: Server, types: PackmlTypes, index: int) -> None:
        """`index` is that of our own namespace."""
        self.types = types
        self._nodes = Nodes(server, index)

    def node(self, name: str) -> ua.NodeId:
        """The node of ours with that name for an id."""
        return ua.NodeId(name, self._nodes.index)

    async def add_types(self) -> None:
        """Add our own types: a line, a fault, and the event that tells of one."""
        nodes = self._nodes
        for path, base in (
            (LINE_TYPE, self.types.node(table.UNIT)), (FAULT_TYPE, _O.BaseObjectType), (EVENT_TYPE, _O.BaseEventType),
        ):  # fmt: skip
            nodes.object_type(self.node(path), _last(path), base)
        for owner, members in ((FAULT_TYPE, FAULT_MEMBERS), (EVENT_TYPE, EVENT_MEMBERS)):
            add = nodes.property if owner == EVENT_TYPE else nodes.variable
            for name, (type_, text) in members.items():
                add(
                    self.node(f"{owner}/{name}"),
                    nodes.name(name),
                    self.node(owner),
                    type_.value,
                    rule=MANDATORY,
                    text=text,
                )
        self._own(LINE_TYPE, None)
        nodes.object(self.node(f"{LINE_TYPE}/Faults"), nodes.name("Faults"), self.node(LINE_TYPE), rule=MANDATORY)
        for path in (ACKNOWLEDGE, RESET_COUNTERS):
            nodes.method(self.node(path), nodes.name(_last(path)), self.node(LINE_TYPE), rule=MANDATORY)
        fault = ("Fault", _O.String, False)
        nodes.arguments(self.node(f"{ACKNOWLEDGE}/In"), self.node(ACKNOWLEDGE), [fault], rule=MANDATORY)
        await nodes.flush()

    async def add_line(self, about: LineAbout) -> LineSpace:
        """Add a line under PackMLObjects."""
        nodes, line = self._nodes, about.name
        node = nodes.object(
            self.node(line), nodes.name(line), self.types.node(table.OBJECTS), self.node(LINE_TYPE),
            reference=_O.Organizes, events=True,
        )  # fmt: skip
        nodes.refer(ua.NodeId(_O.Server), _O.HasNotifier, node)
        nodes.refer(node, _O.GeneratesEvent, self.node(EVENT_TYPE))
        owners = self._packml(about)
        points = [*packml_points(self.types), *LINE_POINTS]
        values = self._own(line, about)
        for point in packml_points(self.types):
            values[point.path] = self._packml_value(about, point)
        nodes.object(self.node(f"{line}/Faults"), nodes.name("Faults"), node)
        for fault in FAULTS:
            nodes.object(
                self.node(f"{line}/Faults/{fault}"),
                nodes.name(fault),
                self.node(f"{line}/Faults"),
                self.node(FAULT_TYPE),
            )
            for point in fault_points(fault):
                points.append(point)
                values[point.path] = nodes.variable(
                    self.node(f"{line}/{point.path}"), nodes.name(_last(point.path)),
                    self.node(f"{line}/Faults/{fault}"), point.type.value,
                )  # fmt: skip
        for path in (ACKNOWLEDGE, RESET_COUNTERS):
            nodes.refer(node, _O.HasComponent, self.node(path))
        await nodes.flush()
        return LineSpace(node, [(values[p.path], p) for p in points], owners)

    def _own(self, root: str, about: LineAbout | None) -> dict[str, ua.NodeId]:
        """Our own values under a line, or under the type where `about` is None."""
        nodes, rule = self._nodes, MANDATORY if about is None else None
        made: set[str] = set()
        values: dict[str, ua.NodeId] = {}
        for point in LINE_POINTS:
            *folders, name = point.path.split("/")
            parent = root
            for folder in folders:
                at = f"{parent}/{folder}"
                if at not in made:
                    made.add(at)
                    nodes.object(self.node(at), nodes.name(folder), self.node(parent), rule=rule)
                parent = at
            values[point.path] = nodes.variable(
                self.node(f"{root}/{point.path}"), nodes.name(name), self.node(parent), point.type.value, rule=rule,
                type_=_O.BaseDataVariableType if point.analog is None else _O.AnalogItemType, text=point.text,
            )  # fmt: skip
            self._analog(f"{root}/{point.path}", point, about)
        return values

    def _analog(self, path: str, point: Point, about: LineAbout | None) -> None:
        """Range and unit of an analogue value; a type says only that there are some."""
        if point.analog is None:
            return
        nodes, rule = self._nodes, MANDATORY if about is None else None
        range_, unit_ = None, None
        if about is not None:
            analog = point.analog(about)
            range_ = ua.Variant(ua.Range(Low=analog.low, High=analog.high))
            unit_ = ua.Variant(unit(analog.unit))
        for name, type_, value in (("EURange", _O.Range, range_), ("EngineeringUnits", _O.EUInformation, unit_)):
            text = nodes.name(name, standard=True)
            nodes.property(self.node(f"{path}/{name}"), text, self.node(path), type_, value=value, rule=rule)

    def _packml(self, about: LineAbout) -> dict[int, ua.NodeId]:
        """The objects of a PackML unit, and the methods on them; returns the objects by the type that has methods."""
        nodes, types, line = self._nodes, self.types, about.name
        unit_node = self.node(line)
        for name, value in (("TagID", line), ("PackMLVersion", table.TAGS_VERSION)):
            nodes.property(self.node(f"{line}/{name}"), types.name(name), unit_node, _O.String, value=ua.Variant(value))
        for name, type_, _ in table.UNIT_OBJECTS.values():
            nodes.object(self.node(f"{line}/{name}"), types.name(name), unit_node, types.node(type_))
        owners = {table.UNIT: unit_node}
        for machine, place in STATES_AT.items():
            parent, _, name = f"{line}/{place}".rpartition("/")
            here = nodes.object(self.node(f"{line}/{place}"), types.name(name), self.node(parent), types.node(machine))
            owners[machine] = here
            row = table.MACHINES[machine]
            for which, numbers in (
                ("AvailableStates", [state[1] for state in row.states]),
                ("AvailableTransitions", [transition[2] for transition in row.transitions]),
            ):
                value = ua.Variant([types.node(n) for n in numbers], ua.VariantType.NodeId)
                text = nodes.name(which, standard=True)
                nodes.variable(self.node(f"{line}/{place}/{which}"), text, here, _O.NodeId, rank=1, value=value)
        for number, (owner, *_) in table.METHODS.items():
            nodes.refer(owners[owner], _O.HasComponent, types.node(number))
        return owners

    def _packml_value(self, about: LineAbout, point: Point) -> ua.NodeId:
        nodes, types = self._nodes, self.types
        parent_path, _, name = f"{about.name}/{point.path}".rpartition("/")
        node, parent = self.node(f"{about.name}/{point.path}"), self.node(parent_path)
        if name == "CurrentState":
            text = nodes.name(name, standard=True)
            return nodes.variable(node, text, parent, _O.LocalizedText, type_=_O.FiniteStateVariableType)
        if name in ("Id", "Number"):
            return nodes.property(
                node, nodes.name(name, standard=True), parent, _O.NodeId if name == "Id" else _O.UInt32
            )
        owner = table.STATUS if parent_path.endswith("/Status") else table.ADMIN
        member = next(m for m in table.MEMBERS[owner] if m.name == name)
        data_type = types.node(table.MODES) if name == "UnitModeCurrent" else types.data_type(member.data_type)
        if member.is_property:
            return nodes.property(node, types.name(name), parent, data_type)
        reference: Id = _O.HasComponent if member.reference is None else types.node(member.reference)
        kind = _O.BaseDataVariableType if member.analog_range is None else _O.AnalogItemType
        nodes.variable(node, types.name(name), parent, data_type, rank=member.rank, type_=kind, reference=reference)
        self._analog(f"{about.name}/{point.path}", point, about)
        return node


def _last(path: str) -> str:
    return path.rpartition("/")[2]


async def add_space(server: Server, types: PackmlTypes) -> Space:
    """Add our own namespace with its types to a server that has PackML's."""
    space = Space(server, types, await server.register_namespace(NAMESPACE))
    await space.add_types()
    return space
