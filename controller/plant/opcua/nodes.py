"""Puts nodes into a server's address space, many at once, with the references and definitions that belong to them."""

from __future__ import annotations

from collections.abc import Callable, Coroutine, Sequence
from typing import Any, TypeAlias

from asyncua import Server, ua

Method = Callable[..., Coroutine[Any, Any, Any]]
"""What runs a method: the object's node and the arguments in, a `ua.StatusCode` or output values out."""

OPTIONAL, MANDATORY = ua.ObjectIds.ModellingRule_Optional, ua.ObjectIds.ModellingRule_Mandatory
Id: TypeAlias = "ua.NodeId | int"
"""A node, or the number of one in the base standard."""


def node_of(number: Id) -> ua.NodeId:
    """The node of a number of the base standard."""
    return ua.NodeId(number) if isinstance(number, int) else number


class Nodes:
    """Collects nodes of one namespace, parents first, and adds them with `flush`."""

    def __init__(self, server: Server, index: int) -> None:
        """`index` is that of the namespace which browse names belong to unless they are the base standard's."""
        self._session = server.iserver.isession
        self._server = server
        self.index = index
        self._items: list[ua.AddNodesItem] = []
        self._references: list[ua.AddReferencesItem] = []
        self._definitions: list[tuple[ua.NodeId, ua.StructureDefinition | ua.EnumDefinition]] = []
        self._methods: list[tuple[ua.NodeId, Method]] = []

    def name(self, text: str, standard: bool = False) -> ua.QualifiedName:
        """A browse name, of this namespace or of the base standard."""
        return ua.QualifiedName(text, 0 if standard else self.index)

    def object(
        self, node: ua.NodeId, name: ua.QualifiedName, parent: Id, type_: Id = ua.ObjectIds.BaseObjectType, *,
        reference: Id = ua.ObjectIds.HasComponent, rule: int | None = None, events: bool = False, text: str = "",
    ) -> ua.NodeId:  # fmt: skip
        """Add an object; `events`: clients may subscribe to its events."""
        attributes = ua.ObjectAttributes(EventNotifier=1 if events else 0)
        return self._add(ua.NodeClass.Object, node, name, parent, reference, attributes, type_, rule, text)

    def variable(
        self, node: ua.NodeId, name: ua.QualifiedName, parent: Id, data_type: Id, *, rank: int = -1,
        value: ua.Variant | None = None, type_: Id = ua.ObjectIds.BaseDataVariableType,
        reference: Id = ua.ObjectIds.HasComponent, rule: int | None = None, text: str = "",
    ) -> ua.NodeId:  # fmt: skip
        """Add a variable that clients may read; without a value it is null."""
        attributes = ua.VariableAttributes(
            DataType=node_of(data_type), ValueRank=rank, ArrayDimensions=[0] * rank if rank > 0 else None,
            Value=ua.Variant() if value is None else value,
        )  # fmt: skip
        return self._add(ua.NodeClass.Variable, node, name, parent, reference, attributes, type_, rule, text)

    def property(
        self, node: ua.NodeId, name: ua.QualifiedName, parent: Id, data_type: Id, *, rank: int = -1,
        value: ua.Variant | None = None, rule: int | None = None, text: str = "",
    ) -> ua.NodeId:  # fmt: skip
        """Add a property."""
        return self.variable(
            node, name, parent, data_type, rank=rank, value=value, type_=ua.ObjectIds.PropertyType,
            reference=ua.ObjectIds.HasProperty, rule=rule, text=text,
        )  # fmt: skip

    def method(
        self, node: ua.NodeId, name: ua.QualifiedName, parent: Id, run: Method | None = None, rule: int | None = None
    ) -> ua.NodeId:
        """Add a method; without `run` it is linked later."""
        attributes = ua.MethodAttributes(Executable=True, UserExecutable=True)
        self._add(ua.NodeClass.Method, node, name, parent, ua.ObjectIds.HasComponent, attributes, None, rule)
        if run is not None:
            self._methods.append((node, run))
        return node

    def arguments(
        self, node: ua.NodeId, method: ua.NodeId, inputs: Sequence[tuple[str, Id, bool]], rule: int | None = None
    ) -> None:
        """Say what a method takes: name, data type, array."""
        rows = [
            ua.Argument(Name=n, DataType=node_of(t), ValueRank=1 if array else -1, ArrayDimensions=[0] if array else [])
            for n, t, array in inputs
        ]
        value = ua.Variant(rows, ua.VariantType.ExtensionObject)
        name = self.name("InputArguments", standard=True)
        self.property(node, name, method, ua.ObjectIds.Argument, rank=1, value=value, rule=rule)

    def object_type(self, node: ua.NodeId, name: str, base: Id) -> ua.NodeId:
        """Add an object type."""
        attributes = ua.ObjectTypeAttributes(IsAbstract=False)
        return self._type(ua.NodeClass.ObjectType, node, name, base, attributes)

    def reference_type(self, node: ua.NodeId, name: str, base: Id, inverse: str) -> ua.NodeId:
        """Add a reference type with the name it has the other way round."""
        attributes = ua.ReferenceTypeAttributes(
            IsAbstract=False, Symmetric=False, InverseName=ua.LocalizedText(inverse)
        )
        return self._type(ua.NodeClass.ReferenceType, node, name, base, attributes)

    def data_type(
        self, node: ua.NodeId, name: str, base: Id, definition: ua.StructureDefinition | ua.EnumDefinition
    ) -> ua.NodeId:
        """Add a data type with its definition."""
        self._definitions.append((node, definition))
        return self._type(ua.NodeClass.DataType, node, name, base, ua.DataTypeAttributes(IsAbstract=False))

    def refer(self, source: ua.NodeId, reference: Id, target: Id) -> None:
        """Add a reference, both ways, between nodes that are there or will be by `flush`."""
        for start, end, forward in ((source, target, True), (target, source, False)):
            item = ua.AddReferencesItem(
                SourceNodeId=node_of(start),
                ReferenceTypeId=node_of(reference),
                IsForward=forward,
                TargetNodeId=node_of(end),
            )
            self._references.append(item)

    async def flush(self) -> None:
        """Add what was collected. Raises `ua.UaError` where a node or a reference cannot be: a defect of ours."""
        for added in await self._session.add_nodes(self._items):
            added.StatusCode.check()
        for status in await self._session.add_references(self._references):
            status.check()
        for node, definition in self._definitions:
            await self._server.get_node(node).write_data_type_definition(definition)
        for node, run in self._methods:
            self._session.add_method_callback(node, run).check()
        self._items, self._references, self._definitions, self._methods = [], [], [], []

    def _type(self, kind: ua.NodeClass, node: ua.NodeId, name: str, base: Id, attributes: Any) -> ua.NodeId:
        return self._add(kind, node, self.name(name), base, ua.ObjectIds.HasSubtype, attributes, None, None)

    def _add(
        self, kind: ua.NodeClass, node: ua.NodeId, name: ua.QualifiedName, parent: Id, reference: Id,
        attributes: Any, type_: Id | None, rule: int | None, text: str = "",
    ) -> ua.NodeId:  # fmt: skip
        attributes.DisplayName = ua.LocalizedText(name.Name)
        attributes.Description = ua.LocalizedText(text or None)
        item = ua.AddNodesItem(
            ParentNodeId=node_of(parent), ReferenceTypeId=node_of(reference), RequestedNewNodeId=node, BrowseName=name,
            NodeClass=kind, NodeAttributes=attributes, TypeDefinition=ua.NodeId() if type_ is None else node_of(type_),
        )  # fmt: skip
        self._items.append(item)
        if rule is not None:
            # One way only: the rule itself lists nobody who follows it.
            self._references.append(
                ua.AddReferencesItem(
                    SourceNodeId=node, ReferenceTypeId=ua.NodeId(ua.ObjectIds.HasModellingRule), IsForward=True,
                    TargetNodeId=ua.NodeId(rule),
                )
            )  # fmt: skip
        return node
