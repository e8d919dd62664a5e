"""The compiled core decides as the source does: the same journal and the same verdict, to the bit."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from controller.compiled import ROOT, SWITCH
from controller.records.export import dump

pytestmark = [pytest.mark.foreign, pytest.mark.long, pytest.mark.timeout(900)]
BUILD_S = 800.0
RUN_S = 120.0
RUNS = {
    "hunting, stops, back-ups": ["demo-line.toml", "--scenario", "config/bench/shift.toml", "--for", "10min"],
    "disturbances": ["demo-line.toml", "--scenario", "config/bench/trouble.toml", "--for", "3min"],
    "misses": ["demo-line.toml", "--scenario", "config/bench/crowded.toml", "--for", "2min"],
    "response times": ["delayed-marker-line.toml", "--for", "1min"],
    "timed release": ["timed-line.toml", "--for", "1min"],
    "narrow counter": ["narrow-counter-line.toml", "--for", "1min"],
    "web": ["web-line.toml", "--for", "5min"],
    "link that jitters": ["slow-link-line.toml", "--for", "1min"],
    "plain device": ["plain-line.toml", "--for", "1min"],
}
WHILE_TIMED = {"wall_s", "compiled", "core"}


def build(folder: Path) -> None:
    """Compile the core, without optimisation, which is quicker."""
    command = [sys.executable, "deploy/compile_core.py", "--opt", "0", "--out", str(folder)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=BUILD_S, check=False)
    if done.returncode == 2:
        pytest.skip(done.stderr.strip())
    assert done.returncode == 0, done.stdout + done.stderr


def bench(words: list[str], journal: Path, core: str) -> tuple[dict[str, Any], str]:
    """A bench in virtual time with that core: its result, and every row of its journal as text."""
    command = [sys.executable, "-m", "controller.cli.main", "bench", f"config/{words[0]}", *words[1:]]
    command += ["--virtual", "--json", "--journal", str(journal)]
    environment = {**os.environ, SWITCH: core}
    done = subprocess.run(
        command, cwd=ROOT, env=environment, capture_output=True, text=True, timeout=RUN_S, check=False
    )
    assert done.returncode in (0, 1), done.stderr
    return json.loads(done.stdout.splitlines()[-1]), repr(dump(journal))


def test_both_cores_keep_the_same_journal(tmp_path: Path) -> None:
    core = tmp_path / "core"
    build(core)
    differ = []
    for name, words in RUNS.items():
        fast, fast_rows = bench(words, tmp_path / f"{name}, compiled.sqlite", str(core))
        plain, plain_rows = bench(words, tmp_path / f"{name}.sqlite", "0")
        assert (fast["compiled"], plain["compiled"]) == (True, False)
        assert fast["requests"]["created"] > 10
        for key in WHILE_TIMED:
            del fast[key], plain[key]
        if fast_rows != plain_rows or fast != plain:
            differ.append(name)
    assert not differ
