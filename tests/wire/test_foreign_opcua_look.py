"""A client of another make (node-opcua) reads, decodes, subscribes and calls; security is tested elsewhere."""

from __future__ import annotations

import asyncio
import json
import os
import shutil
from pathlib import Path

import pytest

from controller.model import Refusal
from tests.unit.plant_images import fault, image
from tests.wire.opcua_kit import Line, serving

pytestmark = pytest.mark.foreign
SCRIPT = Path(__file__).with_name("opcua_look.mjs")
WAIT_S = 60.0


def node_modules() -> tuple[str, str]:
    """node and its modules; skips where one is missing."""
    node, folder = shutil.which("node"), os.environ.get("BELTCUE_NODE_MODULES")
    if node is None:
        pytest.skip("node is not installed")
    if not folder or not (Path(folder) / "node-opcua-client").is_dir():
        pytest.skip("BELTCUE_NODE_MODULES names no folder with node-opcua-client")
    return node, folder


async def test_a_client_of_another_make_understands_the_line(tmp_path: Path) -> None:
    node, folder = node_modules()
    line = Line()
    line.refused["start"] = "start is refused in Held", Refusal.STATE
    async with serving(line) as (server, url):
        await server.publish("demo", image(faults=(fault("jam", "eye 1", first=True),), first_cause="jam"))
        process = await asyncio.create_subprocess_exec(
            node, str(SCRIPT), folder, url, str(tmp_path),
            stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE,
        )  # fmt: skip
        talk = asyncio.ensure_future(process.communicate())
        try:
            async with asyncio.timeout(WAIT_S):
                called = asyncio.create_task(line.called.wait())
                await asyncio.wait({called, talk}, return_when=asyncio.FIRST_COMPLETED)
                called.cancel()
                await server.publish("demo", image(100_000_000, faults=(fault("interlock_open", "guard", first=True),)))
                out, err = await talk
        finally:
            if process.returncode is None:
                process.kill()
                await process.wait()
    assert process.returncode == 0, err.decode()
    found = json.loads(next(text for text in out.splitlines() if text.startswith(b"{")))  # between its log
    values = found["values"]
    assert found["units"] == ["demo"]
    assert values["State"] == {"status": "Good", "value": "Stopped"}
    assert values["Tracking/Speed"]["value"] == pytest.approx(15.0)
    assert values["Status/MachSpeed"] == {"status": "BadNotConnected", "value": None}
    assert values["BaseStateMachine/CurrentState/Number"]["value"] == 19
    (count,) = values["Admin/ProdConsumedCount"]["value"]
    assert {k.lower(): v for k, v in count.items()}["count"] == 2
    assert values["Admin/StopReason"]["value"]["message"].endswith("(eye 1)")
    assert found["calls"] == {"Hold": "Good", "Start": "BadInvalidState"}
    assert [call.verb for _, call in line.calls] == ["hold", "start"]
    assert found["event"] == [
        {"text": "demo: stopped: an interlock is open (guard)"}, 900, "demo", "interlock_open", True,
    ]  # fmt: skip
