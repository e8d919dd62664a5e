"""The types of OPC 30050 in a server's address space, made from the table."""

from __future__ import annotations

from datetime import datetime
from functools import partial
from typing import Any

from asyncua import Server, ua

from controller.plant.opcua import packml_table as table
from controller.plant.opcua.nodes import MANDATORY, OPTIONAL, Id, Nodes

_O = ua.ObjectIds


class PackmlTypes:
    """The namespace's index in one server, and the structures as classes that the library encodes."""

    def __init__(self, index: int) -> None:
        self.index = index

    def node(self, number: int) -> ua.NodeId:
        """The node of a number of OPC 30050."""
        return ua.NodeId(number, self.index)

    def name(self, text: str) -> ua.QualifiedName:
        """A browse name of OPC 30050."""
        return ua.QualifiedName(text, self.index)

    def data_type(self, type_: int | str) -> ua.NodeId:
        """The node of a data type that the table names."""
        if isinstance(type_, int):
            return ua.NodeId(type_)
        return self.node(next(number for number, row in table.STRUCTURES.items() if row.name == type_))

    def make(self, number: int, **fields: Any) -> Any:
        """A value of a structure of the table."""
        return ua.extension_objects_by_datatype[self.node(number)](**fields)


async def add_packml(server: Server) -> PackmlTypes:
    """Add the namespace with its types and its folder of units; they are in the server once and for all lines."""
    types = PackmlTypes(await server.register_namespace(table.NAMESPACE))
    nodes = Nodes(server, types.index)
    for number, (name, inverse) in table.REFERENCE_TYPES.items():
        nodes.reference_type(types.node(number), name, _O.HasComponent, inverse)
    _data_types(nodes, types)
    for number, (name, base) in table.OBJECT_TYPES.items():
        nodes.object_type(types.node(number), name, base)
    _machines(nodes, types)
    for owner in (table.STATUS, table.ADMIN, table.UNIT):
        for member in table.MEMBERS[owner]:
            _member(nodes, types, types.node(owner), member)
    for number, (name, type_, again) in table.UNIT_OBJECTS.items():
        unit = types.node(table.UNIT)
        parent = nodes.object(types.node(number), nodes.name(name), unit, types.node(type_), rule=MANDATORY)
        for member in again:
            _member(nodes, types, parent, member)
    _sub_machines(nodes, types)
    _methods(nodes, types)
    _causes(nodes, types)
    nodes.object(
        types.node(table.OBJECTS), nodes.name("PackMLObjects"), _O.ObjectsFolder, _O.FolderType, reference=_O.Organizes
    )
    _metadata(nodes, types)
    await nodes.flush()
    await server.load_data_type_definitions()
    return types


def _data_types(nodes: Nodes, types: PackmlTypes) -> None:
    for number, row in table.STRUCTURES.items():
        fields = [
            ua.StructureField(Name=n, DataType=types.data_type(t), ValueRank=1 if array else -1, IsOptional=False)
            for n, t, array in row.fields
        ]
        definition = ua.StructureDefinition(
            DefaultEncodingId=types.node(row.encoding), BaseDataType=ua.NodeId(_O.Structure), Fields=fields
        )
        nodes.data_type(types.node(number), row.name, _O.Structure, definition)
        name = nodes.name("Default Binary", standard=True)
        at = types.node(number)
        nodes.object(types.node(row.encoding), name, at, _O.DataTypeEncodingType, reference=_O.HasEncoding)
    values = [
        ua.EnumField(Value=n, Name=name, DisplayName=ua.LocalizedText(name)) for n, name in enumerate(table.MODE_NAMES)
    ]
    modes = types.node(table.MODES)
    nodes.data_type(modes, "ProductionMaintenanceModeEnum", _O.Enumeration, ua.EnumDefinition(Fields=values))
    rows = [ua.EnumValueType(Value=n, DisplayName=ua.LocalizedText(name)) for n, name in enumerate(table.MODE_NAMES)]
    nodes.property(
        types.node(table.MODE_VALUES), nodes.name("EnumValues", standard=True), modes, _O.EnumValueType, rank=1,
        value=ua.Variant(rows, ua.VariantType.ExtensionObject), rule=MANDATORY,
    )  # fmt: skip


def _machines(nodes: Nodes, types: PackmlTypes) -> None:
    for number, machine in table.MACHINES.items():
        owner = types.node(number)
        states = {}
        for name, node, number_node, state_number in machine.states:
            rule = OPTIONAL if name == "Cleared" else None
            states[name] = nodes.object(types.node(node), nodes.name(name), owner, _O.StateType, rule=rule)
            value = ua.Variant(state_number, ua.VariantType.UInt32)
            _number(nodes, types.node(number_node), "StateNumber", states[name], value)
        for start, end, node, number_node, _ in machine.transitions:
            here = nodes.object(types.node(node), nodes.name(f"{start}To{end}"), owner, _O.TransitionType)
            # The standard gives transitions no numbers; null says so.
            _number(nodes, types.node(number_node), "TransitionNumber", here, None)
            nodes.refer(here, _O.FromState, states[start])
            nodes.refer(here, _O.ToState, states[end])
        _available(nodes, types, owner, machine.available)


def _number(nodes: Nodes, node: ua.NodeId, name: str, parent: ua.NodeId, value: ua.Variant | None) -> None:
    nodes.property(node, nodes.name(name, standard=True), parent, _O.UInt32, value=value, rule=MANDATORY)


def _available(nodes: Nodes, types: PackmlTypes, owner: ua.NodeId, numbers: tuple[int, int]) -> None:
    for name, number in zip(("AvailableStates", "AvailableTransitions"), numbers, strict=True):
        text = nodes.name(name, standard=True)
        nodes.variable(types.node(number), text, owner, _O.NodeId, rank=1, rule=MANDATORY)


def _sub_machines(nodes: Nodes, types: PackmlTypes) -> None:
    standard = partial(nodes.name, standard=True)
    for sub in table.SUB_MACHINES:
        parent, type_ = types.node(sub.parent), types.node(sub.type)
        here = nodes.object(types.node(sub.number), nodes.name(sub.name), parent, type_, rule=MANDATORY)
        _available(nodes, types, here, sub.available)
        current = nodes.variable(
            types.node(sub.current), standard("CurrentState"), here, _O.LocalizedText, type_=_O.FiniteStateVariableType,
            rule=MANDATORY,
        )  # fmt: skip
        nodes.property(types.node(sub.current_id), standard("Id"), current, _O.NodeId, rule=MANDATORY)
        if sub.of_state is not None:
            nodes.refer(types.node(sub.of_state), _O.HasSubStateMachine, here)


def _member(nodes: Nodes, types: PackmlTypes, owner: ua.NodeId, member: table.Member) -> None:
    node, name, rule = types.node(member.number), nodes.name(member.name), MANDATORY if member.mandatory else OPTIONAL
    data_type = types.data_type(member.data_type)
    if member.is_property:
        value = ua.Variant(table.TAGS_VERSION) if member.name == "PackMLVersion" else None
        nodes.property(node, name, owner, data_type, rank=member.rank, rule=rule, value=value)
        return
    reference: Id = _O.HasComponent if member.reference is None else types.node(member.reference)
    kind = _O.BaseDataVariableType if member.analog_range is None else _O.AnalogItemType
    nodes.variable(node, name, owner, data_type, rank=member.rank, type_=kind, reference=reference, rule=rule)
    if member.analog_range is not None:
        text = nodes.name("EURange", standard=True)
        nodes.property(types.node(member.analog_range), text, node, _O.Range, rule=MANDATORY)


def _methods(nodes: Nodes, types: PackmlTypes) -> None:
    for number, (owner, name, mandatory, arguments, inputs) in table.METHODS.items():
        rule = MANDATORY if mandatory else OPTIONAL
        method = nodes.method(types.node(number), nodes.name(name), types.node(owner), rule=rule)
        if arguments is not None:
            rows = [(n, types.data_type(t), array) for n, t, array in inputs]
            nodes.arguments(types.node(arguments), method, rows, rule=MANDATORY)


def _causes(nodes: Nodes, types: PackmlTypes) -> None:
    for machine in table.MACHINES.values():
        for _, _, node, _, cause in machine.transitions:
            if cause is not None:
                nodes.refer(types.node(node), _O.HasCause, types.node(cause))


def _metadata(nodes: Nodes, types: PackmlTypes) -> None:
    here = nodes.object(
        types.node(table.METADATA), nodes.name(table.NAMESPACE), _O.Server_Namespaces, _O.NamespaceMetadataType
    )
    published = datetime.fromisoformat(table.PUBLISHED)
    rows: list[tuple[int, str, int, int, ua.Variant | None]] = [
        (356, "NamespaceUri", _O.String, -1, ua.Variant(table.NAMESPACE)),
        (357, "NamespaceVersion", _O.String, -1, ua.Variant(table.VERSION)),
        (355, "NamespacePublicationDate", _O.DateTime, -1, ua.Variant(published)),
        # Encodings and dictionaries that nobody needs are not here.
        (354, "IsNamespaceSubset", _O.Boolean, -1, ua.Variant(True)),
        (358, "StaticNodeIdTypes", _O.IdType, 1, None),
        (359, "StaticNumericNodeIdRange", _O.NumericRange, 1, None),
        (360, "StaticStringNodeIdPattern", _O.String, -1, None),
    ]
    for number, name, data_type, rank, value in rows:
        text = nodes.name(name, standard=True)
        nodes.property(types.node(number), text, here, data_type, rank=rank, value=value)
