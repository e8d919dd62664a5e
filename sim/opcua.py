"""A simulated I/O side served as OPC UA, with its values at whatever nodes a line has them.

Rules of this file: a Read brings one status, of its own instant, whichever nodes it asks for; a Write that has the
heartbeat hands the device its command as the nodes stand then, since that is written last. While the simulated cable is
out nothing is answered, and what was asked meanwhile is never done. What goes wrong in the device ends the server.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any

from asyncua import Server, ua
from asyncua.common.callback import CallbackType
from asyncua.common.utils import ServiceError

from controller.node_packing import CommandFromNodes, NodeValue, StatusToNodes
from controller.node_points import Kind, Node, NodeMap
from controller.registers import RING_SIZE
from sim.server import TICK_S, since_now_ns
from sim.tables import IoSide

SILENT_LOOK_S = 0.02
FOLDER = "FieldBlock"

# What is wrong with a request is said in its answer, and a client that is killed is no news.
logging.getLogger("asyncua.server").setLevel(logging.CRITICAL + 1)


class OpcuaSimServer:
    """A running server. Made by `serving_opcua`."""

    def __init__(self, device: IoSide, nodes: NodeMap, now_ns: Callable[[], int]) -> None:
        self._device, self._nodes, self._now_ns = device, nodes, now_ns
        self.host, self.port = "", 0
        self.server = Server()
        self.ids: dict[str, ua.NodeId] = {}
        """The id of every node on this server, by the value's name."""
        self.status_codes: dict[str, int] = {}
        """Values that are given with this status code instead of good."""
        self._encoder = StatusToNodes(nodes)
        self._decoder = CommandFromNodes(nodes) if nodes.last else None
        self._now: dict[str, NodeValue] = {}
        self._timer: asyncio.TimerHandle | None = None
        self._failed: asyncio.Future[None] = asyncio.get_running_loop().create_future()

    async def listen(self, host: str, port: int, path: str = "") -> None:
        """Make the nodes and listen (port 0: any free one, then in `port`). Raises OSError with a line of its own."""
        server = self.server
        await server.init()
        server.set_endpoint(f"opc.tcp://{host}:{port}{path}")
        server.set_server_name("simulated I/O side")
        server.set_security_policy([ua.SecurityPolicyType.NoSecurity])
        await self.serve_on(server)
        try:
            await server.start()
        except OSError as error:
            text = f"cannot listen on {host}:{port}: {error.strerror}; stop what uses it or choose another port"
            raise OSError(error.errno, text) from None
        assert server.bserver is not None
        self.host, self.port = host, server.bserver.port
        self._tick()

    async def serve_on(self, server: Server) -> None:
        """Make the nodes on a server that is there and does not listen yet, and answer for them."""
        self.server = server
        await self._make_nodes()
        server.subscribe_server_callback(CallbackType.PreRead, self._before_read)
        server.subscribe_server_callback(CallbackType.PreWrite, self._before_write)
        server.subscribe_server_callback(CallbackType.PostWrite, self._after_write)

    async def failed(self) -> None:
        """Wait until the device fails, and raise its error."""
        await asyncio.shield(self._failed)

    async def close(self) -> None:
        """Stop listening and end every session."""
        if self._timer is not None:
            self._timer.cancel()
        if self.server.bserver is not None:
            await self.server.stop()
        if self._failed.done():
            # Seen here, so that nobody having waited for it is not a warning of its own.
            self._failed.exception()

    def _tick(self) -> None:
        try:
            self._device.advance(self._now_ns())
        except Exception as error:
            self._fail(error)
            return
        self._timer = asyncio.get_running_loop().call_later(TICK_S, self._tick)

    def _fail(self, error: Exception) -> None:
        if not self._failed.done():
            self._failed.set_exception(error)

    # The nodes.

    async def _make_nodes(self) -> None:
        reads = {node.name for node in self._nodes.reads}
        for node in self._nodes.nodes:
            made = await self._make(node)
            self.ids[node.name] = made.nodeid
            if node.name in reads:
                answer = self._answerer(node)
                self.server.set_attribute_value_callback(made.nodeid, answer, ua.AttributeIds.Value)
            else:
                await made.set_writable()

    async def _make(self, node: Node) -> Any:
        kind = self._type(node)
        value: NodeValue = [0] * RING_SIZE if node.kind.is_array else False if node.kind is Kind.BIT else 0
        if node.place.steps:
            *above, (namespace, name) = node.place.steps
            await self._namespaces(max(index for index, _ in node.place.steps))
            parent = await self._object(above)
            return await parent.add_variable(ua.NodeId(0, namespace), ua.QualifiedName(name, namespace), value, kind)
        node_id = await self._id(node)
        parent = await self._object([(0, "Objects"), (node_id.NamespaceIndex, FOLDER)])
        name = ua.QualifiedName(node.name, node_id.NamespaceIndex)
        return await parent.add_variable(node_id, name, value, kind)

    def _type(self, node: Node) -> ua.VariantType:
        if node.kind is Kind.BIT:
            return ua.VariantType.Boolean
        return ua.VariantType.UInt32 if self._nodes.bits_of(node.kind) > 16 else ua.VariantType.UInt16

    async def _id(self, node: Node) -> ua.NodeId:
        uri = node.place.uri
        namespace = None if uri is None else await self.server.register_namespace(uri)
        node_id = ua.NodeId.from_string(node.place.node_id(namespace))
        await self._namespaces(node_id.NamespaceIndex)
        return node_id

    async def _namespaces(self, highest: int) -> None:
        """See to it that there are so many namespaces."""
        known = await self.server.get_namespace_array()
        for index in range(len(known), highest + 1):
            await self.server.register_namespace(f"urn:simulated:{index}")

    async def _object(self, steps: list[tuple[int, str]]) -> Any:
        """The object that the steps lead to, made where it is not there."""
        here = self.server.get_root_node()
        for namespace, name in steps:
            await self._namespaces(namespace)
            wanted = ua.QualifiedName(name, namespace)
            children = await here.get_children_descriptions()
            known = next((child.NodeId for child in children if child.BrowseName == wanted), None)
            if known is None:
                here = await here.add_object(ua.NodeId(0, namespace), wanted)
            else:
                here = self.server.get_node(known)
        return here

    def _answerer(self, node: Node) -> Callable[[ua.NodeId, ua.AttributeIds], ua.DataValue]:
        name, variant_type = node.name, self._type(node)

        def answer(_id: ua.NodeId, _attribute: ua.AttributeIds) -> ua.DataValue:
            status = ua.StatusCode(self.status_codes.get(name, ua.StatusCodes.Good))
            return ua.DataValue(ua.Variant(self._now[name], variant_type), status)

        return answer

    # The requests.

    async def _cable(self) -> None:
        """Go on only while the cable is in; what was asked while it was out is not done. Raises ServiceError."""
        silent = False
        while True:
            t_ns = self._now_ns()
            try:
                self._device.advance(t_ns)
                down = self._device.link_down(t_ns)
            except Exception as error:
                self._fail(error)
                raise
            if not down:
                break
            silent = True
            await asyncio.sleep(SILENT_LOOK_S)
        if silent:
            raise ServiceError(ua.StatusCodes.BadCommunicationError)

    async def _before_read(self, event: Any, _: object) -> None:
        if event.is_external:
            await self._cable()
        values = self._encoder.encode(self._device.read(self._now_ns()))
        self._now = {node.name: value for node, value in zip(self._nodes.reads, values, strict=True)}

    async def _before_write(self, event: Any, _: object) -> None:
        if event.is_external:
            await self._cable()

    def _after_write(self, event: Any, _: object) -> None:
        if self._decoder is None or not event.is_external:
            return
        heartbeat = self.ids["command.heartbeat"]
        good = [status.is_good() for status in event.response_params]
        written = {w.NodeId for w, taken in zip(event.request_params.NodesToWrite, good, strict=True) if taken}
        if heartbeat not in written:
            return
        try:
            values = [self._stands(node) for node in self._nodes.rest + self._nodes.last]
            self._device.write(self._decoder.decode(values), self._now_ns())
        except Exception as error:
            self._fail(error)
            raise

    def _stands(self, node: Node) -> NodeValue:
        held = self.server.read_attribute_value(self.ids[node.name]).Value
        value: NodeValue = 0 if held is None else held.Value
        return value


@asynccontextmanager
async def serving_opcua(
    device: IoSide, nodes: NodeMap, host: str = "127.0.0.1", port: int = 0,
    now_ns: Callable[[], int] | None = None, path: str = "",
) -> AsyncIterator[OpcuaSimServer]:  # fmt: skip
    """Serve while the block runs; the server says its `port`. Raises OSError when it cannot listen."""
    served = OpcuaSimServer(device, nodes, since_now_ns() if now_ns is None else now_ns)
    try:
        await served.listen(host, port, path)
        yield served
    finally:
        await served.close()
