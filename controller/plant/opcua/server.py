"""The OPC UA server for the plant: one address, one or more lines."""

from __future__ import annotations

import asyncio
import contextlib
import os
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TypeAlias

from asyncua import Server

from controller.plant.image import Desk, LineAbout, LineImage, LinePlan, PlantError
from controller.plant.opcua.access import Caller, caller, secured_server
from controller.plant.opcua.commands import Commands
from controller.plant.opcua.events import FaultEvents
from controller.plant.opcua.packml_types import add_packml
from controller.plant.opcua.publisher import Publisher
from controller.plant.opcua.seen import Memory, Seen
from controller.plant.opcua.space import add_space
from controller.settings.plant import OpcUaServerSection

CLOSE_S = 5.0
"""So long the end of connections is waited for."""

MakeServer: TypeAlias = "Callable[[OpcUaServerSection, Path, Sequence[str], Desk], Awaitable[Server]]"


@dataclass(slots=True)
class _Line:
    about: LineAbout
    memory: Memory
    publisher: Publisher
    events: FaultEvents
    silent: bool = False


class OpcUaServer:
    """Shows lines to OPC UA clients and takes their commands; a `PlantServer`."""

    def __init__(
        self, plans: Sequence[LinePlan], desk: Desk, make: MakeServer = secured_server,
        caller: Callable[[], Caller] = caller,
    ) -> None:  # fmt: skip
        """`plans` are of one address and agree on its settings. `make` gives the server with its security, `caller` who
        calls a method now.
        """
        self._plans, self._desk, self._make, self._caller = list(plans), desk, make, caller
        self._server: Server | None = None
        self._lines: dict[str, _Line] = {}

    async def open(self) -> None:
        """Make the address space and listen. Raises PlantError where it cannot: the port is in use, say."""
        plan = self._plans[0]
        section = plan.section.opcua
        if section is None:
            raise ValueError("a line without [plant.opcua]")
        server = await self._make(section, plan.folder, [p.about.name for p in self._plans], self._desk)
        space = await add_space(server, await add_packml(server))
        commands = Commands(server, space, self._desk, self._caller)
        for about in (p.about for p in self._plans):
            line, memory = await space.add_line(about), Memory()
            commands.add_line(about.name, line, memory)
            publisher = Publisher(server, line.values)
            await publisher.begin()
            self._lines[about.name] = _Line(about, memory, publisher, FaultEvents(server, space, line.node, about.name))
        try:
            await server.start()
        except OSError as error:
            why = os.strerror(error.errno) if error.errno else str(error)
            raise PlantError(
                f"OPC UA server at {section.address}: {why}; free the port or set another address in [plant.opcua]"
            ) from error
        self._server = server

    async def publish(self, line: str, image: LineImage | None) -> None:
        """Show the line as it is now; None: the controller has fallen silent."""
        here, now = self._lines[line], datetime.now(UTC)
        if image is None:
            await here.publisher.silent(now)
        else:
            seen = Seen(here.about, image, here.memory)
            await here.publisher.publish(seen, now)
            await here.events.tell(seen)
        if here.silent is not (image is None):
            here.silent = image is None
            await here.events.silent(here.silent, now)

    async def close(self) -> None:
        """End every connection and stop listening; harmless when it is not open."""
        server, self._server = self._server, None
        if server is not None:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(CLOSE_S):
                    await server.stop()
