"""Sense, contact and scale at a live simulated I/O side: read as nobody, and through a running controller."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from tests.unit.page_kit import recorded
from tests.wire.commission_kit import address, typing_at

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


LONGER = """
name = "a wheel two in a hundred larger than it is set"
[belt]
segments = [{ kind = "constant", speed = "20 m/min" }]
[encoder]
circumference_factor = 1.02
[[products]]
length = "40 mm"
pitch = "70 mm"
"""


async def test_a_wrong_sense_is_seen_and_turned_only_when_asked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    async with typing_at(tmp_path, WRONG, capsys, monkeypatch) as (bench, typed):
        before = bench.line.read_text()
        there = ("--for", "700ms", *address(bench))
        said = ("--forward", "yes", "--wired", "yes")
        code, found = await typed("sense", *there)
        assert (code, found["source"], found["right"], found["changes"]) == (1, "io_side", None, [])
        code, found = await typed("sense", *there, *said)
        turn = {"setting": "encoder.forward", "from": "counts up", "to": "counts down"}
        assert (code, found["moving"], found["right"], found["changes"]) == (1, "backward", False, [turn])
        assert (found["applied"], bench.line.read_text()) == (False, before)
        code, found = await typed("sense", *there, *said, "--apply")
        assert (code, found["applied"]) == (0, True)
        after = bench.line.read_text()
        assert tomllib.loads(after)["encoder"]["forward"] == "counts down"
        assert after.replace('"counts down"', '"counts up"') == before, "comments and order are kept"
        async with bench.controller():
            await bench.status(lambda status: not status["not_permitted"])
            code, found = await typed("sense", "--for", "700ms", *said)
        assert (code, found["source"], found["moving"], found["right"]) == (0, "controller", "forward", True)
        assert found["unknown"] == []
        text = recorded(bench.line)
        assert "the sense is WRONG, and was turned" in text and "the sense is right" in text


async def test_contact_is_seen_at_a_live_line_with_a_dirty_wheel(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    async with typing_at(tmp_path, DIRTY, capsys, monkeypatch) as (bench, typed):
        words = ("--for", "6s", "--repeated", "--counts-per-turn", "3200", "--speed", "20.0 m/min")
        code, found = await typed("contact", *words, *address(bench))
    assert (code, found["wrong"]) == (1, ["unevenness"])
    assert found["once_a_turn"]["share"] == pytest.approx(0.05, rel=0.2)
    assert abs(found["against_shown"]["difference"]) < found["against_shown"]["half_width"]
    assert "found wrong: unevenness" in recorded(bench.line)
    assert found["repeats"]["mean_counts"] == pytest.approx(70.0 / 299.7 * 8000, rel=0.02)


async def test_products_of_known_length_tell_the_scale_through_the_running_controller(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    async with typing_at(tmp_path, LONGER, capsys, monkeypatch) as (bench, typed), bench.controller():
        await bench.status(lambda status: not status["not_permitted"])
        words = ("--length", "40 mm", "--length-within", "0.01 mm", "--for", "1500ms", "--apply")
        code, found = await typed("scale", *words)
        assert code == 0, typed.told
        assert [each["kind"] for each in found["estimates"]] == ["product length"]
        assert found["estimates"][0]["values"] >= 4
        # The eye may see products longer or shorter than they are; this one does not.
        assert found["mm_per_count"] == pytest.approx(1.02 * bench.spec.scale_mm, rel=2e-3)
        code, kept = await typed("results", "--step", "scale")
        assert kept["results"][0]["raw"]["looked"]["lengths"], "the looks are kept"
