"""Sense and contact at a live simulated I/O side: read as nobody, and through a running controller."""

from __future__ import annotations

import asyncio
import json
import tomllib
from pathlib import Path
from typing import Any

import pytest

from controller.cli.main import main
from tests.unit.page_kit import recorded
from tests.wire.processes import LOOPBACK, benching

WRONG = """
name = "wired the other way round"
[belt]
segments = [{ kind = "stop", duration = "500 ms" }, { kind = "constant", speed = "20 m/min" }]
[encoder]
forward = "counts down"
start_count = 1000
[[products]]
length = "40 mm"
pitch = "70 mm"
"""

DIRTY = """
name = "a wheel with dirt on it"
[belt]
segments = [{ kind = "constant", speed = "20 m/min" }]
[encoder]
uneven = 0.05
turn = "119.88 mm"
[[products]]
length = "40 mm"
pitch = "70 mm"
"""


async def test_a_wrong_sense_is_seen_and_turned_only_when_asked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    async with benching(tmp_path / "bench", WRONG) as bench:
        monkeypatch.setenv("XDG_RUNTIME_DIR", str(bench.runtime))
        monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))

        async def sense(*words: str) -> tuple[int, dict[str, Any]]:
            given = ["commission", "sense", str(bench.line), "--for", "700ms", "--json", *words]
            code = await asyncio.to_thread(main, given)
            return code, json.loads(capsys.readouterr().out.splitlines()[-1])

        before = bench.line.read_text()
        address = ("--address", f"{LOOPBACK}:{bench.port}")
        said = ("--forward", "yes", "--wired", "yes")
        code, found = await sense(*address)
        assert (code, found["source"], found["right"], found["changes"]) == (1, "io_side", None, [])
        code, found = await sense(*address, *said)
        turn = {"setting": "encoder.forward", "from": "counts up", "to": "counts down"}
        assert (code, found["moving"], found["right"], found["changes"]) == (1, "backward", False, [turn])
        assert (found["applied"], bench.line.read_text()) == (False, before)
        code, found = await sense(*address, *said, "--apply")
        assert (code, found["applied"]) == (0, True)
        after = bench.line.read_text()
        assert tomllib.loads(after)["encoder"]["forward"] == "counts down"
        assert after.replace('"counts down"', '"counts up"') == before, "comments and order are kept"
        async with bench.controller():
            await bench.status(lambda status: not status["not_permitted"])
            code, found = await sense(*said)
        assert (code, found["source"], found["moving"], found["right"]) == (0, "controller", "forward", True)
        assert found["unknown"] == []
        text = recorded(bench.line)
        assert "the sense is WRONG, and was turned" in text and "the sense is right" in text


async def test_contact_is_seen_at_a_live_line_with_a_dirty_wheel(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    async with benching(tmp_path / "bench", DIRTY) as bench:
        words = ["commission", "contact", str(bench.line), "--for", "6s", "--json", "--repeated"]
        words += ["--counts-per-turn", "3200", "--speed", "20.0 m/min", "--address", f"{LOOPBACK}:{bench.port}"]
        code = await asyncio.to_thread(main, words)
        found = json.loads(capsys.readouterr().out.splitlines()[-1])
    assert (code, found["wrong"]) == (1, ["unevenness"])
    assert found["once_a_turn"]["share"] == pytest.approx(0.05, rel=0.2)
    assert abs(found["against_shown"]["difference"]) < found["against_shown"]["half_width"]
    assert "found wrong: unevenness" in recorded(bench.line)
    assert found["repeats"]["mean_counts"] == pytest.approx(70.0 / 299.7 * 8000, rel=0.02)
