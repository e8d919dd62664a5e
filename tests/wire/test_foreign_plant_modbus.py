"""Clients of other makes at the plant's Modbus server: mbpoll, modbus-serial with concurrent reads, libmodbus in C."""

from __future__ import annotations

import asyncio
import json
import os
import shutil
from pathlib import Path

import pytest

from controller.model import Call, Counters, State
from tests.wire.plant_modbus_kit import LOOPBACK, Line, fresh, serving

pytestmark = pytest.mark.foreign
WAIT_S = 60.0
STOP = [("demo", Call("stop", f"modbus {LOOPBACK}", "plant"))]


async def output(*words: str | Path) -> tuple[int, str, str]:
    """Run a client to its end; its exit code and what it printed."""
    process = await asyncio.create_subprocess_exec(
        *words, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE, env={**os.environ, "LC_ALL": "C"}
    )
    try:
        async with asyncio.timeout(WAIT_S):
            out, err = await process.communicate()
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()
    assert process.returncode is not None
    return process.returncode, out.decode(), err.decode()


async def polled(port: int, *words: str) -> str:
    if shutil.which("mbpoll") is None:
        pytest.skip("mbpoll is not installed (Debian package mbpoll)")
    _, out, err = await output("mbpoll", "-m", "tcp", "-0", "-1", "-p", str(port), *words)
    return " ".join(f"{out} {err}".split())


async def test_mbpoll_reads_the_map_in_all_four_ways(tmp_path: Path) -> None:
    line = Line()
    async with serving(line, "demo") as (server, port):
        await server.publish("demo", fresh(speed_mm_s=-12.0, counters=Counters(detected=70_000), travel_counts=-5))
        state, at = str(int(State.STOPPED)), LOOPBACK
        assert f"[0]: 1 [1]: 1 [2]: 104 [3]: {state}" in await polled(port, "-r", "0", "-c", "4", "-t", "4", at)
        assert f"[3]: {state}" in await polled(port, "-r", "3", "-t", "3", at)
        assert "[24]: -5" in await polled(port, "-r", "24", "-t", "4:int", "-B", at)
        assert "[36]: 70000" in await polled(port, "-r", "36", "-t", "4:int", "-B", at)
        assert "[162]: 1" in await polled(port, "-r", "162", "-t", "1", at)
        assert "[0]: 0 [1]: 0 [2]: 0 [3]: 1" in await polled(port, "-r", "0", "-c", "4", "-t", "0", at)
        assert "Illegal data address" in await polled(port, "-r", "120", "-t", "4", at)
        assert "Illegal function" in await polled(port, "-r", "150", "-t", "4", at, "3", "0", "1")
        assert "Target device failed to respond" in await polled(port, "-a", "9", "-r", "0", "-t", "4", at)
    assert line.calls == []
    assert line.desk.refusals["write from an unlisted address"] == 1


async def test_modbus_serial_reads_four_things_at_once_and_gives_a_command() -> None:
    node, folder = shutil.which("node"), os.environ.get("BELTCUE_NODE_MODULES")
    if node is None:
        pytest.skip("node is not installed")
    if not folder or not (Path(folder) / "modbus-serial").is_dir():
        pytest.skip("BELTCUE_NODE_MODULES names no folder with modbus-serial")
    line = Line()
    async with serving(line, "demo", command_clients=[LOOPBACK]) as (server, port):
        await server.publish("demo", fresh())
        script = Path(__file__).with_name("plant_modbus_ask.mjs")
        code, out, err = await output(node, script, folder, str(port))
    assert code == 0, err
    found = json.loads(out)
    assert (found["rounds"], found["wrong"], found["state"]) == (50, [], State.STOPPED)
    assert found["command"] == [True, 3, 2]
    assert found["codes"] == [3, 1, 2]
    assert line.calls == STOP


async def test_a_libmodbus_client_reads_the_map_and_gives_a_command(libmodbus_plant_client: Path) -> None:
    line = Line()
    async with serving(line, "demo", command_clients=[LOOPBACK]) as (server, port):
        await server.publish("demo", fresh(speed_mm_s=-12.0, counters=Counters(detected=70_000)))
        code, out, err = await output(libmodbus_plant_client, str(port), "1")
    assert code == 0, err
    assert out.splitlines() == [
        "holding 1 2 -12 70000",
        "input 1 2",
        "coils 0 1",
        "discrete 0 1",
        "command 2",
        "status Illegal data address",
        "coil Illegal function",
        "behind Illegal data address",
        "unit Target device failed to respond",
    ]
    assert line.calls == STOP
