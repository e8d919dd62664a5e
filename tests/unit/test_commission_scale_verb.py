"""`beltcue commission scale` as typed: what it prints for scripts, what it changes, and what it refuses."""

from __future__ import annotations

import json
import math
import tomllib
from pathlib import Path
from typing import Any

import pytest

from controller.cli.main import main

DEMO = Path("config/demo-line.toml").resolve()
TRUE_MM = 299.7 / 8000


@pytest.fixture
def line(tmp_path: Path) -> Path:
    path = tmp_path / "line.toml"
    text = DEMO.read_text().replace('"jobs/', f'"{DEMO.parent}/jobs/').replace('"bench/', f'"{DEMO.parent}/bench/')
    path.write_text(text.replace("[journal]", f'[journal]\npath = "{tmp_path}/journal.sqlite"'))
    return path


def with_encoder(line: Path, encoder: str) -> Path:
    text = line.read_text()
    old = next(row for row in text.splitlines() if row.startswith("wheel = "))
    line.write_text(text.replace(old, encoder))
    return line


def asked(capsys: pytest.CaptureFixture[str], line: Path, *words: str) -> tuple[int, dict[str, Any]]:
    code = main(["commission", "scale", str(line), "--json", *words])
    out, err = capsys.readouterr()
    assert not err
    return code, json.loads(out.splitlines()[-1])


def passes(scale_mm: float, belt_mm: float = 5000.0) -> list[str]:
    words = ["--taped", f"{belt_mm} mm"]
    for off in (0.5, -0.5, 0.3, -0.3, 0.0):
        words += ["--counts", str(round((belt_mm + off) / scale_mm))]
    return words


def test_a_setting_that_fits_is_left_alone(capsys: pytest.CaptureFixture[str], line: Path) -> None:
    code, found = asked(capsys, line, *passes(TRUE_MM))
    assert (code, found["changes"], found["agree"]) == (0, [], True)
    error = found["scale_error_percent"]
    assert error["low95"] < 0.0 < error["high95"]
    assert found["mm_per_count"] == pytest.approx(TRUE_MM, rel=1e-4)


def test_a_wheel_two_percent_off_is_corrected_when_asked(capsys: pytest.CaptureFixture[str], line: Path) -> None:
    before = line.read_text()
    code, found = asked(capsys, line, *passes(1.02 * TRUE_MM))
    assert (code, line.read_text()) == (1, before)
    (change,) = found["changes"]
    assert change["setting"] == "encoder.wheel.circumference"
    assert float(change["to"].split()[0]) == pytest.approx(1.02 * 299.7, rel=2e-4)
    products = ",".join(str(round(200.0 / (1.02 * TRUE_MM)) + n % 2) for n in range(6))
    code, found = asked(
        capsys, line, *passes(1.02 * TRUE_MM), "--length", "200 mm", "--product-counts", products, "--apply"
    )
    assert (code, found["applied"], len(found["estimates"])) == (0, True, 2)
    after = line.read_text()
    assert tomllib.loads(after)["encoder"]["wheel"]["circumference"] == found["changes"][0]["to"]
    assert "# 2000 periods a turn" in after
    code, found = asked(capsys, line, *passes(1.02 * TRUE_MM))
    assert (code, found["changes"]) == (0, [])


@pytest.mark.parametrize(
    ("wheel", "settings"),
    [
        ('{ circumference = "299.7 mm", counts_per_turn = 2000, decode = 1 }', {"encoder.wheel.decode": "4"}),
        ('{ circumference = "299.7 mm", counts_per_turn = 4000, decode = 4 }', {"encoder.wheel.decode": "2"}),
        ('{ circumference = "299.7 mm", counts_per_turn = 1000, decode = 4 }', {"encoder.wheel.gearing": "2"}),
        (
            f'{{ circumference = "{299.7 / math.pi:.5f} mm", counts_per_turn = 2000, decode = 4 }}',
            {"encoder.wheel.circumference": "not given", "encoder.wheel.diameter": "95.3975 mm"},
        ),
        (
            '{ diameter = "299.7 mm", counts_per_turn = 2000, decode = 4 }',
            {"encoder.wheel.circumference": "299.7 mm", "encoder.wheel.diameter": "not given"},
        ),
        (
            '{ circumference = "299.7 mm", counts_per_turn = 2000, decode = 4, gearing = 3.0 }',
            {"encoder.wheel.gearing": "1"},
        ),
    ],
)  # fmt: skip
def test_classic_slips_are_mended_at_their_root(
    capsys: pytest.CaptureFixture[str], line: Path, wheel: str, settings: dict[str, str]
) -> None:
    with_encoder(line, f"wheel = {wheel}")
    code, found = asked(capsys, line, "--taped", "5 m", "--counts", str(round(5000.0 / TRUE_MM)), "--apply")
    assert {change["setting"]: change["to"] for change in found["changes"]} == settings
    assert (code, found["applied"], found["slip"] is not None) == (0, True, True)
    code, found = asked(capsys, line, *passes(TRUE_MM))
    assert (code, found["changes"]) == (0, [])


def test_a_scale_that_was_typed_is_corrected_as_such(capsys: pytest.CaptureFixture[str], line: Path) -> None:
    with_encoder(line, 'mm_per_count = "0.04 mm"')
    _, found = asked(capsys, line, *passes(TRUE_MM), "--apply")
    assert [change["setting"] for change in found["changes"]] == ["encoder.mm_per_count"]
    code, _ = asked(capsys, line, *passes(TRUE_MM))
    assert code == 0


def test_measurements_that_disagree_change_nothing(capsys: pytest.CaptureFixture[str], line: Path) -> None:
    before = line.read_text()
    products = ",".join([str(round(200.0 / (1.08 * TRUE_MM)))] * 5)
    words = [*passes(1.02 * TRUE_MM), "--length", "200 mm", "--product-counts", products, "--apply"]
    code, found = asked(capsys, line, *words)
    assert (code, found["agree"], found["applied"], found["changes"]) == (1, False, False, [])
    assert "a third way" in found["unknown"][0]["needs"]
    assert line.read_text() == before
    code, found = asked(capsys, line, *words[:-1], "--pitch", "50 mm", "--pitches", "100", "--over", "5100 mm")
    assert (code, found["agree"], found["apart"]) == (1, True, "product length")


def test_marks_of_a_marker_with_a_count_of_its_own_say_nothing_of_ours(
    capsys: pytest.CaptureFixture[str], line: Path
) -> None:
    words = ("--mark-length", "30.9 mm", "--design-length", "30 mm")
    code, found = asked(capsys, line, *words)
    assert (code, found["mm_per_count"], found["changes"]) == (1, None, [])
    assert "+3.00% long" in found["verdict"][0]
    assert "marker's own setting" in found["verdict"][0]
    line.write_text(line.read_text().replace('rearm = "20 ms"', 'rearm = "20 ms"\npacing = "shared count"'))
    code, found = asked(capsys, line, *words)
    assert found["mm_per_count"] == pytest.approx(1.03 * TRUE_MM)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "nothing measured is given"),
        (["--taped", "5", "--counts", "133333"], "has no unit"),
        (["--taped", "-5 m", "--counts", "133333"], "is not more than 0"),
        (["--taped", "5 m", "--counts", "-133333"], "with a wrong sense settle that first"),
        (["--taped", "5 m"], "sit at a terminal, or give --counts"),
        (
            ["--taped", "5 m", "--taped", "6 m", "--counts", "1", "--counts", "2", "--counts", "3"],
            "one length, or one each",
        ),
        (["--counts", "133333"], "goes with --taped"),
        (["--length", "200 mm"], "or --for to look at products"),
        (["--length", "200 mm", "--product-counts", "5333"], "4 products or more"),
        (["--length", "200 mm", "--product-counts", "5333;5334"], "is no list of counts"),
        (["--product-counts", "5333"], "goes with --length"),
        (["--pitches", "100"], "as many of both"),
        (["--pitches", "100", "--over", "5 m", "--pitch", "0 mm"], "is not more than 0"),
        (["--mark-length", "30 mm", "--station", "flab"], 'has no station "flab"; it has "flap"'),
    ],
)
def test_bad_input_is_one_line(capsys: pytest.CaptureFixture[str], line: Path, words: list[str], said: str) -> None:
    assert main(["commission", "scale", str(line), *words]) == 2
    out, err = capsys.readouterr()
    assert (out, len(err.splitlines())) == ("", 1)
    assert said in err
