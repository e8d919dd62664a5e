"""A simulated I/O side and its controllers as processes that can be killed, and the true marks as they come.

The belt runs at one speed from the first Start on and never stops. Targets are sent more than half a second ahead, far
beyond the lease, and products lie so close that several are armed at nearly any instant.
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import json
import os
import re
import time
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self, TypeVar

from controller.field.modbus import ModbusLink
from controller.lead import HOST_LATENESS_S, lead_mm, lead_time_s
from controller.local_client import LocalClient, NotRunningError
from controller.local_socket import socket_path
from controller.registers import Command, InhibitCause, Status
from controller.settings.line import LineConfig, load_line
from sim.children import Child, child
from sim.marker import MarkTruth
from sim.scenario import load_scenario
from sim.verdict import Judged
from sim.world import build_device

Answer = TypeVar("Answer")

CONFIG = Path(__file__).resolve().parents[2] / "config"
LOOPBACK = "127.0.0.1"
SPEED_MM_S = 20_000 / 60
DENSE = """
name = "dense"
[belt]
starts = "with running"
segments = [{ kind = "constant", speed = "20 m/min" }]
[[products]]
length = "40 mm"
pitch = "70 mm"
"""
_PLACES = itertools.count()
LOOK_S = 0.01
LIMIT_S = 60.0
"""What anything here may take on a slow and busy machine; what takes longer has failed, and says so."""


async def until(true: Callable[[], object], what: str, running: Child | None = None) -> None:
    """Wait until it is so; fails when that takes too long, or when the process it hangs on has ended."""
    deadline_s = time.monotonic() + LIMIT_S
    while not true():
        if running is not None and running.process.returncode is not None:
            raise AssertionError(f"waited for {what}, and {running.name} ended: {await running.failure()}")
        assert time.monotonic() < deadline_s, f"waited {LIMIT_S:g} s for {what}"
        await asyncio.sleep(0.002)


def roomy(folder: Path, line: Path) -> Path:
    """A line of the examples that a busy machine can hold up without missing a mark, as a file in a folder."""
    text = line.read_text().replace('"jobs/', f'"{line.parent}/jobs/').replace('"bench/', f'"{line.parent}/bench/')
    for name, wanted in (("timeout", "400 ms"), ("lease", "1 s"), ("lost_after", "1 s")):
        text = re.sub(rf'^{name} = "[^"]*"', f'{name} = "{wanted}"', text, flags=re.MULTILINE)
    if "[limits]" not in text:
        text += "\n[limits]\n"
    text = text.replace("[limits]\n", '[limits]\nleast_lead = "200 ms"\n')
    path = folder / f"roomy-{line.name}"
    path.write_text(text)
    return path


def files(folder: Path, scenario: str, changes: Sequence[tuple[str, str]] = ()) -> tuple[Path, Path]:
    """The demo line with targets sent far ahead of their place, and the scenario, as files in a folder of their own.

    `changes` are further texts of the line's file with what stands there instead.
    """
    folder.mkdir(exist_ok=True)
    text = (CONFIG / "demo-line.toml").read_text()
    text = text.replace('"jobs/', f'"{CONFIG}/jobs/').replace('"bench/', f'"{CONFIG}/bench/')
    for old, new in (
        ("[limits]", '[limits]\nleast_lead = "500 ms"'),
        # A busy machine may hold an exchange up; these tests are about what is armed, not about that.
        ('timeout = "100 ms"', 'timeout = "400 ms"'),
        ('lease = "250 ms"', 'lease = "400 ms"'),
        ('lost_after = "250 ms"', 'lost_after = "600 ms"'),
        ('top_speed = "30 m/min"', 'top_speed = "22 m/min"'),
        ('greatest_acceleration = "2 m/s^2"', 'greatest_acceleration = "0.5 m/s^2"'),
        *changes,
    ):
        assert old in text
        text = text.replace(old, new)
    line, path = folder / "line.toml", folder / "scenario.toml"
    line.write_text(text)
    path.write_text(scenario)
    return line, path


@dataclass(frozen=True, slots=True)
class Look:
    """The I/O side's status, and when it was sampled on the simulator's own clock, in ns since its start."""

    t_ns: int
    status: Status


class Place:
    """Where controllers run one after the other on one journal, against what listens on a port of this computer."""

    def __init__(self, folder: Path, line: Path, config: LineConfig, port: int) -> None:
        self.folder, self.line, self.config, self.port = folder, line, config, port
        self.host = LOOPBACK
        self.prefix: Sequence[str] = ()
        """What a controller is run by, such as a command that enters a network namespace."""
        self.journal = folder / "journal.sqlite"
        self.log = folder / "log.jsonl"
        # Not in the test's own folder: a unix socket's path may have 107 bytes.
        self.runtime = Path(os.environ["XDG_RUNTIME_DIR"]) / f"{next(_PLACES)}"
        self.runtime.mkdir(mode=0o700)
        self.environment = {**os.environ, "XDG_RUNTIME_DIR": str(self.runtime)}
        self.spec = config.spec()
        self.lease_ns = round(self.spec.limits.lease_s * 1e9)
        self.running: Child | None = None
        """The newest controller."""

    @asynccontextmanager
    async def controller(self, *more: str, port: int | None = None) -> AsyncIterator[Child]:
        """Run a controller on the journal, against the I/O side or what stands before it."""
        words = [
            "run", str(self.line), "--address", f"{self.host}:{port or self.port}", "--journal", str(self.journal),
            "--log", "json", "--log-file", str(self.log), *more,
        ]  # fmt: skip
        async with child("controller", "controller.cli.main", words, self.environment, self.prefix) as running:
            self.running = running
            yield running

    async def start(self) -> None:
        """Reset and Start, as soon as the line lets anybody. How long that takes is the machine's affair."""
        await self.status(lambda status: not status["not_permitted"])
        await self.give("reset", "Idle")
        await self.give("start", "Execute")

    async def status(self, wanted: Callable[[dict[str, Any]], bool]) -> dict[str, Any]:
        """The controller's first status that is as wanted."""
        deadline_s = time.monotonic() + LIMIT_S
        status: dict[str, Any] = {}
        while True:
            with contextlib.suppress(NotRunningError):
                status = await self._ask(LocalClient.status)
                if wanted(status):
                    return status
            running = self.running
            if running is not None and running.process.returncode is not None:
                raise AssertionError(f"the controller ended: {await running.failure()}; its last status: {status}")
            assert time.monotonic() < deadline_s, f"not as wanted within {LIMIT_S:g} s: {status or 'no answer'}"
            await asyncio.sleep(LOOK_S)

    async def give(self, verb: str, state: str) -> dict[str, Any]:
        """Give a command as somebody at the panel would, and wait for the state that it leads to."""
        refused = await self.call(verb)
        assert refused is None, refused
        return await self.status(lambda status: status["state"] == state)

    async def call(self, verb: str, argument: str = "") -> str | None:
        """Give a command; why it was refused, None where it was not."""
        return await self._ask(lambda client: client.call(verb, "anna", argument))

    async def _ask(self, ask: Callable[[LocalClient], Answer]) -> Answer:
        """Ask the controller in a thread: where the I/O side is served by this very loop, it must not wait for us."""

        def asked() -> Answer:
            with LocalClient(socket_path(self.spec.name, self.runtime)) as client:
                return ask(client)

        return await asyncio.to_thread(asked)

    def logged(self, event: str) -> list[dict[str, Any]]:
        """What the controllers have logged under that name, all of them together."""
        rows = [json.loads(line) for line in self.log.read_text().splitlines()]
        return [row for row in rows if row["event"] == event]


class Bench(Place):
    """One simulator that outlives its controllers. Made by `benching`."""

    def __init__(self, folder: Path, line: Path, config: LineConfig, side: Child, port: int, sample_us: int) -> None:
        super().__init__(folder, line, config, port)
        self.side = side
        self.margin_ns = round((self.spec.exchange_s + HOST_LATENESS_S) * 1e9)
        """One exchange, and what this computer may be late by: the last write of the dead may be taken up so late."""
        lead_s = lead_time_s(self.spec.period_s, self.spec.exchange_s, self.spec.limits.least_lead_s)
        self.lead_counts = lead_mm(SPEED_MM_S, self.spec.max_accel_mm_s2, lead_s) / self.spec.scale_mm
        self.marks: list[Judged] = []
        self.verdict: dict[str, Any] | None = None
        self._sample_us = sample_us
        self._t_us = 0
        # Owner 0 is nobody: such a request is ignored whole, and its answer is only looked at.
        self._eye = ModbusLink(config.points, LOOPBACK, port, timeout_s=5.0)

    async def look(self) -> Look:
        """Look at the I/O side without being anybody to it."""
        status = await self._eye.exchange(Command())
        self._t_us += (status.sample_us - self._sample_us - self._t_us) % (1 << 32)
        return Look(self._t_us * 1000, status)

    async def look_after(self, t_ns: int) -> Look:
        """Look until the simulator's clock is past that time."""
        deadline_s = time.monotonic() + LIMIT_S
        while (look := await self.look()).t_ns <= t_ns:
            assert time.monotonic() < deadline_s, f"the simulator's clock did not come to {t_ns} ns"
            await asyncio.sleep(LOOK_S)
        return look

    async def marked_after(self, t_ns: int) -> None:
        """Wait until a mark released after that time has been told."""
        await until(lambda: self.marks and self.marks[-1].truth.release_ns > t_ns, "a mark", self.running)

    def released(self, after_ns: int, until_ns: int) -> list[MarkTruth]:
        """The true marks released within a time of the simulator's clock; those still to be told are not."""
        return [m.truth for m in self.marks if after_ns < m.truth.release_ns <= until_ns]

    async def hear(self) -> None:
        """Take the simulator's truth to its end."""
        async for line in self.side.lines():
            match json.loads(line):
                case {"mark": mark}:
                    self.marks.append(Judged(MarkTruth(**mark.pop("truth")), **mark))
                case {"verdict": verdict}:
                    self.verdict = verdict

    async def __aenter__(self) -> Self:
        self._hearing = asyncio.create_task(self.hear(), name="truth")
        return self

    async def __aexit__(self, *_: object) -> None:
        await self._eye.close()
        await self.side.end()
        await self._hearing


@asynccontextmanager
async def benching(folder: Path, scenario: str = DENSE) -> AsyncIterator[Bench]:
    """Run the simulator with a scenario while the block runs; the verdict is there after it."""
    line, path = files(folder, scenario)
    config = load_line(line)
    device = build_device(config.spec(), load_scenario(path, config.spec()))
    words = ["sim", str(line), "--scenario", str(path), "--address", f"{LOOPBACK}:0", "--truth", "-"]
    async with child("simulator", "controller.cli.main", words, os.environ) as side:
        port = int(json.loads(await side.first_line())["ready"]["port"])
        async with Bench(folder, line, config, side, port, device.spec.sample_us) as bench:
            yield bench


def inhibited(look: Look, cause: InhibitCause) -> bool:
    """Whether nothing is held, for that cause."""
    return look.status.armed == 0 and look.status.inhibit_cause == cause
