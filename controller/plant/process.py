"""The plant's process: the servers for the plant, beside the lines and never in their way.

Run as `python -m controller.plant.process FD` with one end of a socket pair; its end is our end, so that nothing is
left behind. What the servers cost, at their start, under load, or by a defect, is paid here.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import socket
import sys
from collections.abc import Mapping, Sequence
from typing import Any

from controller.model import Call, Reply
from controller.plant.channel import Answer, Images, Plans, read_down, up_frame
from controller.plant.image import Desk, LineImage, LinePlan, PlantError, PlantServer
from controller.plant.plans import SCHEMES

NICE = 5
"""Where the cores are short, the lines come first."""
SILENT_S = 2.0
"""Without an image for so long, and five of its periods, what is shown of a line is stale."""
REFUSED = 2


class _Lines:
    """The lines' process as the servers see it: the newest image of each line, and the way to give a call."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._reader, self._writer = reader, writer
        self._waiting: dict[int, tuple[Call, asyncio.Future[Reply]]] = {}
        self._number = 0
        self.newest: dict[str, LineImage] = {}
        self.came = asyncio.Event()

    def tell(self, level: str, what: str, words: Mapping[str, str | int | float]) -> None:
        self.send({"log": level, "what": what, "words": dict(words)})

    def send(self, message: dict[str, Any]) -> None:
        self._writer.write(up_frame(message))

    async def give(self, line: str, call: Call) -> Reply:
        self._number += 1
        number = self._number
        future: asyncio.Future[Reply] = asyncio.get_running_loop().create_future()
        self._waiting[number] = call, future
        self.send({"call": number, "line": line, "verb": call.verb, "argument": call.argument, "who": call.who})
        try:
            return await future
        finally:
            self._waiting.pop(number, None)

    async def listen(self) -> None:
        """Take what comes until the lines' process ends."""
        while (message := await read_down(self._reader)) is not None:
            if isinstance(message, Images):
                self.newest.update((image.snapshot.line, image) for image in message.images)
                self.came.set()
            elif isinstance(message, Answer):
                call, future = self._waiting.pop(message.number, (None, None))
                if call is not None and future is not None and not future.done():
                    future.set_result(Reply(call, message.accepted, message.reason, message.kind))


def make_servers(plans: Sequence[LinePlan], desk: Desk) -> list[tuple[PlantServer, list[str]]]:
    """The servers that the lines ask for, each with the names of its lines; those at one address are one server."""
    servers: list[tuple[PlantServer, list[str]]] = []
    for kind in SCHEMES:
        at: dict[str, list[LinePlan]] = {}
        for plan in plans:
            section = getattr(plan.section, kind)
            if section is not None:
                at.setdefault(section.address, []).append(plan)
        servers += [(_make(kind, its, desk), [plan.about.name for plan in its]) for its in at.values()]
    return servers


def _make(kind: str, plans: Sequence[LinePlan], desk: Desk) -> PlantServer:
    # Each with its own library, loaded only where it is wanted.
    if kind == "opcua":
        from controller.plant.opcua.server import OpcUaServer

        return OpcUaServer(plans, desk)
    if kind == "modbus":
        from controller.plant.modbus.server import ModbusServer

        return ModbusServer(plans, desk)
    from controller.plant.metrics import MetricsServer

    return MetricsServer(plans, desk)


async def _publish(lines: _Lines, plans: Sequence[LinePlan], servers: Sequence[tuple[PlantServer, list[str]]]) -> None:
    """Hand every new image to the servers of its line, the newest first of all; and say when none comes any more."""
    loop = asyncio.get_running_loop()
    silent_s = max(SILENT_S, 5 * max(plan.section.period for plan in plans))
    shown: dict[str, LineImage] = {}
    while True:
        lines.came.clear()
        try:
            async with asyncio.timeout(silent_s):
                await lines.came.wait()
        except TimeoutError:
            if not shown:
                continue
            for server, names in servers:
                for name in names:
                    await server.publish(name, None)
            shown.clear()
            continue
        began_s = loop.time()
        for server, names in servers:
            for name in names:
                image = lines.newest.get(name)
                if image is not None and image is not shown.get(name):
                    await server.publish(name, image)
        shown.update(lines.newest)
        # A server that is slow to take the values must leave time for its clients.
        await asyncio.sleep(loop.time() - began_s)


async def _serve(own: socket.socket) -> int:
    reader, writer = await asyncio.open_unix_connection(sock=own)
    lines = _Lines(reader, writer)
    first = await read_down(reader)
    if not isinstance(first, Plans):
        return 0
    servers = make_servers(first.plans, Desk(lines.give, lines.tell))
    opened: list[PlantServer] = []
    listening = asyncio.create_task(lines.listen(), name="lines")
    publishing: asyncio.Task[None] | None = None
    try:
        for server, _ in servers:
            opened.append(server)
            await server.open()
        lines.send({"ready": True})
        publishing = asyncio.create_task(_publish(lines, first.plans, servers), name="publish")
        await asyncio.wait({listening, publishing}, return_when=asyncio.FIRST_COMPLETED)
        if publishing.done():
            publishing.result()
        return 0
    except PlantError as error:
        lines.send({"refused": str(error)})
        with contextlib.suppress(ConnectionError):
            await writer.drain()
        return REFUSED
    finally:
        for task in (listening, publishing):
            if task is not None:
                task.cancel()
        for server in reversed(opened):
            await server.close()
        writer.close()


def main() -> int:
    """Serve until the other end of the socket closes; the exit code."""
    # Ctrl-C in the terminal and the service manager's SIGTERM are the lines' process's to answer; we end with it.
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.SIG_IGN)
    if hasattr(os, "sched_setscheduler") and os.sched_getscheduler(0) != os.SCHED_OTHER:
        os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))  # what the lines have is not ours
    os.nice(NICE)
    return asyncio.run(_serve(socket.socket(fileno=int(sys.argv[1]))))


if __name__ == "__main__":
    sys.exit(main())
