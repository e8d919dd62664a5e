"""What the live tests of commissioning share: the steps as they are typed, at a terminal or not, and a belt on call."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import pty
import signal
import sys
import time
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from controller.cli.main import main
from controller.settings.line import load_line
from sim.scenario import load_scenario
from sim.server import serving, serving_plain
from sim.world import build_device, build_plain_device
from tests.wire.processes import CONFIG, Bench, Place, benching, files, until

END_S = 60.0
SLOW = 1000
"""A clock that is held runs so many times slower: the belt stands, and the I/O side's samples still differ."""


class Clock:
    """The simulated I/O side's clock, in the test's hand. Made held at `begin_s`; it goes on only up to a time."""

    def __init__(self, begin_s: float = 0.0) -> None:
        self._base_ns, self._real_ns = round(begin_s * 1e9), time.monotonic_ns()
        self._until_ns, self._pace = self._base_ns, 1.0

    def __call__(self) -> int:
        """Its time now, in ns."""
        passed_ns = time.monotonic_ns() - self._real_ns
        left_ns = round((self._until_ns - self._base_ns) / self._pace)
        if passed_ns < left_ns:
            return self._base_ns + round(passed_ns * self._pace)
        return self._until_ns + (passed_ns - left_ns) // SLOW

    def go(self, seconds: float, pace: float = 1.0) -> None:
        """Let it run until that time, so many times as fast as a clock, then hold it again."""
        self._base_ns, self._real_ns = self(), time.monotonic_ns()
        self._until_ns, self._pace = max(self._base_ns, round(seconds * 1e9)), pace

    async def run_to(self, seconds: float, pace: float = 1.0) -> None:
        """The same, and wait for it."""
        self.go(seconds, pace)
        await until(lambda: self() >= self._until_ns, f"{seconds:g} s by the I/O side's clock")


@dataclass
class Typing:
    """The steps, as typed for one line without a terminal, and what they say to scripts."""

    line: Path
    capsys: pytest.CaptureFixture[str]
    told: str = ""
    """What the last step said to people, on either stream."""

    async def __call__(self, step: str, *words: str) -> tuple[int, dict[str, Any]]:
        """Type a step with --json; its exit code and its object, empty where it printed none."""
        self.capsys.readouterr()
        code = await asyncio.to_thread(main, ["commission", step, str(self.line), "--json", *words])
        out, err = self.capsys.readouterr()
        self.told = out + err
        last = out.splitlines()[-1] if out else ""
        return code, json.loads(last) if last.startswith("{") else {}


@asynccontextmanager
async def typing_at(
    folder: Path, scenario: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> AsyncIterator[tuple[Bench, Typing]]:
    """Run a simulator with the scenario, beside which steps are typed: at it, or through a controller run by `bench`."""
    async with benching(folder / "bench", scenario) as bench:
        monkeypatch.setenv("XDG_RUNTIME_DIR", str(bench.runtime))
        monkeypatch.setenv("XDG_STATE_HOME", str(folder / "state"))
        yield bench, Typing(bench.line, capsys)


def address(place: Place) -> tuple[str, str]:
    """The words that have a step look at the I/O side itself."""
    return "--address", f"{place.host}:{place.port}"


@asynccontextmanager
async def jogging(
    folder: Path, scenario: str, clock: Clock, changes: tuple[tuple[str, str], ...] = ()
) -> AsyncIterator[Place]:
    """Serve a simulated I/O side whose belt runs only as the clock lets it."""
    line, path = files(folder / "line", scenario, changes)
    config = load_line(line)
    device = build_device(config.spec(), load_scenario(path, config.spec()))
    async with serving(device, config.points, now_ns=clock) as server:
        yield Place(folder, line, config, server.port)


@asynccontextmanager
async def plain_jogging(folder: Path, scenario: str, clock: Callable[[], int] | None = None) -> AsyncIterator[Place]:
    """The same for a plain device, whose eye is only looked at; without a clock its belt runs like any."""
    line, path = folder / "plain-line.toml", folder / "scenario.toml"
    proof = "plain-line.cable-pull.json"
    (folder / proof).write_bytes((CONFIG / proof).read_bytes())
    line.write_text((CONFIG / "plain-line.toml").read_text().replace('"jobs/', f'"{CONFIG}/jobs/'))
    path.write_text(scenario)
    config = load_line(line)
    assert config.plain is not None
    device = build_plain_device(config.spec(), load_scenario(path, config.spec()))
    async with serving_plain(device, config.plain, now_ns=clock) as server:
        yield Place(folder, line, config, server.port)


@dataclass
class Terminal:
    """A step in a process of its own, with somebody at its terminal."""

    process: asyncio.subprocess.Process
    _ours: int
    shown: bytearray = field(default_factory=bytearray)

    async def sees(self, text: str, times: int = 1) -> None:
        """Wait until it has shown that so often."""
        await until(
            lambda: self.shown.count(text.encode()) >= times or self.process.returncode is not None, f"{text!r}"
        )
        assert self.shown.count(text.encode()) >= times, self.shown.decode()

    def type(self, text: str = "") -> None:
        """Type a line."""
        os.write(self._ours, text.encode() + b"\n")

    def interrupt(self) -> None:
        """Type Ctrl-C."""
        os.write(self._ours, b"\x03")

    async def end(self) -> tuple[int, dict[str, Any]]:
        """Wait for its end; exit code and the object for scripts, empty where it printed none."""
        out = (await asyncio.wait_for(self.process.communicate(), END_S))[0] or b""
        last = out.decode().splitlines()[-1] if out else ""
        assert self.process.returncode is not None
        return self.process.returncode, json.loads(last) if last.startswith("{") else {}


def _heeds_interrupts() -> None:
    """A suite that runs in a shell's background ignores Ctrl-C, and what it starts would too."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


@asynccontextmanager
async def at_terminal(*words: str, environment: Mapping[str, str]) -> AsyncIterator[Terminal]:
    """Type a verb at a terminal of its own; with --json its standard output is taken by us and not shown there."""
    ours, theirs = pty.openpty()
    os.set_blocking(ours, False)
    process = await asyncio.create_subprocess_exec(
        # By setsid, so that the terminal is its own and Ctrl-C comes to it.
        "setsid", "--ctty", sys.executable, "-m", "controller.cli.main", *words,
        stdin=theirs, stdout=asyncio.subprocess.PIPE if "--json" in words else theirs, stderr=theirs,
        env={**os.environ, **environment}, preexec_fn=_heeds_interrupts,
    )  # fmt: skip
    os.close(theirs)
    terminal = Terminal(process, ours)

    def read() -> None:
        try:
            terminal.shown.extend(os.read(ours, 65536))
        except OSError:
            asyncio.get_running_loop().remove_reader(ours)

    asyncio.get_running_loop().add_reader(ours, read)
    try:
        yield terminal
    finally:
        asyncio.get_running_loop().remove_reader(ours)
        with contextlib.suppress(ProcessLookupError):
            process.kill()
        await process.wait()
        os.close(ours)
