"""The PackML nodes that our server shows, read over a socket, against the standard's own NodeSet.

Source: OPC 30050, NodeSet2 of model 1.01 (2020-10-08), as the npm package node-opcua-nodesets carries it. It is read where
it is installed; nothing of it is kept here.
"""

from __future__ import annotations

import os
import xml.etree.ElementTree as Xml
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
import pytest_asyncio
from asyncua import Client, Server, ua

from controller.model import State
from controller.modes import title
from controller.plant.opcua.packml_table import NAMESPACE
from controller.plant.opcua.packml_types import add_packml
from controller.plant.opcua.publisher import Publisher
from controller.plant.opcua.space import NAMESPACE as OURS
from controller.plant.opcua.space import add_space
from tests.unit.plant_images import ABOUT

pytestmark = [pytest.mark.foreign, pytest.mark.asyncio(loop_scope="module")]

_NS = "{http://opcfoundation.org/UA/2011/03/UANodeSet.xsd}"
_TYPES = "{http://opcfoundation.org/UA/2008/02/Types.xsd}"
Id = tuple[int, int]
"""0 for the base standard, 1 for PackML, 2 for ours; and the number there (0 where it has none)."""
Edge = tuple[Id, Id, Id]
"""From, reference type, to."""


@dataclass
class Node:
    """One node as it should be, or is."""

    kind: str
    name: tuple[int, str]
    data_type: Id | None = None
    rank: int = -1
    state_number: int | None = None
    parts: list[tuple[str, Id | int, int]] = field(default_factory=list)
    """Fields of a structure and arguments of a method: name, data type, rank; names of an enumeration with their numbers."""
    edges: set[Edge] = field(default_factory=set)


def nodeset() -> Path:
    folder = os.environ.get("BELTCUE_NODE_MODULES")
    if not folder:
        pytest.skip("BELTCUE_NODE_MODULES is not set: the NodeSet of npm's node-opcua-nodesets is not to be had")
    return Path(folder) / "node-opcua-nodesets" / "nodesets" / "Opc.Ua.PackML.NodeSet2.xml"


@pytest.fixture(scope="module")
def published() -> dict[int, Node]:
    """All nodes of the NodeSet by their number."""
    root = Xml.parse(nodeset()).getroot()
    aliases = {a.get("Alias"): a.text for a in root.iter(_NS + "Alias")}

    def number(text: str | None) -> Id:
        text = aliases.get(text, text)
        assert text is not None
        space, _, rest = text.rpartition("i=")
        return (1 if space == "ns=1;" else 0), int(rest)

    found: dict[int, Node] = {}
    edges: set[Edge] = set()
    for row in root:
        kind = row.tag.removeprefix(_NS).removeprefix("UA")
        if row.get("NodeId") is None:
            continue
        here = number(row.get("NodeId"))
        text = row.get("BrowseName", "")
        name = text.removeprefix("1:")
        node = found[here[1]] = Node(kind, (int(name != text), name))
        if kind == "Variable":
            node.data_type = number(row.get("DataType", "i=24"))
            node.rank = int(row.get("ValueRank", "-1"))
        for part in row.iter(_NS + "Field"):
            what = int(part.get("Value", "-1")) if "Value" in part.attrib else number(part.get("DataType"))
            node.parts.append((part.get("Name", ""), what, int(part.get("ValueRank", "-1"))))
        for part in row.iter(_TYPES + "Argument"):
            what = number(part.findtext(f"{_TYPES}DataType/{_TYPES}Identifier"))
            node.parts.append((part.findtext(_TYPES + "Name", ""), what, int(part.findtext(_TYPES + "ValueRank", ""))))
        value = row.find(f"{_NS}Value/{_TYPES}UInt32")
        if name == "StateNumber" and value is not None:
            node.state_number = int(value.text or "")
        for reference in row.iter(_NS + "Reference"):
            other, type_ = number(reference.text), number(reference.get("ReferenceType"))
            forward = reference.get("IsForward", "true") == "true"
            edges.add((here, type_, other) if forward else (other, type_, here))
    for edge in edges:
        for space, n in (edge[0], edge[2]):
            if space == 1:
                found[n].edges.add(edge)
    return found


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def client() -> AsyncIterator[Client]:
    server = Server()
    await server.init()
    server.set_endpoint("opc.tcp://127.0.0.1:0/")
    server.set_security_policy([ua.SecurityPolicyType.NoSecurity])
    space = await add_space(server, await add_packml(server))
    line = await space.add_line(ABOUT)
    await Publisher(server, line.values).begin()
    async with server:
        assert server.bserver is not None
        async with Client(f"opc.tcp://127.0.0.1:{server.bserver.port}/", timeout=10) as client:
            yield client


class Reader:
    """Reads nodes as the server shows them."""

    def __init__(self, client: Client, packml: int, ours: int) -> None:
        self.client, self._spaces = client, {0: 0, packml: 1, ours: 2}
        self.packml = packml

    def id(self, node: ua.NodeId) -> Id:
        identifier = node.Identifier
        return self._spaces[node.NamespaceIndex], identifier if isinstance(identifier, int) else 0

    async def node(self, node_id: ua.NodeId) -> Node:
        node = self.client.get_node(node_id)
        kind = (await node.read_node_class()).name
        name = await node.read_browse_name()
        read = Node(kind, (self._spaces[name.NamespaceIndex], name.Name))
        if kind == "Variable":
            read.data_type = self.id(await node.read_data_type())
            read.rank = int(await node.read_value_rank())
            read.state_number = await node.read_value() if name.Name == "StateNumber" else None
            if name.Name == "InputArguments":
                rows = await node.read_value()
                read.parts = [(a.Name, self.id(a.DataType), int(a.ValueRank)) for a in rows]
        if kind == "DataType":
            definition = await node.read_data_type_definition()
            if isinstance(definition, ua.EnumDefinition):
                read.parts = [(f.Name, f.Value, -1) for f in definition.Fields]
            else:
                read.parts = [(f.Name, self.id(f.DataType), int(f.ValueRank)) for f in definition.Fields]
        here = self.id(node_id)
        for reference in await node.get_references():
            type_, other = self.id(reference.ReferenceTypeId), self.id(reference.NodeId)
            read.edges.add((here, type_, other) if reference.IsForward else (other, type_, here))
        return read


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def reader(client: Client) -> Reader:
    return Reader(client, await client.get_namespace_index(NAMESPACE), await client.get_namespace_index(OURS))


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def shown(reader: Reader) -> dict[int, Node]:
    """Every node of the namespace that the server has, by number: whatever number it might have is asked for."""
    nodes = [reader.client.get_node(ua.NodeId(n, reader.packml)) for n in range(1, 2000)]
    answers = await reader.client.read_attributes(nodes, ua.AttributeIds.NodeClass)
    there = [node.nodeid for node, answer in zip(nodes, answers, strict=True) if answer.StatusCode.is_good()]
    return {node.Identifier: await reader.node(node) for node in there}


async def test_every_node_shown_is_that_of_the_nodeset(published: dict[int, Node], shown: dict[int, Node]) -> None:
    assert len(shown) > 200
    for number, node in shown.items():
        wanted = published[number]
        assert (number, node.kind, node.name) == (number, wanted.kind, wanted.name)
        assert (number, node.data_type, node.rank) == (number, wanted.data_type, wanted.rank)
        assert (number, node.state_number) == (number, wanted.state_number)
        assert (number, node.parts) == (number, wanted.parts)


async def test_they_hang_together_as_in_the_nodeset(published: dict[int, Node], shown: dict[int, Node]) -> None:
    """Parents, types, modelling rules, encodings, states of transitions and their causes: every reference."""

    def here(edge: Edge) -> bool:
        return all(space == 0 or (space == 1 and number in shown) for space, number in (edge[0], edge[2]))

    wanted = {edge for number in shown for edge in published[number].edges if here(edge)}
    found = {edge for node in shown.values() for edge in node.edges if here(edge)}
    assert found == wanted, f"too many {found - wanted}, missing {wanted - found}"


async def test_little_is_left_out(published: dict[int, Node], shown: dict[int, Node]) -> None:
    """XML encodings, and the dictionaries with their descriptions."""
    left = {published[number].name[1] for number in published.keys() - shown.keys()}
    assert left == {
        "Default XML", "TypeDictionary", "NamespaceUri", "PackMLCountDataType", "PackMLAlarmDataType",
        "PackMLDescriptorDataType", "PackMLIngredientsDataType", "PackMLProductDataType", "PackMLRemoteInterfaceDataType",
    }  # fmt: skip
    assert all(published[n].kind != "DataType" for n in published.keys() - shown.keys())


async def test_all_states_have_the_numbers_that_the_controller_uses(published: dict[int, Node]) -> None:
    numbers = {}
    for node in published.values():
        if node.state_number is not None:
            parent = next(edge[0] for edge in node.edges if edge[1] == (0, ua.ObjectIds.HasProperty))
            numbers[published[parent[1]].name[1]] = node.state_number
    assert numbers == {title(state): int(state) for state in State} | {"Running": 18, "Cleared": 19}


_COMPONENTS = {(0, ua.ObjectIds.HasComponent), (0, ua.ObjectIds.HasProperty)} | {(1, n) for n in range(21, 26)}
_TYPE = (0, ua.ObjectIds.HasTypeDefinition)
_MANDATORY = ((0, ua.ObjectIds.HasModellingRule), (0, ua.ObjectIds.ModellingRule_Mandatory))


def followed(node: Node, number: Id, types: set[Id]) -> list[tuple[Id, Id]]:
    """Where references of those types lead from a node: the type and the other end."""
    return [(type_, end) for start, type_, end in node.edges if start == number and type_ in types]


def members(published: dict[int, Node], number: int) -> dict[str, tuple[Id, int]]:
    """What a node of the NodeSet has, with what its type has: name → reference and number."""
    here = (1, number)
    type_ = next((end for _, end in followed(published[number], here, {_TYPE})), (0, 0))
    found = members(published, type_[1]) if type_[0] == 1 else {}
    for reference, end in followed(published[number], here, _COMPONENTS):
        if end[0] == 1:
            found[published[end[1]].name[1]] = reference, end[1]
    return found


async def compare(published: dict[int, Node], reader: Reader, node: ua.NodeId, declared: int) -> set[str]:
    """Compare the children of an instance with the members of the node declared; returns all names compared."""
    wanted = members(published, declared)
    here: set[str] = set()
    below: set[str] = set()
    for reference in await reader.client.get_node(node).get_references(direction=ua.BrowseDirection.Forward):
        name = reference.BrowseName.Name
        if reader.id(reference.ReferenceTypeId) not in _COMPONENTS or name not in wanted:
            continue
        type_, number = wanted[name]
        assert (name, reader.id(reference.ReferenceTypeId)) == (name, type_)
        here.add(name)
        child, found = published[number], await reader.node(reference.NodeId)
        assert (name, found.kind, found.name, found.rank) == (name, child.kind, child.name, child.rank)
        if name != "UnitModeCurrent":  # Enumeration is abstract: the line says which one
            assert (name, found.data_type) == (name, child.data_type)
        if child.kind == "Method":
            assert reader.id(reference.NodeId) == (1, number), "methods are the nodes of the type itself"
            continue
        assert {e[2] for e in found.edges if e[1] == _TYPE} == {e[2] for e in child.edges if e[1] == _TYPE}
        below |= await compare(published, reader, reference.NodeId, number)
    mandatory = {name for name, (_, n) in wanted.items() if any(e[1:] == _MANDATORY for e in published[n].edges)}
    assert mandatory <= here
    return here | below


async def test_the_line_is_what_its_type_says(published: dict[int, Node], reader: Reader) -> None:
    """Every PackML member of the line's object against the member of that name in the type, all the way down."""
    line = ua.NodeId("demo", await reader.client.get_namespace_index(OURS))
    names = await compare(published, reader, line, 6)
    assert names >= {
        "TagID",
        "Status",
        "CurMachSpeed",
        "EURange",
        "ProdDefectiveCount",
        "Alarm",
        "Id",
        "Start",
        "Abort",
    }
