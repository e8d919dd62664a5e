"""A record made by the real verbs that need no line at work, from a wheel 2 % off to a trial within tolerance."""

from __future__ import annotations

import random
import re
from pathlib import Path

import pytest

from controller.cli.main import main
from tests.unit.job_kit import line_folder
from tests.unit.page_kit import Page

SEED = 4


def marks(path: Path, distance_mm: float, delay_s: float, speeds: tuple[float, ...] = (5, 15, 25)) -> str:
    """A trial's file: eight marks at each of three speeds, about 12 mm."""
    chance = random.Random(SEED)
    rows = [
        f"{v},{12 + distance_mm + v * 1000 / 60 * delay_s + chance.gauss(0, 0.2):.1f}" for v in speeds for _ in range(8)
    ]
    path.write_text("\n".join(["speed [m/min],position [mm]", *rows]) + "\n")
    return str(path)


def test_what_the_verbs_found_becomes_one_page(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = line_folder(tmp_path)
    folder.change(('length = "mm"', 'length = "in"'), ('speed = "m/min"', 'speed = "ft/min"'))
    line = str(folder.line)
    walk = [
        ["job", line, "save", "--why", "as delivered"],
        ["commission", "scale", line, "--taped", "5 m", *(f"--counts={n}" for n in (130841, 130838, 130846, 130840)),
         "--length", "200 mm", "--product-counts", "5233,5235,5232,5234", "--apply"],
        ["commission", "distance", line, *(f"--counts={n}" for n in (10301, 10310, 10295, 10306)), "--apply"],
        ["commission", "limits", line, "--pitch", "200 mm"],
        ["commission", "budget", line, "--speed", "25 m/min"],
        ["commission", "trial", line, "--csv", marks(tmp_path / "first.csv", 6.2, 0.008), "--apply"],
        ["commission", "trial", line, "--csv", marks(tmp_path / "second.csv", 0.0, 0.0)],
        ["commission", "accept", line, "--csv", marks(tmp_path / "third.csv", 0.1, 0.0, (6, 18, 29.5))],
        ["job", line, "save", "--why", "accepted"],
    ]  # fmt: skip
    for words in walk:
        assert main(words) == 0, words
    out = tmp_path / "record.html"
    capsys.readouterr()
    assert main(["commission", "record", line, "--out", str(out), "--paper", "letter"]) == 0
    said = capsys.readouterr().out
    assert "7 results in full" in said and "Sense, Contact, Detector, Marker" in " ".join(said.split())
    text = out.read_text(encoding="utf-8")
    assert len(text) < 2_000_000
    page = Page(text)
    assert page.outside == [] and "http" not in text and "url(#" in text
    assert page.elements.count("svg") == 7 and "script" not in page.elements
    colours = re.findall(r"#([0-9a-f]{2})([0-9a-f]{2})([0-9a-f]{2})\b", text)
    assert colours and all(red == green == blue for red, green, blue in colours), "told apart without colour"
    assert len(page.ids) == len(set(page.ids)), "what is named in one picture is not found in another"
    steps = ("3.1 Scale", "3.2 Distance", "3.3 Limits", "3.4 Error budget", "3.5 Trial", "3.6 Trial", "3.7 Acceptance")
    for word in (*steps, "superseded by result 6", "PASS: station flap, 24 marks"):
        assert word in page.text, word
    assert "the setting was off, and was corrected" in page.text
    assert page.text.count("not done") == 4
    assert "revision 2, saved" in page.text
    assert "shown by its names" not in page.text and "Not drawn" not in page.text
    assert "0.059055 in (1.5 mm)" in page.text, "millimetres stand beside the line's own units"
    first = out.read_bytes()
    assert main(["commission", "record", line, "--out", str(out), "--paper", "letter"]) == 0
    assert out.read_bytes() == first
