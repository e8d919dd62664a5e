"""The way to a field block whose values are OPC UA nodes, and to inputs that are while the rest goes over Modbus.

Rules of this file: several nodes cannot be written as one, so the token and the heartbeat go last, in a request of
their own, after everything else has been answered good; what the I/O side has not shown to have taken is written whole
again. All nodes are read in one request.
"""

from __future__ import annotations

import asyncio

from controller.field.opcua_connection import OpcuaConnection
from controller.field.wired import WiredLink
from controller.node_packing import CommandToNodes, NodeValue, StatusFromNodes
from controller.node_points import NodeMap
from controller.ports import FieldLink, LinkError
from controller.registers import Command, Status


class OpcuaLink(WiredLink[OpcuaConnection]):
    """A `FieldLink` over OPC UA."""

    def __init__(self, nodes: NodeMap, wire: OpcuaConnection) -> None:
        super().__init__(wire)
        self._nodes = nodes
        self._encoder, self._decoder = CommandToNodes(nodes), StatusFromNodes(nodes)
        self._stands: list[NodeValue] | None = None
        """What the nodes that are written first have, as far as the I/O side has shown it; None: unknown."""

    async def connect(self) -> None:
        """Open a session and look at every node. Raises LinkError, and WrongPointsError when the nodes are wrong."""
        self._stands = None
        await super().connect()

    async def exchange(self, command: Command) -> Status:
        """Write the whole command, then read the whole status. Raises LinkError and is then closed."""
        return await self._wire.carry(lambda: self._exchange(command))

    async def _exchange(self, command: Command) -> Status:
        rest, last = self._encoder.encode(command)
        stood, self._stands = self._stands, None
        if rest != stood:
            await self._wire.write(self._nodes.rest, rest)
        await self._wire.write(self._nodes.last, last)
        status = self._decoder.decode(await self._wire.read())
        if status.heartbeat_echo == command.heartbeat and status.owner == command.owner:
            self._stands = rest
        return status


class OpcuaReader(WiredLink[OpcuaConnection]):
    """A `FieldLink` that writes nothing, for measuring: it reads what an exchange would write, and so takes as long."""

    def __init__(self, nodes: NodeMap, wire: OpcuaConnection) -> None:
        super().__init__(wire)
        self._nodes, self._decoder = nodes, StatusFromNodes(nodes)

    async def exchange(self, _command: Command) -> Status:
        """Read the status, whatever the command says. Raises LinkError and is then closed."""
        return await self._wire.carry(self._exchange)

    async def _exchange(self) -> Status:
        await self._wire.look(self._nodes.rest)
        await self._wire.look(self._nodes.last)
        return self._decoder.decode(await self._wire.read())


class MixedLink:
    """A `FieldLink` of two: counts and orders over one link, inputs over OPC UA, both in each exchange.

    Both must succeed, each within its own time; so no input is ever older than the exchange that it comes with.
    """

    def __init__(self, link: FieldLink, nodes: NodeMap, wire: OpcuaConnection) -> None:
        self._link, self._wire = link, wire
        self._decoder = StatusFromNodes(nodes)

    @property
    def sent_ns(self) -> int:
        """When the request that brings the count left, in monotonic ns."""
        return self._link.sent_ns

    async def connect(self) -> None:
        """Open both. Raises LinkError when either cannot be reached, WrongPointsError when its nodes are wrong."""
        await self._link.connect()
        try:
            await self._wire.connect()
        except BaseException:
            await self._link.close()
            raise

    async def close(self) -> None:
        """Close both; harmless when they are not open."""
        try:
            await self._link.close()
        finally:
            await self._wire.close()

    async def exchange(self, command: Command) -> Status:
        """Exchange over the one and read over the other, at the same time. Raises LinkError."""
        # Neither is given up half-way because the other has failed.
        status, values = await asyncio.gather(
            self._link.exchange(command), self._wire.carry(self._wire.read), return_exceptions=True
        )
        failed = [error for error in (status, values) if isinstance(error, BaseException)]
        for error in failed:
            if not isinstance(error, LinkError):
                raise error
        if failed:
            raise LinkError("; ".join(str(error) for error in failed))
        assert isinstance(status, Status) and isinstance(values, list)
        return self._decoder.onto(status, values)
