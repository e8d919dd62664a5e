"""A line over OPC UA as people run it: the bench, points that are wrong, a server that dies, freezes and comes back."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from controller.records.report import report
from controller.settings.line import load_line
from sim.children import Child, child
from tests.wire.processes import CONFIG, DENSE, LIMIT_S, LOOPBACK, Place, until

pytestmark = pytest.mark.long

LINE = (CONFIG / "opcua-line.toml").read_text().replace('"jobs/', f'"{CONFIG}/jobs/')
ROOMY = (
    # A busy machine may hold an exchange up; these tests are about what comes of one that fails.
    ('timeout = "100 ms"', 'timeout = "400 ms"'),
    ('lease = "250 ms"', 'lease = "800 ms"'),
    ('lost_after = "250 ms"', 'lost_after = "800 ms"'),
)
RAMP = """
name = "10 to 25 m/min"
[belt]
starts = "with running"
segments = [
    { kind = "constant", speed = "10 m/min", duration = "3 s" },
    { kind = "ramp", to = "25 m/min", duration = "5 s" },
    { kind = "constant", speed = "25 m/min" },
]
[[products]]
length = "90 mm"
pitch = "150 mm"
spread = "10 mm"
varies = "uniform"
"""
RUN_S = 14


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind((LOOPBACK, 0))
        return int(probe.getsockname()[1])


def line_file(folder: Path, *changes: tuple[str, str], scenario: str = DENSE, least_lead_ms: int = 100) -> Path:
    """The example's line with room for a busy machine, and changes, beside a scenario of its own."""
    text = LINE
    lead = ("[interlocks]", f'[limits]\nleast_lead = "{least_lead_ms} ms"\n[interlocks]')
    for old, new in (*ROOMY, ('"bench/demo.toml"', '"scenario.toml"'), lead, *changes):
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    (folder / "scenario.toml").write_text(scenario)
    path = folder / "line.toml"
    path.write_text(text)
    return path


async def beltcue(*words: str) -> tuple[int, str, str]:
    """Run a command to its end: exit code, standard output, standard error."""
    async with child("beltcue", "controller.cli.main", words, os.environ) as running:
        said = [line async for line in running.lines()]
        code = await running.process.wait()
        return code, "\n".join(said), str(await running.failure()) if code else ""


async def test_the_compare_path_over_opcua_from_10_to_25_m_min(tmp_path: Path) -> None:
    path = line_file(tmp_path, scenario=RAMP)
    async with asyncio.timeout(LIMIT_S):
        code, said, error = await beltcue("bench", str(path), "--port", "0", "--for", f"{RUN_S} s", "--json")
    assert code == 0, error or said
    result = json.loads(said.splitlines()[-1])
    assert result["balanced"]
    assert result["placement"]["max_abs_mm"] <= result["placement"]["count_mm"]
    assert result["placement"]["n"] == result["world"]["marks"] >= 20
    assert max(row["speed_mm_s"] for row in result["by_speed"]) > 24_000 / 60
    assert (result["doubles"], result["off_product"], result["faults"]) == (0, 0, {})


@asynccontextmanager
async def simulated(path: Path, port: int) -> AsyncIterator[tuple[Child, int]]:
    """The line's I/O side as a process, and its port."""
    words = ["sim", str(path), "--address", f"{LOOPBACK}:{port}", "--truth", "-"]
    async with child("simulator", "controller.cli.main", words, os.environ) as side:
        ready = json.loads(await side.first_line())["ready"]
        listening = asyncio.create_task(_drain(side), name="truth")
        try:
            yield side, int(ready["port"])
        finally:
            await side.end()
            await listening


async def _drain(side: Child) -> None:
    async for _ in side.lines():
        pass


COUNT = 'belt_count = "0:Objects/2:Line/2:Belt/2:Count"'
DRIVE = 'bits.drive_running = "ns=2;i=77"'
WRONG = [
    (("run",), "the server has no such node", (COUNT, COUNT + '\ndepth = "ns=2;s=FieldBlock.dpth"')),
    (
        ("measure", "--for", "5 s", "--no-plot"),
        "is UInt16; wanted is a Boolean",
        (DRIVE, 'bits.drive_running = "ns=2;s=FieldBlock.depth"\ndepth = "ns=2;i=77"'),
    ),
    (
        ("run",),
        "is read-only; open it in the server",
        (COUNT, f'{COUNT}\ndepth = "ns=2;s=FieldBlock.command.lease_ms"\ncommand.lease_ms = "ns=2;s=FieldBlock.depth"'),
    ),
]  # fmt: skip


async def test_points_that_are_wrong_are_said_in_one_line_and_a_dead_address_is_tried_on(tmp_path: Path) -> None:
    path = line_file(tmp_path)
    folder = tmp_path / "wrong"
    folder.mkdir()
    journal = ("--journal", str(tmp_path / "journal.sqlite"))
    async with asyncio.timeout(LIMIT_S), simulated(path, 0) as (_, port):
        for (verb, *more), words, change in WRONG:
            wrong = str(line_file(folder, change))
            more += journal if verb == "run" else ()
            code, _, error = await beltcue(verb, wrong, "--address", f"{LOOPBACK}:{port}", *more)
            assert (code, error.count("\n")) == (2, 0)
            assert words in error, error
    dead = f"{LOOPBACK}:{free_port()}"
    code, _, error = await beltcue("run", str(path), "--address", dead, "--for", "1 s", *journal)
    assert code == 1
    assert "never answered: cannot reach the I/O side" in error


async def test_a_server_that_freezes_or_dies_aborts_the_line_and_never_starts_it_again(tmp_path: Path) -> None:
    path = line_file(tmp_path)
    config = load_line(path)
    port = free_port()
    place = Place(tmp_path, path, config, port)

    def up() -> int:
        return len(place.logged("link up"))

    async with place.controller() as running:
        async with simulated(path, port) as (side, _):
            await place.start()
            side.process.send_signal(signal.SIGSTOP)
            await place.status(lambda status: status["state"] == "Aborted")
            links = up()
            side.process.send_signal(signal.SIGCONT)
            await until(lambda: up() > links, "the link to the frozen server", running)
            status = await stays(place)
            assert (status["state"], status["armed"], status["balanced"]) == ("Aborted", 0, True)
            await place.give("clear", "Stopped")
            await place.start()
            side.process.kill()
            await side.process.wait()
        await place.status(lambda status: status["state"] == "Aborted")
        links = up()
        async with simulated(path, port):
            await until(lambda: up() > links, "the link to the server that was started again", running)
            status = await stays(place)
            assert (status["state"], status["balanced"]) == ("Aborted", True)
            await place.give("clear", "Stopped")
            await place.start()
            running.process.send_signal(signal.SIGTERM)
            async with asyncio.timeout(LIMIT_S):
                await running.process.wait()
    assert running.process.returncode == 0, await running.failure()
    kept = report(place.journal)
    assert kept.balanced, kept.imbalances
    assert [" link_lost: " in cause for cause in kept.first_causes] == [True, True], kept.first_causes


async def stays(place: Place) -> dict[str, Any]:
    """The status half a second after the link is up: what would start by itself has had its time."""
    await place.status(lambda status: not status["link_error"])
    await asyncio.sleep(0.5)
    return await place.status(lambda _: True)
