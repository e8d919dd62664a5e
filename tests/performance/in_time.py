"""Rows `timed_vs_scan` and `timed_dynamic_p99_mm`: release in time over real sockets, each side a process of its own.

The first beside a plain 10 ms scan loop (`scan_loop`) on the same device and profile; the second while the belt speeds
up from rest at 0.5 m/s² and hunts by ±20 % at 1 Hz. Errors are those of the true marks.
"""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

from sim.children import child

LINE = Path("config/timed-line.toml")
PERIOD_S = 0.010
RAMP = """
name = "10 to 25 m/min"
duration = "{for_s} s"
[belt]
starts = "with running"
segments = [
    {{ kind = "constant", speed = "10 m/min", duration = "{third} s" }},
    {{ kind = "ramp", to = "25 m/min", duration = "{third} s" }},
    {{ kind = "constant", speed = "25 m/min" }},
]
[[products]]
length = "60 mm"
pitch = "100 mm"
spread = "10 mm"
varies = "uniform"
"""
DYNAMIC = """
name = "from rest, then hunting"
duration = "{for_s} s"
[belt]
starts = "with running"
repeat = true
segments = [
    {{ kind = "ramp", to = "0.5 m/s", acceleration = "0.5 m/s^2" }},
    {{ kind = "hunting", speed = "0.5 m/s", amplitude = "0.1 m/s", period = "1 s", duration = "6 s" }},
    {{ kind = "ramp", to = "0 m/s", acceleration = "0.5 m/s^2" }},
    {{ kind = "stop", duration = "500 ms" }},
]
[[products]]
length = "60 mm"
pitch = "100 mm"
spread = "10 mm"
varies = "uniform"
"""


def line_file(folder: Path, scenario: str) -> tuple[Path, Path]:
    """The timed line, fast enough for both profiles, and a scenario, in a folder of their own."""
    text = LINE.read_text()
    for old, new in (
        ('"jobs/', f'"{LINE.parent.resolve()}/jobs/'),
        ('"bench/demo.toml"', '"scenario.toml"'),
        ('top_speed = "30 m/min"', 'top_speed = "40 m/min"'),
    ):
        assert old in text
        text = text.replace(old, new)
    (folder / "line.toml").write_text(text)
    (folder / "scenario.toml").write_text(scenario)
    return folder / "line.toml", folder / "scenario.toml"


def ours(line: Path, for_s: float) -> dict[str, Any]:
    """The bench's own result: simulator and controller as two processes."""
    words = [
        sys.executable,
        "-m",
        "controller.cli.main",
        "bench",
        str(line),
        "--port",
        "0",
        "--for",
        f"{for_s}s",
        "--json",
    ]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    result: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    if not result["balanced"] or result["doubles"]:
        raise RuntimeError(f"the bench is not sound: {done.stdout}")
    return result


async def _baseline(line: Path, for_s: float) -> list[float]:
    words = ["sim", str(line), "--address", "127.0.0.1:0", "--truth", "-"]
    errors: list[float] = []
    async with child("simulator", "controller.cli.main", words, os.environ) as side:
        port = int(json.loads(await side.first_line())["ready"]["port"])

        async def hear() -> None:
            async for text in side.lines():
                mark = json.loads(text).get("mark")
                if mark is not None and mark["error_mm"] is not None:
                    errors.append(mark["error_mm"])

        hearing = asyncio.create_task(hear())
        scan = ["-m", "tests.performance.scan_loop", str(line), str(port), str(PERIOD_S), str(for_s)]
        process = await asyncio.create_subprocess_exec(sys.executable, *scan)
        if await process.wait():
            raise RuntimeError("the scan loop failed")
        await side.end()
        await hearing
    return errors


def versus(for_s: float = 60.0) -> dict[str, Any]:
    """The 99 % error of a plain scan loop over ours; the loop's own mean is taken off it, ours stays in."""
    with tempfile.TemporaryDirectory() as name:
        line, _ = line_file(Path(name), RAMP.format(for_s=for_s, third=for_s / 3))
        plain = np.array(asyncio.run(_baseline(line, for_s)))
        timed = ours(line, for_s)
    about_mean = np.abs(plain - plain.mean())
    plain_p99 = float(np.quantile(about_mean, 0.99))
    place = timed["placement"]
    return {
        "value": round(plain_p99 / place["p99_abs_mm"], 1),
        "scan_p99_mm": round(plain_p99, 3),
        "scan_mean_mm": round(float(plain.mean()), 3),
        "scan_marks": len(plain),
        "timed_p99_mm": round(place["p99_abs_mm"], 4),
        "timed_mean_mm": round(place["mean_mm"], 4),
        "timed_max_mm": round(place["max_abs_mm"], 4),
        "timed_marks": place["n"],
        "timed_missed": timed["requests"]["missed"],
        "send": {k: v for k, v in timed["scan"].items() if k.startswith(("send", "timed"))},
    }


def dynamic(for_s: float = 60.0) -> dict[str, Any]:
    """The 99 % error while the speed changes."""
    with tempfile.TemporaryDirectory() as name:
        line, _ = line_file(Path(name), DYNAMIC.format(for_s=for_s))
        timed = ours(line, for_s)
    place = timed["placement"]
    return {
        "value": round(place["p99_abs_mm"], 4),
        "mean_mm": round(place["mean_mm"], 4),
        "max_mm": round(place["max_abs_mm"], 4),
        "marks": place["n"],
        "missed": timed["requests"]["missed"],
        "send": {k: v for k, v in timed["scan"].items() if k.startswith(("send", "timed"))},
    }
