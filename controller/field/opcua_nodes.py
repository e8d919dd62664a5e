"""The nodes of a line found on a server: their ids, and whether they are what the line's file says.

What is wrong with the nodes themselves is told with all that is wrong (`WrongPointsError`); a server that does not
answer, or cannot say yet, is a `LinkError` and asked again.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from asyncua import ua

from controller.node_points import Kind, Node, NodeMap
from controller.ports import LinkError, WrongPointsError
from controller.registers import RING_SIZE

WIDTHS = {
    ua.VariantType.Int16: 16, ua.VariantType.UInt16: 16, ua.VariantType.Int32: 32, ua.VariantType.UInt32: 32,
    ua.VariantType.Int64: 64, ua.VariantType.UInt64: 64,
}  # fmt: skip
"""Bits of each number that a value may be kept in."""
SIGNED = frozenset({ua.VariantType.Int16, ua.VariantType.Int32, ua.VariantType.Int64})
ATTRIBUTES = (
    ua.AttributeIds.NodeClass, ua.AttributeIds.DataType, ua.AttributeIds.ValueRank, ua.AttributeIds.AccessLevel,
    ua.AttributeIds.UserAccessLevel, ua.AttributeIds.Value,
)  # fmt: skip
UNKNOWN = frozenset({ua.StatusCodes.BadNodeIdUnknown, ua.StatusCodes.BadNodeIdInvalid, ua.StatusCodes.BadNoMatch})
NAMESPACES = ua.NodeId(ua.ObjectIds.Server_NamespaceArray)
READ, WRITE = 1 << ua.AccessLevel.CurrentRead, 1 << ua.AccessLevel.CurrentWrite


class Session(Protocol):
    """What of a client's session is used here."""

    async def read_attributes(self, nodeids: list[ua.NodeId], attr: ua.AttributeIds) -> list[ua.DataValue]:
        """Read one attribute of several nodes."""
        ...

    async def translate_browsepaths_to_nodeids(self, browse_paths: list[ua.BrowsePath]) -> list[ua.BrowsePathResult]:
        """Find what browse paths lead to."""
        ...


@dataclass(frozen=True, slots=True)
class Found:
    """One node on the server, and the type of number that it holds."""

    node: Node
    id: ua.NodeId
    type: ua.VariantType

    def variant(self, value: int | bool) -> ua.Variant:
        """The value as the node takes it: a signed one has the same bits."""
        if self.type in SIGNED and not isinstance(value, bool):
            half = 1 << WIDTHS[self.type] - 1
            value = (value + half) % (2 * half) - half
        return ua.Variant(value, self.type)


def code_name(status: ua.StatusCode | None) -> str:
    """A status code by its name."""
    return "no status" if status is None else status.name


async def find(session: Session, nodes: NodeMap, device: str) -> dict[str, Found]:
    """Find every node of a map on the server, and look at each. Raises WrongPointsError, LinkError."""
    each = nodes.nodes
    ids = await _ids(session, each, device)
    attributes: dict[ua.AttributeIds, list[ua.DataValue]] = {}
    for attribute in ATTRIBUTES:
        attributes[attribute] = await session.read_attributes(ids, attribute)
    written = {node.name for node in nodes.rest + nodes.last}
    found, wrong = {}, []
    for place, node in enumerate(each):
        has = {attribute: answers[place] for attribute, answers in attributes.items()}
        problems = list(_problems(node, has, nodes.bits_of(node.kind), node.name in written))
        wrong += problems
        if not problems:
            kind = _type(has)
            assert kind is not None
            found[node.name] = Found(node, ids[place], kind)
    _refuse(device, wrong)
    return found


def _refuse(device: str, wrong: Sequence[str]) -> None:
    if wrong:
        more = f" (and {len(wrong) - 1} more)" if len(wrong) > 1 else ""
        raise WrongPointsError(f"{device}: {wrong[0]}{more}")


async def _ids(session: Session, nodes: Sequence[Node], device: str) -> list[ua.NodeId]:
    namespaces: Mapping[str, int] = {}
    if any(node.place.uri is not None for node in nodes):
        (array,) = await session.read_attributes([NAMESPACES], ua.AttributeIds.Value)
        names = array.Value.Value if array.Value is not None else None
        if not isinstance(names, list):
            raise LinkError(f"{device} does not say its namespaces ({code_name(array.StatusCode)}): trying on")
        namespaces = {name: index for index, name in enumerate(names)}
    by_path = [node for node in nodes if node.place.steps]
    targets = await _follow(session, by_path) if by_path else {}
    ids, wrong = [], []
    for node in nodes:
        uri = node.place.uri
        if node.place.steps:
            target = targets[node.name]
            if isinstance(target, str):
                wrong.append(f"{node}: {target}; compare opcua.nodes with the server's own tree")
            else:
                ids.append(target)
        elif uri is not None and uri not in namespaces:
            wrong.append(f'{node}: the server has no namespace "{uri}"; compare it with the server\'s own list')
        else:
            ids.append(ua.NodeId.from_string(node.place.node_id(None if uri is None else namespaces[uri])))
    _refuse(device, wrong)
    return ids


async def _follow(session: Session, nodes: Sequence[Node]) -> dict[str, ua.NodeId | str]:
    """Where browse paths lead: to a node, or why not."""
    asked = []
    for node in nodes:
        elements = [
            ua.RelativePathElement(
                ReferenceTypeId=ua.NodeId(ua.ObjectIds.HierarchicalReferences),
                IsInverse=False,
                IncludeSubtypes=True,
                TargetName=ua.QualifiedName(name, namespace),
            )
            for namespace, name in node.place.steps
        ]
        asked.append(ua.BrowsePath(ua.NodeId(ua.ObjectIds.RootFolder), ua.RelativePath(elements)))
    found: dict[str, ua.NodeId | str] = {}
    for node, answer in zip(nodes, await session.translate_browsepaths_to_nodeids(asked), strict=True):
        targets = [target.TargetId for target in answer.Targets or ()]
        status = answer.StatusCode
        if status.value in UNKNOWN:
            found[node.name] = "the path leads to no node"
        elif not status.is_good():
            raise LinkError(f"{node}: the server cannot follow the path ({code_name(status)}): trying on")
        elif len(targets) != 1:
            found[node.name] = f"the path leads to {len(targets)} nodes, not to one"
        else:
            target = targets[0]
            found[node.name] = ua.NodeId(target.Identifier, target.NamespaceIndex, target.NodeIdType)
    return found


def _problems(node: Node, has: Mapping[ua.AttributeIds, ua.DataValue], bits: int, written: bool) -> Iterator[str]:
    """What is wrong with a node, each in a line that says how to mend it."""
    kind_status = has[ua.AttributeIds.NodeClass].StatusCode
    if kind_status is not None and kind_status.value in UNKNOWN:
        yield f"{node}: the server has no such node; compare [opcua] with the server's own tree"
        return
    if kind_status is not None and not kind_status.is_good():
        raise LinkError(f"{node}: the server cannot say what it is ({code_name(kind_status)}): trying on")
    if _of(has, ua.AttributeIds.NodeClass) != ua.NodeClass.Variable:
        yield f"{node}: is no variable; name the variable itself"
        return
    yield from _type_problems(node, has, bits)
    need, way = (WRITE, "read-only") if written else (READ, "not readable")
    level = _of(has, ua.AttributeIds.AccessLevel)
    user_level = _of(has, ua.AttributeIds.UserAccessLevel)
    if isinstance(level, int) and not level & need:
        yield f"{node}: is {way}; open it in the server, or name the right node"
    elif isinstance(user_level, int) and not user_level & need:
        yield f"{node}: is {way} to this user; give the user the right to it, or set opcua.user"


def _type_problems(node: Node, has: Mapping[ua.AttributeIds, ua.DataValue], bits: int) -> Iterator[str]:
    kind, value_type = node.kind, _type(has)
    wanted = f"wanted is {kind}" + (f" ({bits} bits)" if kind in (Kind.COUNT, Kind.COUNTS) else "")
    if value_type is None:
        yield f"{node}: has a data type of its own; {wanted}"
        return
    right = value_type is ua.VariantType.Boolean if kind is Kind.BIT else WIDTHS.get(value_type, 0) >= bits
    rank, value = _of(has, ua.AttributeIds.ValueRank), _of(has, ua.AttributeIds.Value)
    is_array = isinstance(value, list) or (isinstance(rank, int) and rank >= 1)
    # A rank that leaves it open says nothing, where there is no value to look at.
    right_shape = is_array is kind.is_array or (value is None and rank in (None, -2, -3))
    if not (right and right_shape):
        yield f"{node}: is {'an array of ' if is_array else ''}{value_type.name}; {wanted}"
    elif isinstance(value, list) and len(value) != RING_SIZE:
        yield f"{node}: has {len(value)} values; {wanted}"


def _type(has: Mapping[ua.AttributeIds, ua.DataValue]) -> ua.VariantType | None:
    """The type that a node holds: as it says, or, where it has a name of its own for it, as its value is."""
    said = _of(has, ua.AttributeIds.DataType)
    # The built-in types are 1 to 15; of those that stand for several, such as Number, the value says which.
    if isinstance(said, ua.NodeId) and said.NamespaceIndex == 0 and said.Identifier in range(1, 16):
        return ua.VariantType(said.Identifier)
    value = has[ua.AttributeIds.Value].Value
    return value.VariantType if value is not None and isinstance(value.VariantType, ua.VariantType) else None


def _of(has: Mapping[ua.AttributeIds, ua.DataValue], attribute: ua.AttributeIds) -> Any:
    answer = has[attribute]
    good = answer.StatusCode is None or answer.StatusCode.is_good()
    return answer.Value.Value if good and answer.Value is not None else None
