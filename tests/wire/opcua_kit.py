"""A plant's OPC UA server on a socket of its own, without the security that is tested elsewhere, and images to show."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Mapping, Sequence
from pathlib import Path

from asyncua import Client, Server, ua

from controller.model import Call, Refusal, Reply
from controller.plant.image import Desk, LineAbout, LinePlan
from controller.plant.opcua.access import Caller, Grade
from controller.plant.opcua.server import OpcUaServer
from controller.settings.plant import OpcUaServerSection, PlantSection
from tests.free_ports import free_port
from tests.unit.plant_images import ABOUT


class Line:
    """Stands for the line at the desk: remembers what was asked, and answers what it was told to."""

    def __init__(self) -> None:
        self.calls: list[tuple[str, Call]] = []
        self.called = asyncio.Event()
        self.refused: dict[str, tuple[str, Refusal | None]] = {}
        """Verb → why it is refused; what is not named is taken."""
        self.told: list[tuple[str, str, Mapping[str, str | int | float]]] = []
        self.grade = Grade.ENGINEER
        self.desk = Desk(self._give, lambda level, what, words: self.told.append((level, what, words)))

    async def _give(self, line: str, call: Call) -> Reply:
        self.calls.append((line, call))
        self.called.set()
        if call.verb not in self.refused:
            return Reply(call, True)
        return Reply(call, False, *self.refused[call.verb])

    def caller(self) -> Caller:
        """Whoever calls now."""
        return Caller("ann", self.grade, "192.0.2.20")


async def plain_server(section: OpcUaServerSection, _folder: Path, _lines: Sequence[str], _desk: Desk) -> Server:
    """A server without any security."""
    server = Server()
    await server.init()
    server.set_endpoint(f"opc.tcp://{section.address}/")
    server.set_security_policy([ua.SecurityPolicyType.NoSecurity])
    return server


def plans(port: int, *lines: LineAbout) -> list[LinePlan]:
    """Lines to be served at a port of this computer."""
    section = PlantSection(opcua=OpcUaServerSection(address=f"127.0.0.1:{port}"))
    return [LinePlan(about, section, Path()) for about in lines or (ABOUT,)]


@contextlib.asynccontextmanager
async def serving(line: Line, *lines: LineAbout) -> AsyncIterator[tuple[OpcUaServer, str]]:
    """A server at work, and its address."""
    port = free_port()
    server = OpcUaServer(plans(port, *lines), line.desk, plain_server, line.caller)
    await server.open()
    try:
        yield server, f"opc.tcp://127.0.0.1:{port}/"
    finally:
        await server.close()


@contextlib.asynccontextmanager
async def connected(url: str) -> AsyncIterator[Client]:
    """A client of the library's own, connected."""
    async with Client(url, timeout=10) as client:
        yield client
