"""The link over OPC UA on real sockets: whole orders, what fails and how it is said, nodes that are not the line's."""

from __future__ import annotations

import asyncio
import socket
import threading
import time
from collections.abc import AsyncIterator, Coroutine, Iterator
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from asyncua import Server, ua
from asyncua.common.callback import CallbackType
from asyncua.crypto.cert_gen import setup_self_signed_certificate
from asyncua.crypto.permission_rules import User, UserRole
from cryptography.x509.oid import ExtendedKeyUsageOID

from controller.field.modbus import ModbusLink
from controller.field.opcua import MixedLink, OpcuaLink, OpcuaReader
from controller.field.opcua_connection import OpcuaConnection
from controller.layout import command_points, status_points
from controller.loop import LayoutError, LineLoop
from controller.node_points import NodeMap, NodePlace, command_names, status_names
from controller.points import Point, PointMap, Table
from controller.ports import LinkError, WrongPointsError
from controller.registers import Capture, Command, OrderKind, Release, Status, StatusBit
from controller.scan import Line
from controller.settings.line import load_line
from controller.settings.opcua import OpcuaSection
from controller.settings.opcua_access import Access, load_access
from sim.opcua import OpcuaSimServer, serving_opcua
from sim.server import serving
from tests.wire.processes import CONFIG, LOOPBACK, until
from tests.wire.test_run_line import QUIET, Keeper, running

LINE = load_line(CONFIG / "opcua-line.toml")
OPEN = Access("")
SHORT_S = 0.3
"""A timeout that a busy machine keeps, and a test can wait for."""


class Block:
    """A field block that holds a status, takes what is written, and echoes its heartbeat and owner."""

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        self.status = Status(boot_id=7, belt_count=1234)
        self.commands: list[Command] = []
        self.down = False
        """Whether nothing comes through to it, or from it."""
        self.deaf = False
        """Whether it hears nobody: as one that obeys another owner, or has begun anew."""

    def advance(self, t_ns: int) -> None:
        pass

    def write(self, command: Command, t_ns: int) -> None:
        self.commands.append(command)
        if not self.deaf:
            self.status = replace(self.status, heartbeat_echo=command.heartbeat, owner=command.owner)

    def read(self, t_ns: int) -> Status:
        return self.status

    def link_down(self, t_ns: int) -> bool:
        return self.down


def places(names: list[str], **moved: str) -> dict[str, NodePlace]:
    named = {name.replace("__", "."): text for name, text in moved.items()}
    return {name: NodePlace.parse(named.get(name, f"ns=2;s=F.{name}")) for name in names}


def node_map(*more: str, **moved: str) -> NodeMap:
    """The whole block at one prefix, with values moved elsewhere; "__" in a name stands for its dot."""
    status = [*status_names(0, False), *more]
    return NodeMap(places(status, **moved), places(command_names(False), **moved), 1 << 32)


MOVED = {"belt_count": "0:Objects/2:Line/2:Belt/2:Count", "boot_id": "nsu=urn:line;i=5", "owner": "ns=3;i=77"}
NODES = node_map("bits.marker_ready", "bits.drive_running", **MOVED)
LAST = ["command.order_token", "command.heartbeat"]


class Served:
    """A block served over OPC UA for all tests here, in a thread: a server takes seconds to make its address space."""

    def __init__(self) -> None:
        self.block = Block()
        self.writes: list[list[str]] = []
        """The names of the nodes of each Write."""
        self._ready, self._end = threading.Event(), asyncio.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._serve()))
        self._thread.start()
        assert self._ready.wait(60), "waited 60 s for the server"

    async def _serve(self) -> None:
        self._loop = asyncio.get_running_loop()
        async with serving_opcua(self.block, NODES, path="/line") as self.server:
            self.port = self.server.port
            names = {node_id: name for name, node_id in self.server.ids.items()}

            def note(event: Any, _: object) -> None:
                values = event.request_params.NodesToWrite if event.is_external else []
                if not values:
                    return
                self.writes.append([names[value.NodeId] for value in values])
                assert all(v.Value.SourceTimestamp is v.Value.ServerTimestamp is None for v in values)

            # Listeners of one priority replace one another in the library.
            self.server.server.iserver.callback_service.addListener(CallbackType.PreWrite, note, priority=5)
            self._ready.set()
            await self._end.wait()

    async def do(self, work: Coroutine[Any, Any, None]) -> None:
        """Do something in the server's own loop."""
        await asyncio.wrap_future(asyncio.run_coroutine_threadsafe(work, self._loop))

    def reset(self) -> None:
        self.block.reset()
        self.server.status_codes.clear()
        self.writes.clear()

    def close(self) -> None:
        self._loop.call_soon_threadsafe(self._end.set)
        self._thread.join(30)


@pytest.fixture(scope="module")
def one_server() -> Iterator[Served]:
    served = Served()
    yield served
    served.close()


@pytest.fixture
def served(one_server: Served) -> Served:
    one_server.reset()
    return one_server


def link_to(port: int, nodes: NodeMap = NODES, timeout_s: float = 5.0, access: Access = OPEN) -> OpcuaLink:
    return OpcuaLink(nodes, OpcuaConnection(access, nodes, LOOPBACK, port, timeout_s))


@asynccontextmanager
async def linked(served: Served, timeout_s: float = 5.0) -> AsyncIterator[OpcuaLink]:
    """A link to the block."""
    link = link_to(served.port, timeout_s=timeout_s)
    await link.connect()
    try:
        yield link
    finally:
        await link.close()


async def test_a_command_and_a_status_come_through_whole_and_an_order_last(served: Served) -> None:
    served.block.status = status = Status(
        boot_id=0xFFFF, bits=0xFFF, interlocks=5, ack_count=0xFFFFFFFE, belt_count=0xFFFFFFFF, sample_us=0x80000000,
        captures=tuple(Capture(i, 0xFFFFFF00 + i) for i in range(8)),
        releases=tuple(Release(i, 1, 0xFFFFFF00 + i) for i in range(8)),
    )  # fmt: skip
    command = Command(heartbeat=1, control=3, owner=9, lease_ms=250, order_kind=OrderKind.NONE)
    async with linked(served) as link:
        before_ns = time.monotonic_ns()
        assert await link.exchange(command) == replace(status, heartbeat_echo=1, owner=9)
        assert before_ns <= link.sent_ns <= time.monotonic_ns()
        await link.exchange(replace(command, heartbeat=2))
        ordered = replace(command, heartbeat=3, order_kind=OrderKind.ARM, order_count=0xFFFFFFFF, order_token=4)
        await link.exchange(ordered)
    assert [names == LAST for names in served.writes] == [False, True, True, False, True]
    assert all(not set(LAST) & set(names) for names in served.writes if names != LAST)
    assert {"command.order_count", "command.control_bits", "command.owner"} <= set(served.writes[3])
    assert served.block.commands == [command, replace(command, heartbeat=2), ordered]


async def test_what_the_io_side_has_not_shown_to_have_taken_is_written_whole_again(served: Served) -> None:
    served.block.deaf = True
    async with linked(served) as link:
        for heartbeat in (1, 2):
            await link.exchange(Command(heartbeat=heartbeat, owner=9))
    assert len(served.writes) == 4
    assert served.writes[0] == served.writes[2]


async def test_an_order_of_which_a_part_was_refused_is_never_given(served: Served) -> None:
    async with linked(served) as link:
        await link.exchange(Command(heartbeat=1, owner=9))
        node = served.server.server.get_node(served.server.ids["command.order_count"])
        await served.do(node.set_writable(False))
        order = Command(heartbeat=2, owner=9, order_kind=OrderKind.ARM, order_count=5, order_token=3)
        try:
            with pytest.raises(LinkError, match=r"did not take command.order_count \(ns=2.*\): BadUserAccessDenied"):
                await link.exchange(order)
            assert LAST not in served.writes[2:]
            assert [command.order_token for command in served.block.commands] == [0]
            with pytest.raises(LinkError, match="is not connected"):
                await link.exchange(order)
        finally:
            await served.do(node.set_writable(True))
        await link.connect()
        await link.exchange(order)
        assert served.block.commands[-1] == order


@pytest.mark.parametrize("code", ["BadSensorFailure", "UncertainLastUsableValue", "GoodLocalOverride"])
async def test_a_value_that_is_not_simply_good_fails_the_exchange_and_is_named(served: Served, code: str) -> None:
    async with linked(served) as link:
        served.server.status_codes["belt_count"] = getattr(ua.StatusCodes, code)
        with pytest.raises(LinkError, match=rf"belt_count \(0:Objects/2:Line/2:Belt/2:Count\) is {code}"):
            await link.exchange(Command(heartbeat=1, owner=9))
        served.server.status_codes.clear()
        await link.connect()
        assert (await link.exchange(Command(heartbeat=2, owner=9))).belt_count == 1234


async def test_what_comes_too_late_is_neither_taken_for_the_next_nor_done(served: Served) -> None:
    block = served.block
    async with linked(served, timeout_s=SHORT_S) as link:
        await link.exchange(Command(heartbeat=1, owner=9))
        block.down = True
        with pytest.raises(LinkError, match=r"did not answer within 0\.3 s"):
            await link.exchange(Command(heartbeat=2, owner=9))
        block.down, block.status = False, replace(block.status, belt_count=99)
        await link.connect()
        status = await link.exchange(Command(heartbeat=3, owner=9))
        assert (status.belt_count, status.heartbeat_echo) == (99, 3)
        assert [command.heartbeat for command in block.commands] == [1, 3]


async def test_an_exchange_that_is_cancelled_leaves_nothing_for_the_next(served: Served) -> None:
    async with linked(served, timeout_s=30.0) as link:
        served.block.down = True
        task = asyncio.create_task(link.exchange(Command(heartbeat=1, owner=9)))
        await asyncio.sleep(0.05)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        with pytest.raises(LinkError, match="is not connected"):
            await link.exchange(Command(heartbeat=2, owner=9))


async def test_a_channel_is_renewed_within_an_exchange(served: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    async with linked(served) as link:
        await link.exchange(Command(heartbeat=1, owner=9))
        channel = link._wire._client.uaclient.protocol._connection  # type: ignore[union-attr]
        token = channel.security_token.TokenId
        monkeypatch.setattr(link._wire, "_renew_at_s", 0.0)
        for heartbeat in (2, 3, 4):
            assert (await link.exchange(Command(heartbeat=heartbeat, owner=9))).heartbeat_echo == heartbeat
        assert channel.security_token.TokenId != token


async def test_a_reader_writes_nothing(served: Served) -> None:
    reader = OpcuaReader(NODES, OpcuaConnection(OPEN, NODES, LOOPBACK, served.port, 5.0))
    await reader.connect()
    assert (await reader.exchange(Command())).belt_count == 1234
    await reader.close()
    assert (served.writes, served.block.commands) == ([], [])


@pytest.mark.parametrize(
    ("moved", "words"),
    [
        ({"depth": "ns=2;s=F.dpth"}, "depth (ns=2;s=F.dpth): the server has no such node; compare"),
        ({"depth": "0:Objects/2:Line/2:Dpth"}, "depth (0:Objects/2:Line/2:Dpth): the path leads to no node"),
        ({"depth": "nsu=urn:other;i=5"}, 'depth (nsu=urn:other;i=5): the server has no namespace "urn:other"'),
        ({"depth": "0:Objects/2:Line"}, "depth (0:Objects/2:Line): is no variable"),
        ({"depth": "ns=2;s=F.dpth", "armed": "ns=2;s=F.armd"}, "(and 1 more)"),
        ({"depth": "ns=2;s=F.bits.marker_ready"}, "is Boolean; wanted is a whole number of 16 bits or more"),
        ({"belt_count": "ns=2;s=F.layout", "layout": MOVED["belt_count"]},
         "belt_count (ns=2;s=F.layout): is UInt16; wanted is a whole number as wide as the belt counter (32 bits)"),
        ({"releases__count": "ns=2;s=F.captures.edge", "captures__edge": "ns=2;s=F.releases.count"},
         "is an array of UInt16; wanted is an array of 8 whole numbers as wide as the belt counter (32 bits)"),
        ({"releases__token": "ns=2;s=F.armed", "armed": "ns=2;s=F.releases.token"},
         "armed (ns=2;s=F.releases.token): is an array of UInt16; wanted is a whole number"),
        ({"command__heartbeat": "ns=2;s=F.bits.marker_ready"}, "command.heartbeat (ns=2;s=F.bits.marker_ready): is Boolean"),
        ({"command__heartbeat": "ns=2;s=F.depth", "depth": "ns=2;s=F.command.heartbeat"},
         "command.heartbeat (ns=2;s=F.depth): is read-only; open it in the server, or name the right node"),
    ],
)  # fmt: skip
async def test_nodes_that_are_not_the_lines_are_said_in_one_line(
    served: Served, moved: dict[str, str], words: str
) -> None:
    with pytest.raises(WrongPointsError) as caught:
        await link_to(served.port, node_map(**{**MOVED, **moved})).connect()
    text = str(caught.value)
    assert "\n" not in text
    assert text.startswith(f"the I/O side at {LOOPBACK}:{served.port} (OPC UA): ")
    assert words in text


async def test_a_dead_address_is_no_fault_of_the_nodes() -> None:
    with socket.socket() as probe:
        probe.bind((LOOPBACK, 0))
        port = probe.getsockname()[1]
    with pytest.raises(LinkError, match="cannot reach the I/O side") as caught:
        await link_to(port).connect()
    assert not isinstance(caught.value, WrongPointsError)


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (b"", "cannot reach the I/O side"),
        (b"HTTP/1.1 400 Bad Request\r\n\r\n" * 4, "the I/O side at"),
        (b"ACKF\x1c\x00\x00\x00" + bytes(20) + b"MSGF\xff\x00\x00\x00" + bytes(247), "the I/O side at"),
        (b"ERRF\x10\x00\x00\x00\x00\x00\x0d\x80\x00\x00\x00\x00", "the I/O side at"),
    ],
    ids=["closes", "another protocol", "garbled", "refuses"],
)
async def test_what_is_no_opcua_server_is_said_and_tried_on(answer: bytes, words: str) -> None:
    async def talk(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(100)
        writer.write(answer)
        writer.close()

    server = await asyncio.start_server(talk, LOOPBACK, 0)
    async with server:
        with pytest.raises(LinkError, match=words) as caught:
            await link_to(server.sockets[0].getsockname()[1]).connect()
    assert "\n" not in str(caught.value)
    assert not isinstance(caught.value, WrongPointsError)


async def test_signed_numbers_and_types_of_the_devices_own_are_taken_as_they_are() -> None:
    """A server that shares nothing with ours: Int16, Int32, and a data type derived from UInt16."""
    server = Server()
    await server.init()
    server.set_endpoint(f"opc.tcp://{LOOPBACK}:0")
    server.set_security_policy([ua.SecurityPolicyType.NoSecurity])
    index = await server.register_namespace("urn:x")
    word = await server.create_custom_data_type(index, "Word", ua.ObjectIds.UInt16)
    made = {}
    for node in node_map().nodes:
        signed = ua.VariantType.Int32 if node.kind.value.endswith("counter") else ua.VariantType.Int16
        kind = ua.VariantType.UInt32 if node.name == "sample_us" else signed
        value = [-2] * 8 if node.kind.is_array else -1 if kind is not ua.VariantType.UInt32 else 5
        name = ua.QualifiedName(node.name, index)
        if node.name == "boot_id":
            made[node.name] = await server.nodes.objects.add_variable(
                ua.NodeId(f"F.{node.name}", index), name, 0xFFF0, ua.VariantType.UInt16, word.nodeid
            )
        else:
            made[node.name] = await server.nodes.objects.add_variable(
                ua.NodeId(f"F.{node.name}", index), name, value, kind
            )
        if node.name.startswith("command."):
            await made[node.name].set_writable()
    async with server:
        assert server.bserver is not None
        link = link_to(server.bserver.port, node_map())
        await link.connect()
        status = await link.exchange(Command(heartbeat=0xFFFF, order_count=0xFFFFFFFE, owner=0x7FFF, order_token=1))
        await link.close()
        assert (status.boot_id, status.belt_count, status.armed, status.sample_us) == (0xFFF0, 0xFFFFFFFF, 0xFFFF, 5)
        assert status.releases[7] == Release(0xFFFE, 0xFFFE, 0xFFFFFFFE)
        sent = {name: await node.read_value() for name, node in made.items() if name.startswith("command.")}
        assert (sent["command.heartbeat"], sent["command.order_count"], sent["command.owner"]) == (-1, -2, 0x7FFF)


class Users:
    """One user."""

    def get_user(
        self, iserver: Any, username: Any = None, password: Any = None, certificate: Any = None
    ) -> User | None:
        return User(UserRole.User, username) if (username, password) == ("line", "right") else None


async def test_a_secured_server_is_entered_with_certificate_and_user(served: Served, tmp_path: Path) -> None:
    pki = [ExtendedKeyUsageOID.CLIENT_AUTH, ExtendedKeyUsageOID.SERVER_AUTH]
    for who in ("ours", "server"):
        await setup_self_signed_certificate(
            tmp_path / f"{who}-key.pem", tmp_path / f"{who}.der", f"urn:test:{who}", LOOPBACK, pki, {}
        )
    nodes = node_map()
    secured = Server(user_manager=Users())
    await secured.init()
    await secured.set_application_uri("urn:test:server")
    await secured.load_certificate(str(tmp_path / "server.der"))
    await secured.load_private_key(str(tmp_path / "server-key.pem"))
    secured.set_endpoint(f"opc.tcp://{LOOPBACK}:0")
    secured.set_security_policy([ua.SecurityPolicyType.Basic256Sha256_SignAndEncrypt])
    secured.set_identity_tokens([ua.UserNameIdentityToken])
    side = OpcuaSimServer(Block(), nodes, time.monotonic_ns)
    await side.serve_on(secured)
    async with secured:
        assert secured.bserver is not None
        port = secured.bserver.port

        def access(word: str, server: str | None = None) -> Access:
            (tmp_path / "password").write_text(word)
            (tmp_path / "password").chmod(0o600)
            section = OpcuaSection(
                endpoint=f"opc.tcp://{LOOPBACK}:{port}", security="Basic256Sha256", certificate="ours.der",
                key="ours-key.pem", user="line", password_file="password", server_certificate=server, prefix="ns=2;s=F.",
            )  # fmt: skip
            return load_access(section, tmp_path / "line.toml")

        for server in (None, "server.der"):
            link = link_to(port, nodes, access=access("right", server))
            await link.connect()
            assert (await link.exchange(Command(heartbeat=1, owner=9))).belt_count == 1234
            await link.close()
        with pytest.raises(LinkError, match=r"refused the session: BadUserAccessDenied: check opcua\.user"):
            await link_to(port, nodes, access=access("wrong")).connect()
        # Another server at that address is not believed.
        with pytest.raises(LinkError, match=r"does not answer: .*, and opcua\.server_certificate"):
            await link_to(port, nodes, access=access("right", "ours.der")).connect()
        with pytest.raises(LinkError, match="does not take Basic256Sha256"):
            await link_to(served.port, nodes, access=access("right")).connect()
        with pytest.raises(LinkError, match="does not take unsecured access"):
            await link_to(port, nodes).connect()


# Under the loop.


def loop_to(served: Served, link: OpcuaLink) -> LineLoop:
    return LineLoop(
        Line(LINE.spec(), 4711, 0), link, Keeper(), period_s=0.01, where="there", watch=lambda events: None, log=QUIET
    )  # fmt: skip


async def test_nodes_that_are_wrong_at_the_first_connection_end_the_loop(served: Served) -> None:
    wrong = link_to(served.port, node_map(**{**MOVED, "depth": "ns=2;s=F.dpth"}))
    async with asyncio.timeout(30):
        with pytest.raises(LayoutError, match="the server has no such node"):
            await loop_to(served, wrong).run()


async def test_nodes_that_go_wrong_later_are_said_and_waited_for(served: Served) -> None:
    loop = loop_to(served, link_to(served.port))
    node = served.server.server.get_node(served.server.ids["command.heartbeat"])
    async with running(loop) as task:
        await until(lambda: loop.answered, "the first answer")
        await served.do(node.set_writable(False))
        try:
            await until(lambda: "is read-only" in loop.snapshot().link_error, "the heartbeat refused")
        finally:
            await served.do(node.set_writable(True))
        await until(lambda: not loop.snapshot().link_error, "the link to be back")
        assert not task.done()
        assert loop.timing.reconnects == 1


# Two ways at once.

INPUTS = ["interlocks", "bits.marker_ready", "bits.drive_running"]


@asynccontextmanager
async def mixed(block: Block, served: Served, timeout_s: float) -> AsyncIterator[MixedLink]:
    """Counts and orders over Modbus, inputs over OPC UA, from a block each."""
    inputs = NodeMap(places(INPUTS), {}, 1 << 32)
    status = {name: point for name, point in status_points(Point(Table.HOLDING, 0)).items() if name not in INPUTS}
    points = PointMap(status, command_points(Point(Table.HOLDING, 100)), elsewhere=INPUTS)
    async with serving(block, points) as registers:
        modbus = ModbusLink(points, LOOPBACK, registers.port, timeout_s=timeout_s)
        link = MixedLink(modbus, inputs, OpcuaConnection(OPEN, inputs, LOOPBACK, served.port, timeout_s))
        await link.connect()
        try:
            yield link
        finally:
            await link.close()


async def test_inputs_over_opcua_complete_what_comes_over_modbus(served: Served) -> None:
    block = Block()
    block.status = Status(belt_count=77, interlocks=1, bits=int(StatusBit.INTERLOCKS_CLOSED | StatusBit.DRIVE_RUNNING))
    served.block.status = Status(belt_count=5, interlocks=3, bits=int(StatusBit.MARKER_READY | StatusBit.MARKER_FAULT))
    async with mixed(block, served, 5.0) as link:
        got = await link.exchange(Command(heartbeat=1, owner=9))
        assert (got.belt_count, got.heartbeat_echo, got.owner) == (77, 1, 9)
        assert (got.interlocks, got.bits) == (3, StatusBit.INTERLOCKS_CLOSED | StatusBit.MARKER_READY)
        served.server.status_codes["interlocks"] = ua.StatusCodes.UncertainLastUsableValue
        with pytest.raises(LinkError, match=r"interlocks \(ns=2;s=F.interlocks\) is UncertainLastUsableValue"):
            await link.exchange(Command(heartbeat=2, owner=9))
    assert (served.writes, served.block.commands) == ([], [])


async def test_an_exchange_fails_where_either_way_does(served: Served) -> None:
    block = Block()
    async with mixed(block, served, SHORT_S) as link:
        for side, words in ((served.block, r"\(OPC UA\) did not answer"), (block, r"\(unit 1\) did not answer")):
            await link.exchange(Command(heartbeat=1, owner=9))
            side.down = True
            with pytest.raises(LinkError, match=words):
                await link.exchange(Command(heartbeat=2, owner=9))
            side.down = False
            await link.close()
            await link.connect()
        assert (await link.exchange(Command(heartbeat=3, owner=9))).heartbeat_echo == 3
