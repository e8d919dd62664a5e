"""`beltcue commission detector` at a live simulated I/O side whose eye bounces, and through a running controller."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from controller.cli.main import main
from tests.unit.page_kit import recorded
from tests.wire.commission_kit import address, typing_at
from tests.wire.processes import CONFIG

BOUNCING = """
name = "an eye that bounces"
[belt]
segments = [{ kind = "constant", speed = "20 m/min" }]
[detector]
bounces = 1
bounce_within = "1 mm"
[[products]]
length = "40 mm"
pitch = "70 mm"
"""


async def test_a_filter_that_does_not_suit_is_proposed_and_written_only_when_asked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    async with typing_at(tmp_path, BOUNCING, capsys, monkeypatch) as (bench, typed):
        bench.line.write_text(bench.line.read_text().replace('least_gap = "5 mm"', 'least_gap = "0 mm"'))
        before = bench.line.read_text()
        picture = tmp_path / "eye.png"
        words = ("--for", "2s", "--product-length", "40 mm")
        code, found = await typed("detector", *words, *address(bench), "--plot", str(picture))
        assert (code, found["inverted"], found["leading_edge"]) == (1, False, "became blocked")
        assert found["source"] == "io_side"
        assert found["bounce_mm"]["leading"] == pytest.approx(1.0, abs=0.1)
        assert [change["setting"] for change in found["changes"]] == ["detector.least_gap"]
        assert {item["what"] for item in found["unknown"]} == {"response"}, "one speed tells no response"
        assert picture.read_bytes().startswith(b"\x89PNG")
        assert bench.line.read_text() == before
        async with bench.controller():
            await bench.status(lambda status: not status["not_permitted"])
            code, found = await typed("detector", *words, "--apply")
        assert (code, found["source"], found["applied"]) == (0, "controller", True), typed.told
        assert found["bounce_mm"]["leading"] == pytest.approx(1.0, abs=0.1)
        assert found["edges_lost"] == 0
        after = tomllib.loads(bench.line.read_text())["detector"]
        assert after["least_gap"] != "0 mm"
        assert after["least_length"] == tomllib.loads(before)["detector"]["least_length"]
        text = recorded(bench.line)
        assert "polarity right; least gap: changed" in text and "Lengths" not in text


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ([str(CONFIG / "demo-line.toml"), "--product-length", "40"], "--product-length"),
        ([str(CONFIG / "plain-line.toml")], "sampled"),
        (["nowhere.toml"], "nowhere.toml"),
    ],
)
def test_bad_input_is_one_line(words: list[str], says: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["commission", "detector", *words]) == 2
    told = capsys.readouterr().err.splitlines()
    assert len(told) == 1
    assert says in told[0]
