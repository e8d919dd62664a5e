"""`beltcue commission accept`: files and typed marks in, the verdict out, and one line for each slip."""

from __future__ import annotations

import json
import os
import pty
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from controller.cli.main import main

CONFIG = Path(__file__).parents[2] / "config"
OFFSET = 12.0
HEADER = "speed [m/min],position [mm]"


@pytest.fixture(autouse=True)
def state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Keep what is found in this test's own place."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))


@pytest.fixture
def line(tmp_path: Path) -> Path:
    """The demo line's file where it may be changed."""
    path = tmp_path / "line.toml"
    path.write_text((CONFIG / "demo-line.toml").read_text().replace('"jobs/', f'"{CONFIG}/jobs/'))
    return path


def rows(
    a: float = 0.1, tau_ms: float = 0.0, sd: float = 0.15, speeds: tuple[float, ...] = (6.0, 18.0, 30.0)
) -> list[str]:
    chance = np.random.default_rng(3)
    return [
        f"{v:g},{OFFSET + a + v * tau_ms / 60.0 + chance.normal(0.0, sd):.1f}" for v in np.repeat(np.array(speeds), 8)
    ]


def write(tmp_path: Path, lines: list[str], header: str = HEADER) -> str:
    file = tmp_path / "marks.csv"
    file.write_text("\n".join([header, *lines]) + "\n")
    return str(file)


def asked(line: Path, capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, dict[str, Any]]:
    code = main(["commission", "accept", str(line), *words, "--json"])
    found = json.loads(capsys.readouterr().out.splitlines()[-1])
    assert isinstance(found, dict)
    return code, found


def test_pass_fail_and_not_proven_with_their_exit_codes(
    tmp_path: Path, line: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = line.read_text()
    code, found = asked(line, capsys, "--csv", write(tmp_path, rows()))
    assert (code, found["verdict"], found["needs"], found["more"]) == (0, "pass", "", None)
    assert [e["speed_mm_s"] for e in found["at_speeds"]] == [0.0, 500.0]
    assert all(e["outside_percent_at_most"] <= 5.0 for e in found["at_speeds"]) and found["mean_within_tolerance"]
    code, found = asked(line, capsys, "--csv", write(tmp_path, rows(a=0.5, tau_ms=8.0)))
    assert (code, found["verdict"]) == (1, "fail") and "settings mend that" in " ".join(found["says"])
    code, found = asked(line, capsys, "--csv", write(tmp_path, rows(speeds=(10.0, 20.0))))
    assert (code, found["verdict"], found["more"]["towards"]) == (1, "not proven", "pass")
    assert "more marks at each of 6 m/min, 18 m/min, 30 m/min" in found["needs"]
    assert main(["commission", "results", str(line), "--step", "accept", "--json"]) == 0
    kept = json.loads(capsys.readouterr().out.splitlines()[-1])["results"]
    assert [each["result"]["verdict"] for each in kept] == ["pass", "fail", "not proven"]
    assert len(kept[0]["raw"]["marks"]["position_mm"]) == 24
    assert line.read_text() == before


def test_people_read_the_verdict_first_and_the_cautions(
    tmp_path: Path, line: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "1000")
    assert main(["commission", "accept", str(line), "--csv", write(tmp_path, rows())]) == 0
    text = capsys.readouterr().out
    for words in ("PASS: with 95 % confidence at least 95 % of the marks", "at 30 m/min: mean +", "licensed people"):
        assert words in text


def test_without_marks_it_proposes_how_many(line: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, found = asked(line, capsys)
    assert code == 0 and found["proposal"]["speeds_mm_s"] == pytest.approx([100.0, 300.0, 500.0])
    assert found["proposal"]["marks_each"] >= 5


def test_the_marks_that_the_correction_was_made_from_accept_nothing(
    tmp_path: Path, line: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = write(tmp_path, rows(a=4.0, tau_ms=6.0))
    assert main(["commission", "trial", str(line), "--csv", file, "--apply"]) == 0
    capsys.readouterr()
    assert main(["commission", "accept", str(line), "--csv", file]) == 2
    assert "made with other settings than those of now" in capsys.readouterr().err


SLIPS = {
    "a decimal comma": (['20,"12,2"'], HEADER, "has a decimal comma; write a point"),
    "off the product": ([*rows(), "20,900"], HEADER, "off the product"),
    "in front of it": ([*rows(), "20,-3"], HEADER, "off the product"),
    "mm for inches": (rows(), "speed [m/min],position [in]", "mm typed for inches"),
    "another distance": ([f"{r},600" for r in rows()], f"{HEADER},distance [mm]", "another distance than the line's"),
    "all the same": (["6,12", "18,12", "30,12"], HEADER, "same position"),
    "too few": (rows()[:1], HEADER, "too few"),
    "fewer than unknowns": ([rows()[0], rows()[20]], HEADER, "2 marks for 2 unknowns"),
}


@pytest.mark.parametrize("slip", SLIPS)
def test_each_slip_is_one_clear_line_and_nothing_is_kept(
    slip: str, tmp_path: Path, line: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines, header, text = SLIPS[slip]
    before = line.read_text()
    assert main(["commission", "accept", str(line), "--csv", write(tmp_path, lines, header)]) == 2
    out, err = capsys.readouterr()
    assert out == "" and len(err.splitlines()) == 1 and text in err
    assert line.read_text() == before and not list(tmp_path.glob("state/**/*.sqlite"))


@pytest.mark.parametrize("words", [["--share", "100"], ["--share", "5"], ["--csv", "x.csv", "--typed"], ["--typed"]])
def test_options_that_are_none_are_one_line(words: list[str], line: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["commission", "accept", str(line), *words]) == 2
    assert words[0] in capsys.readouterr().err


def test_marks_are_typed_and_a_slip_is_typed_again(tmp_path: Path, line: Path) -> None:
    ours, theirs = pty.openpty()
    typed = ["", *rows()[:4], "20,35,2", "20,900", *rows()[4:], "", ""]
    os.write(ours, "".join(f"{row}\n" for row in typed).encode())
    done = subprocess.run(
        [sys.executable, "-m", "controller.cli.main", "commission", "accept", str(line), "--typed", "--json"],
        stdin=theirs, capture_output=True, text=True, timeout=60, check=False,
        env={**os.environ, "XDG_STATE_HOME": str(tmp_path / "state")},
    )  # fmt: skip
    os.close(theirs)
    os.close(ours)
    found = json.loads(done.stdout.splitlines()[-1])
    assert (done.returncode, found["verdict"], found["marks"]) == (0, "pass", 24), done.stderr
    assert done.stderr.count("type it again") == 2 and "decimal comma" in done.stderr


def test_a_trial_is_typed_too_and_one_left_half_way_changes_nothing(tmp_path: Path, line: Path) -> None:
    before = line.read_text()
    ours, theirs = pty.openpty()
    os.write(ours, b"\n20,16.1\n20,16.4\n\x04")
    done = subprocess.run(
        [sys.executable, "-m", "controller.cli.main", "commission", "trial", str(line), "--typed", "--apply"],
        stdin=theirs, capture_output=True, text=True, timeout=60, check=False,
        env={**os.environ, "XDG_STATE_HOME": str(tmp_path / "state")},
    )  # fmt: skip
    os.close(theirs)
    os.close(ours)
    assert done.returncode == 1 and "nothing was changed" in done.stderr
    assert line.read_text() == before and not list(tmp_path.glob("state/**/*.sqlite"))
