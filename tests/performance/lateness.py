"""Row `lateness_vs_cyclictest`: how late the real loop begins its periods, over cyclictest at the same period.

Turn by turn within the same minute: the loop with its journal against a simulated I/O side in a process of its own, then
cyclictest (Debian's rt-tests) with the same interval and no real-time priority, and again.
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

LINE = "config/demo-line.toml"
PERIOD_US = 5000


def cyclictest_us(for_s: float) -> list[int]:
    """The latencies of one run, in µs, from its histogram; empty where cyclictest is not installed."""
    if shutil.which("cyclictest") is None:
        return []
    command = [
        "cyclictest",
        "-q",
        "-i",
        str(PERIOD_US),
        "-D",
        str(max(1, round(for_s))),
        "-h",
        "20000",
        "--policy=other",
    ]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    found: list[int] = []
    for line in done.stdout.splitlines():
        match = re.match(r"^(\d{6})\s+(\d+)$", line)
        if match:
            found += [int(match[1])] * int(match[2])
    return found


def loop(for_s: float) -> dict[str, Any]:
    """What the controller says of its own scans on the demo bench, real sockets and two processes."""
    with tempfile.TemporaryDirectory() as folder:
        journal = str(Path(folder) / "journal.sqlite")
        words = ["bench", LINE, "--port", "0", "--for", f"{for_s}s", "--journal", journal, "--json"]
        done = subprocess.run(
            [sys.executable, "-m", "controller.cli.main", *words], capture_output=True, text=True, check=False
        )
    scan: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])["scan"]
    return scan


def measure(for_s: float = 60.0) -> dict[str, Any]:
    """The 99 % lateness of the loop over cyclictest's."""
    turns = 3
    theirs: list[int] = []
    ours = []
    for _ in range(turns):
        theirs += cyclictest_us(for_s / 2 / turns)
        ours.append(loop(for_s / 2 / turns))
    figures = {
        "loop_median_us": [scan["late_median_us"] for scan in ours],
        "loop_p99_us": [scan["late_p99_us"] for scan in ours],
        "overruns": [scan["overruns"] for scan in ours],
        "bar": 3,
    }
    if not theirs:
        return {"value": None, "skipped": "cyclictest is not installed (Debian package rt-tests)", **figures}
    p99_us = float(np.quantile(theirs, 0.99))
    mean_p99_us = sum(figures["loop_p99_us"]) / turns
    return {
        "value": round(mean_p99_us / p99_us, 2),
        "cyclictest_median_us": float(np.median(theirs)),
        "cyclictest_p99_us": p99_us,
        **figures,
    }
