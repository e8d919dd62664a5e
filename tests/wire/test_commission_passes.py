"""`beltcue commission scale` with live passes: Enter at a terminal, the belt's clock in the test's hand."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import pty
import sys
from pathlib import Path

import pytest

from controller.settings.line import load_line
from sim.scenario import load_scenario
from sim.server import serving
from sim.world import build_device
from tests.wire.processes import files, until

SCENE = """
name = "half a metre"
[belt]
segments = [
    { kind = "stop", duration = "1 s" },
    { kind = "constant", speed = "20 m/min", distance = "500 mm" },
    { kind = "stop" },
]
[encoder]
circumference_factor = 1.02
start_count = 4294967000
[[products]]
length = "40 mm"
pitch = "70 mm"
"""
S = 1_000_000_000


async def test_a_pass_is_taken_where_the_belt_stands_and_not_where_it_runs(tmp_path: Path) -> None:
    line, scene = files(tmp_path / "line", SCENE)
    config = load_line(line)
    device = build_device(config.spec(), load_scenario(scene, config.spec()))
    now_ns = 0
    async with serving(device, config.points, now_ns=lambda: now_ns) as server:
        ours, theirs = pty.openpty()
        os.set_blocking(ours, False)
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "controller.cli.main", "commission", "scale", str(line), "--taped", "500 mm",
            "--passes", "1", "--address", f"127.0.0.1:{server.port}", "--json",
            stdin=theirs, stdout=asyncio.subprocess.PIPE, stderr=theirs, start_new_session=True,
            env={**os.environ, "XDG_STATE_HOME": str(tmp_path)},
        )  # fmt: skip
        os.close(theirs)
        shown = bytearray()

        def read() -> None:
            try:
                shown.extend(os.read(ours, 65536))
            except OSError:
                asyncio.get_running_loop().remove_reader(ours)

        async def moving() -> None:
            nonlocal now_ns
            now_ns = S
            while now_ns < 2 * S:
                now_ns += S // 200
                await asyncio.sleep(0.01)

        asyncio.get_running_loop().add_reader(ours, read)
        try:
            await until(lambda: b"first mark at the pointer" in shown, "the first question")
            os.write(ours, b"\n")
            await until(lambda: b"second mark" in shown, "the second question")
            belt = asyncio.create_task(moving())
            await until(lambda: now_ns > S + S // 20, "a belt that moves")
            os.write(ours, b"\n")
            await until(lambda: b"The belt was running" in shown, "the refusal while it runs")
            await belt
            now_ns = 10 * S
            await until(lambda: shown.count(b"second mark") == 2, "the second question again")
            os.write(ours, b"\n")
            await until(
                lambda: process.returncode is not None or shown.count(b"running. Stop") > 1, "the end of the pass"
            )
            assert shown.count(b"running. Stop") == 1, bytes(shown)
            out, _ = await asyncio.wait_for(process.communicate(), 60.0)
        finally:
            asyncio.get_running_loop().remove_reader(ours)
            with contextlib.suppress(ProcessLookupError):
                process.kill()
            await process.wait()
            os.close(ours)
    found = json.loads(out.splitlines()[-1])
    assert process.returncode == 1
    assert [each["kind"] for each in found["estimates"]] == ["taped distance"]
    assert found["mm_per_count"] == pytest.approx(1.02 * config.spec().scale_mm, rel=2e-4)
    assert found["changes"][0]["setting"] == "encoder.wheel.circumference"
