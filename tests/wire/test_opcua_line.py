"""A line over OPC UA as people run it: the bench, points that are wrong, interlocks beside a Modbus link."""

from __future__ import annotations

import asyncio
import json
import os
import signal
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from controller.records.report import report
from controller.settings.line import load_line
from sim.children import Child, child
from tests.free_ports import free_port
from tests.wire.processes import CONFIG, DENSE, LIMIT_S, LOOPBACK, Place, files

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
    assert not side._errors, side._errors


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


MIXED = """
[opcua]
endpoint = "opc.tcp://127.0.0.1:{port}/inputs"
[opcua.nodes]
interlock = {{ guard = "ns=2;s=Guard", cover = "ns=2;s=Cover", fume_extraction = "ns=2;s=Fumes" }}
bits.interlocks_closed = "0:Objects/2:Line/2:AllClosed"
bits.marker_ready = "ns=2;i=4"
bits.drive_running = "ns=2;i=5"
"""


async def test_interlocks_over_opcua_stop_a_line_whose_counts_come_over_modbus(tmp_path: Path) -> None:
    event = '[[events]]\nkind = "interlock_open"\ninterlock = "guard"\nat = "3 s"\nduration = "500 ms"\n'
    line, _ = files(tmp_path / "bench", DENSE + event)
    line.write_text(line.read_text().replace(f'"{CONFIG}/bench/demo.toml"', '"scenario.toml"'))
    with line.open("a") as file:
        file.write(MIXED.format(port=free_port()))
    config = load_line(line)
    code, _, error = await beltcue("bench", str(line), "--port", "0")
    assert (code, error) == (2, "--port: this line has two addresses: write free ports of this computer in its file")
    async with simulated(line, 0) as (_, port):
        place = Place(tmp_path / "bench", line, config, port)
        async with place.controller() as running:
            await place.start()
            await place.status(lambda s: s["state"] == "Aborted" and not any(f["active"] for f in s["faults"]))
            await place.give("clear", "Stopped")
            await place.start()
            marked = (await place.status(lambda _: True))["requests"]["marked"]
            await place.status(lambda status: status["requests"]["marked"] > marked)
            running.process.send_signal(signal.SIGTERM)
            async with asyncio.timeout(LIMIT_S):
                await running.process.wait()
    assert running.process.returncode == 0, await running.failure()
    kept = report(place.journal)
    assert kept.balanced, kept.imbalances
    [cause] = kept.first_causes
    assert "guard" in cause
