"""The whole controller as a process against the I/O side in C on libmodbus: a shared packing mistake cannot hide.

The C side knows the field block from its description alone; where products are and what it released is its own truth.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from tests.wire.conftest import LibmodbusSide

pytestmark = pytest.mark.foreign

DISTANCE_COUNTS = 10_000
JOB = 'name = "proof"\n[[plans]]\ncount = 1\n'
LINE = """
[line]
name = "proof"
job = "job.toml"
top_speed = "600 mm/s"
greatest_acceleration = "1 m/s^2"
[link]
address = "127.0.0.1:{port}"
function_23 = {function_23}
[encoder]
mm_per_count = "0.04 mm"
forward = "counts {way}"
[[stations]]
name = "marker"
distance = "399.98 mm"    # 9999.5 counts: with the edge in the middle of its count, exactly 10000 counts on
[interlocks]
guard = 0
cover = 1
"""


@pytest.mark.parametrize("way", ["up", "down"])
@pytest.mark.parametrize("function_23", [True, False])
def test_every_product_is_released_on_the_count_while_the_speed_changes(
    tmp_path: Path, libmodbus_side: Callable[..., LibmodbusSide], way: str, function_23: bool
) -> None:
    side = libmodbus_side(
        v0=5000, v1=12000, ramp_s=3, first=12000, pitch=2500, length=1200, products=20, wait=1,
        start=(1 << 32) - 20_000 if way == "up" else 20_000, down=int(way == "down"),
    )  # fmt: skip
    (tmp_path / "job.toml").write_text(JOB)
    line = tmp_path / "line.toml"
    line.write_text(LINE.format(port=side.port, way=way, function_23=str(function_23).lower()))
    summary = run(line, tmp_path)
    truth = side.results()
    released = [r for r in truth["releases"] if r["result"] == 1]
    assert [r["travel"] for r in released] == [p["lead"] + DISTANCE_COUNTS for p in truth["products"]]
    assert len(released) == 20
    assert summary["requests"]["marked"] == summary["products"]["marked"] == 20
    assert (summary["balanced"], summary["state"]) == (True, "Stopped")


def run(line: Path, tmp_path: Path) -> dict[str, Any]:
    done = subprocess.run(
        [
            sys.executable, "-m", "controller.cli.main", "run", str(line), "--bench-start", "--for", "10 s", "--json",
            "--journal", str(tmp_path / "journal.sqlite"),
        ],
        capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL, env={"XDG_RUNTIME_DIR": os.environ["XDG_RUNTIME_DIR"]},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    summary: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return summary
