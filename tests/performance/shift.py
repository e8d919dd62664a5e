"""Row `shift_wall_s`: how fast a shift runs in virtual time, journal included."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from controller.compiled import SWITCH, core_text, runs_compiled
from controller.records.journal import Journal
from controller.run_record import begin_record
from controller.settings.line import load_line
from sim.bench import let_write
from sim.result import shortfalls
from sim.scenario import load_scenario
from sim.virtual import VirtualOptions, run_virtual

LINE, SCENARIO = "config/demo-line.toml", "config/bench/shift.toml"


def measure(hours: float = 0.25) -> dict[str, Any]:
    """Wall time of a stretch of the shift, and scaled to 100,000 products; where the core is compiled also without."""
    config = load_line(LINE)
    spec = config.spec()
    scenario = load_scenario(SCENARIO, spec)
    with tempfile.TemporaryDirectory() as directory:
        journal = Journal.open(Path(directory) / "shift.sqlite", spec.name, synchronous="OFF")
        begin_record(journal, config, spec, mono_ns=0, wall_ns=time.time_ns())
        began, cpu_began = time.perf_counter(), time.process_time()
        result = run_virtual(spec, scenario, journal, VirtualOptions(hours * 3600.0), lambda *_: let_write(journal))
        lost = journal.lost
        journal.close("measured")
        wall_s, cpu_s = time.perf_counter() - began, time.process_time() - cpu_began
    found = shortfalls(result) + ([f"{lost} events were lost"] if lost else [])
    if found:
        raise RuntimeError("; ".join(found))
    products = result["products"]["detected"]
    return {
        "value": round(wall_s, 1),
        "bar": 20,
        "virtual_h": hours,
        "products": products,
        "wall_s": round(wall_s, 2),
        "cpu_s": round(cpu_s, 2),
        "products_per_s": round(products / wall_s),
        "wall_s_per_100000_products": round(wall_s / products * 1e5, 1),
        "scans": result["scans"],
        "core": core_text(),
        **({"interpreted": _interpreted(hours)} if runs_compiled() else {}),
    }


def _interpreted(hours: float) -> dict[str, Any]:
    """The same figures from a process in which the source runs as it is."""
    command = [sys.executable, "-m", "tests.performance", "--json", "--only", "shift_wall_s", "--hours", str(hours)]
    done = subprocess.run(command, env={**os.environ, SWITCH: "0"}, capture_output=True, text=True, check=True)
    found: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])["details"]["shift_wall_s"]
    return {name: found[name] for name in ("wall_s", "cpu_s", "wall_s_per_100000_products")}
