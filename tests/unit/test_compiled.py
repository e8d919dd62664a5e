"""Which core runs: the compiled one only where it was built by this Python from this very source."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from controller.compiled import ROOT, STAMP, SWITCH, core_text, runs_compiled, stamp_of

SOURCES = ["controller/travel.py", "sim/belt.py"]
WHERE = """
import controller, controller.compiled as compiled, sim
print(repr([controller.__path__[0], sim.__path__[0], compiled.core_text()]))
"""


def paths_with(folder: Path | str) -> tuple[str, str, str]:
    """Where a new Python looks first for the modules of both packages, and what it says of its core."""
    environment = {**os.environ, SWITCH: str(folder)}
    done = subprocess.run([sys.executable, "-c", WHERE], env=environment, capture_output=True, text=True, check=True)
    controller, sim, text = eval(done.stdout)  # our own repr of three strings
    return controller, sim, text


def stamped(folder: Path, text: str) -> Path:
    folder.mkdir(exist_ok=True)
    (folder / STAMP).write_text(text)
    return folder


def test_a_core_built_from_this_source_comes_first(tmp_path: Path) -> None:
    controller, sim, _ = paths_with(stamped(tmp_path / "built", stamp_of(SOURCES)))
    assert controller == str(tmp_path / "built" / "controller")
    assert sim == str(tmp_path / "built" / "sim")


def changed(stamp: str, **items: object) -> str:
    return json.dumps({**json.loads(stamp), **items}, indent=1)


@pytest.mark.parametrize(
    "stamp",
    [
        changed(stamp_of(SOURCES), sources={"controller/travel.py": "0" * 64}),
        changed(stamp_of(SOURCES), suffix=".another-python.so"),
        changed(stamp_of(SOURCES), sources={"controller/gone.py": "0" * 64}),
        changed(stamp_of(SOURCES), sources=[1]),
        "no JSON",
    ],
    ids=["source changed", "another Python", "source gone", "no table", "no JSON"],
)
def test_one_that_does_not_fit_is_left_out_and_named(tmp_path: Path, stamp: str) -> None:
    controller, sim, text = paths_with(stamped(tmp_path / "built", stamp))
    assert str(tmp_path) not in controller + sim
    assert text == "interpreted: the compiled one is of other source or another Python; deploy/compile builds it anew"


@pytest.mark.parametrize("folder", ["0", "nowhere"])
def test_where_there_is_none_the_source_runs_and_nothing_is_said(tmp_path: Path, folder: str) -> None:
    controller, _, text = paths_with(folder if folder == "0" else tmp_path / folder)
    assert Path(controller, "travel.py").exists()
    assert text == "interpreted"


@pytest.mark.skipif(os.environ.get(SWITCH) != "0", reason="a compiled core was asked for")
def test_the_suite_tests_the_source() -> None:
    assert not runs_compiled()
    assert core_text() == "interpreted"


def test_without_a_c_compiler_one_line_says_so(tmp_path: Path) -> None:
    command = [sys.executable, "deploy/compile_core.py", "--out", str(tmp_path / "built")]
    done = subprocess.run(
        command, cwd=ROOT, env={**os.environ, "CC": "no-such-cc"}, capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert done.stdout == ""
    (line,) = done.stderr.splitlines()
    assert line.startswith('the core is not compiled and runs as it is: no C compiler ("no-such-cc")')
    assert not (tmp_path / "built").exists()
