"""Ways to lose an I/O side and to get it back, and one round of it under a controller that marks.

The network that drops packets is one of this test's own: two network namespaces of an unprivileged user, joined by a
virtual cable. A wrong neighbour entry makes one end send to nobody, so that the other sees silence and nothing else.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import shutil
import signal
import subprocess
import time
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

from controller.faults import FAULTS
from sim.children import Child, child
from tests.wire.processes import CONFIG, LOOPBACK, Place

PROTOCOLS = {"modbus": "demo-line.toml", "opcua": "opcua-line.toml"}
KINDS = ("killed", "frozen", "black-holed", "restarted")
NEAR, FAR = "10.77.0.1", "10.77.0.2"
NOWHERE = "02:00:00:00:00:01"
QUIET_S = 0.3
"""So long a line is looked at that must not start by itself."""


class NoNamespacesError(Exception):
    """This machine gives an ordinary user no network namespaces; the text says which command failed."""


@dataclass(frozen=True, slots=True)
class Net:
    """Two namespaces, each held by a process that sleeps; the controller lives in `near`, the I/O side in `far`."""

    near: int
    far: int

    def entered(self, holder: int) -> list[str]:
        """The words that run a command in a namespace."""
        return ["nsenter", "-t", str(holder), "-U", "-n", "--preserve-credentials"]

    def do(self, holder: int, *words: str) -> None:
        """Run a command in a namespace. Raises NoNamespacesError."""
        try:
            subprocess.run([*self.entered(holder), *words], check=True, capture_output=True, text=True)
        except subprocess.CalledProcessError as error:
            raise NoNamespacesError(f"{' '.join(words)}: {error.stderr.strip()}") from None

    def cut(self) -> None:
        """From now on nothing that the controller sends arrives, and nobody is told."""
        self.do(self.near, "ip", "neigh", "replace", FAR, "lladdr", NOWHERE, "dev", "near", "nud", "permanent")

    def mend(self) -> None:
        """The way is open again."""
        self.do(self.near, "ip", "neigh", "del", FAR, "dev", "near")


@asynccontextmanager
async def net() -> AsyncIterator[Net]:
    """Two namespaces joined by a cable. Raises NoNamespacesError."""
    for tool in ("unshare", "nsenter", "ip"):
        if shutil.which(tool) is None:
            raise NoNamespacesError(f"{tool} is not installed")
    async with contextlib.AsyncExitStack() as stack:
        near = await stack.enter_async_context(_holder("unshare", "-r", "-n"))
        far = await stack.enter_async_context(
            _holder("nsenter", "-t", str(near), "-U", "-n", "--preserve-credentials", "unshare", "-n")
        )
        joined = Net(near, far)
        joined.do(near, "ip", "link", "add", "near", "type", "veth", "peer", "name", "far", "netns", str(far))
        for holder, name, address in ((near, "near", NEAR), (far, "far", FAR)):
            joined.do(holder, "ip", "addr", "add", f"{address}/24", "dev", name)
            joined.do(holder, "ip", "link", "set", name, "up")
            joined.do(holder, "ip", "link", "set", "lo", "up")
        yield joined


@asynccontextmanager
async def _holder(*words: str) -> AsyncIterator[int]:
    """A process that holds a namespace open; it says when it is in it."""
    process = await asyncio.create_subprocess_exec(
        *words, "sh", "-c", "echo in; exec sleep 3600", stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
    )  # fmt: skip
    assert process.stdout is not None
    assert process.stderr is not None
    try:
        if not await process.stdout.readline():
            raise NoNamespacesError(f"{words[0]}: {(await process.stderr.read()).decode().strip()}")
        yield process.pid
    finally:
        with contextlib.suppress(ProcessLookupError):
            os.kill(process.pid, signal.SIGKILL)
        await process.wait()


@dataclass(slots=True)
class Cut:
    """One line whose I/O side can be lost. Made by `cutting`."""

    place: Place
    host: str
    prefix: Sequence[str]
    scenario: Path
    net: Net | None
    side: Child | None = None
    stack: contextlib.AsyncExitStack | None = None

    async def begin(self) -> None:
        """Start the I/O side; a second one at the port of the first."""
        words = ["sim", str(self.place.line), "--scenario", str(self.scenario), "--truth", "-"]
        words += ["--address", f"{self.host}:{self.place.port}"]
        self.stack = contextlib.AsyncExitStack()
        self.side = await self.stack.enter_async_context(
            child("simulator", "controller.cli.main", words, os.environ, self.prefix)
        )
        self.place.port = int(json.loads(await self.side.first_line())["ready"]["port"])
        hearing = asyncio.create_task(_drain(self.side), name="truth")
        self.stack.push_async_callback(_gathered, hearing)

    async def end(self) -> None:
        """End the I/O side, whatever it does."""
        if self.stack is not None and self.side is not None:
            self.side.signal(signal.SIGCONT)
            self.side.signal(signal.SIGTERM)  # its output is read to the end, so it must come to one
            await self.stack.aclose()
            self.side = self.stack = None

    async def lose(self, kind: str) -> None:
        """Lose the I/O side in that way."""
        assert self.side is not None
        if kind == "killed":
            self.side.signal(signal.SIGKILL)
        elif kind == "frozen":
            self.side.signal(signal.SIGSTOP)
        elif kind == "restarted":
            await self.end()
            await self.begin()
        else:
            assert self.net is not None
            self.net.cut()

    async def regain(self, kind: str) -> None:
        """Get it back."""
        assert self.side is not None or kind == "killed"
        if kind == "killed":
            await self.end()
            await self.begin()
        elif kind == "frozen":
            assert self.side is not None
            self.side.signal(signal.SIGCONT)
        elif kind == "black-holed":
            assert self.net is not None
            self.net.mend()

    async def round(self, kind: str) -> float:
        """Lose it and get it back under a marking controller; how long until it was seen to abort, in s."""
        place = self.place
        before = await place.status(lambda status: status["state"] == "Execute" and status["requests"]["marked"] > 0)
        began_s = time.monotonic()
        losing = asyncio.create_task(self.lose(kind))
        await place.status(lambda status: status["state"] in ("Aborting", "Aborted"))
        took_s = time.monotonic() - began_s
        await losing
        # Where a mark was in progress, Aborting waits for it as long as the line allows.
        status = await place.status(lambda status: status["state"] == "Aborted")
        assert status["first_cause"].startswith(FAULTS["link_lost"].text), status["first_cause"]
        assert status["balanced"]
        if kind != "restarted":
            await place.status(lambda status: bool(status["link_error"]))
            await self.regain(kind)
        status = await place.status(lambda status: not status["link_error"])
        marked = status["requests"]["marked"]
        await asyncio.sleep(QUIET_S)
        status = await place.status(lambda _: True)
        assert (status["state"], status["requests"]["marked"], status["armed"]) == ("Aborted", marked, 0)
        assert status["first_cause"].startswith(FAULTS["link_lost"].text), status["first_cause"]
        assert status["requests"]["marked"] >= before["requests"]["marked"]
        await place.give("clear", "Stopped")
        await place.start()
        return took_s


async def _drain(side: Child) -> None:
    async for _ in side.lines():
        pass


async def _gathered(task: asyncio.Task[None]) -> None:
    await asyncio.gather(task, return_exceptions=True)


SCENARIO = """
name = "dense"
[belt]
starts = "with running"
segments = [{ kind = "constant", speed = "20 m/min" }]
[[products]]
length = "40 mm"
pitch = "120 mm"
"""


@asynccontextmanager
async def cutting(folder: Path, protocol: str, net: Net | None = None) -> AsyncIterator[Cut]:
    """A marking line of that protocol; with `net` its I/O side is at the far end of it."""
    from controller.settings.line import load_line

    source = CONFIG / PROTOCOLS[protocol]
    text = source.read_text().replace('"jobs/', f'"{CONFIG}/jobs/').replace('"bench/', f'"{CONFIG}/bench/')
    line, scenario = folder / "line.toml", folder / "scenario.toml"
    line.write_text(text)
    scenario.write_text(SCENARIO)
    host = LOOPBACK if net is None else FAR
    place = Place(folder, line, load_line(line), 0)
    place.host = host
    place.prefix = () if net is None else net.entered(net.near)
    cut = Cut(place, host, () if net is None else net.entered(net.far), scenario, net)
    await cut.begin()
    try:
        async with place.controller():
            await place.start()
            yield cut
    finally:
        await cut.end()
