"""`beltcue commission trial`: files in, words and one JSON object out, and one line for each slip."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from controller.cli.main import main
from controller.settings.line import load_line

CONFIG = Path(__file__).parents[2] / "config"
LINE = str(CONFIG / "demo-line.toml")
INTERVAL = {"value", "low95", "high95"}


def rows(a: float = 4.0, tau_ms: float = 6.0, sd: float = 0.1, offset: float = 12.0) -> list[tuple[float, float]]:
    """(speed in m/min, position in mm) of a trial."""
    chance = np.random.default_rng(3)
    speeds = np.repeat([10.0, 20.0, 30.0], 8)
    return [(v, offset + a + v * tau_ms / 60.0 + chance.normal(0.0, sd)) for v in speeds]


def write(path: Path, lines: list[str], header: str = "speed [m/min],position [mm]") -> str:
    file = path / "marks.csv"
    file.write_text("\n".join([header, *lines]) + "\n")
    return str(file)


def given(path: Path, **how: float) -> str:
    return write(path, [f"{v:g},{p:.2f}" for v, p in rows(**how)])


def asked(capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, Any]:
    assert main(["commission", "trial", LINE, *words, "--json"]) == 0
    found = json.loads(capsys.readouterr().out.splitlines()[-1])
    assert isinstance(found, dict)
    return found


def refused(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    assert main(["commission", "trial", LINE, *words]) == 2
    out, err = capsys.readouterr()
    assert out == "" and len(err.splitlines()) == 1
    return err


def test_the_object_has_the_fixed_names_and_signs(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = asked(capsys, "--csv", given(tmp_path))
    assert set(found["distance_error_mm"]) == set(found["delay_ms"]) == INTERVAL
    assert found["distance_error_mm"]["value"] == pytest.approx(4.0, abs=0.2)
    assert found["delay_ms"]["value"] == pytest.approx(6.0, abs=0.5)
    assert found["scale_error_percent"] is None
    assert [set(u) for u in found["unknown"]] == [{"what", "why", "needs"}]
    assert found["scatter_mm"] == pytest.approx(0.1, abs=0.05)
    assert 0.0 <= found["lack_of_fit_p"] <= 1.0 and found["outliers"] == []
    assert [c["setting"] for c in found["changes"]] == ["stations#1.distance", "stations#1.response"]
    distance, response = found["changes"]
    assert distance["from"] == "399.994 mm" and response["from"] == "0 ms"
    assert float(distance["to"].split()[0]) == pytest.approx(396.0, abs=0.2)
    assert float(response["to"].split()[0]) == pytest.approx(6.0, abs=0.5)
    assert [p["speed_mm_s"] for p in found["predicted"]] == [0.0, 500.0]
    assert found["predicted"][1]["error_mm"] == pytest.approx(7.0, abs=0.2)
    assert found["predicted"][1]["low95"] < 7.0 < found["predicted"][1]["high95"]
    assert found["within_tolerance"] is False and found["within_tolerance_after_changes"] is True


def of_my_own(path: Path, text: str = "") -> Path:
    """The demo line's file in a place where it may be changed."""
    line = path / "line.toml"
    demo = Path(LINE).read_text().replace('job = "jobs/', f'job = "{CONFIG}/jobs/')
    line.write_text(demo.replace('mark_time = "60 ms"', f'mark_time = "60 ms"\n{text}'))
    return line


def test_the_changes_are_written_where_wanted_and_the_same_marks_then_lie_where_they_should(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Applied once, the line's own arithmetic puts the marks right at both distances."""
    chance = np.random.default_rng(5)
    lines = []
    for v in np.repeat([10.0, 30.0], 8):
        for d in (400.0, 650.0):
            place = 12.0 + 4.0 + v * 0.1 + 0.03 * (d + 12.0) + chance.normal(0.0, 0.1)
            lines.append(f"{v:g},{place:.2f},{d:g}")
    file = write(tmp_path, lines, "speed [m/min],position [mm],distance [mm]")
    line = of_my_own(tmp_path)
    before = line.read_text()
    assert main(["commission", "trial", str(line), "--csv", file, "--json"]) == 0
    assert line.read_text() == before and json.loads(capsys.readouterr().out.splitlines()[-1])["applied"] is False
    assert main(["commission", "trial", str(line), "--csv", file, "--apply", "--json"]) == 0
    found = json.loads(capsys.readouterr().out.splitlines()[-1])
    assert found["applied"] and found["scale_error_percent"]["value"] == pytest.approx(3.0, abs=0.2)
    assert [c["setting"] for c in found["changes"]] == [
        "stations#1.distance", "stations#1.response", "encoder.wheel.circumference",
    ]  # fmt: skip
    text = line.read_text()
    for change in found["changes"]:
        assert f'{change["setting"].split(".")[-1]} = "{change["to"]}"' in text
    assert [row for row in before.splitlines() if row.startswith("#")] == [
        row for row in text.splitlines() if row.startswith("#")
    ]
    config = load_line(line)
    wheel, (station,) = config.settings.encoder, config.settings.stations
    true_count_mm, true_mm = 1.03 * load_line(LINE).settings.encoder.scale_mm(), 400.0 - 4.0
    for speed_mm_s in (0.0, 500.0):
        travelled = (station.distance + 12.0) / wheel.scale_mm() * true_count_mm
        late = speed_mm_s * (0.006 - station.response)
        assert abs(travelled - true_mm - 12.0 + late) < 0.5


def test_with_nothing_to_change_nothing_is_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    line = of_my_own(tmp_path)
    before = line.read_text()
    file = given(tmp_path, a=0.0, tau_ms=0.0)
    assert main(["commission", "trial", str(line), "--csv", file, "--apply", "--json"]) == 0
    found = json.loads(capsys.readouterr().out.splitlines()[-1])
    assert found["changes"] == [] and found["applied"] is False and found["within_tolerance"] is True
    assert line.read_text() == before


def test_units_of_the_header_are_taken(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    metric = asked(capsys, "--csv", given(tmp_path))
    lines = [f"{v / 0.3048:.6f};{p / 25.4:.6f}" for v, p in rows()]
    imperial = asked(capsys, "--csv", write(tmp_path, lines, "speed [ft/min];position [in]"))
    for name in ("distance_error_mm", "delay_ms"):
        assert imperial[name]["value"] == pytest.approx(metric[name]["value"], abs=0.02)


def test_offset_length_and_tolerance_may_be_given(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = asked(capsys, "--csv", given(tmp_path, offset=30.0), "--offset", "30 mm", "--tolerance", "8 mm")
    assert found["distance_error_mm"]["value"] == pytest.approx(4.0, abs=0.2)
    assert found["within_tolerance"] is True
    lines = [f"{v:g},{p:.2f},{30.9 + 0.1 * (i % 3 - 1):.1f}" for i, (v, p) in enumerate(rows())]
    marked = asked(
        capsys, "--csv", write(tmp_path, lines, "speed [m/min],position [mm],length [mm]"), "--design-length", "30 mm"
    )
    # How the demo's marker paces itself is not said, so this is its own affair.
    assert marked["mark_length"]["owner"] == "marker" and marked["scale_error_percent"] is None
    assert marked["mark_length"]["error_percent"] == pytest.approx(3.0, abs=0.2)


def test_the_pacing_of_the_line_file_makes_a_length_our_scale(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    line = of_my_own(tmp_path, 'pacing = "shared count"')
    lines = [f"{v:g},{p + 12.4:.2f},{18.54 + 0.05 * (i % 3 - 1):.2f}" for i, (v, p) in enumerate(rows())]
    file = write(tmp_path, lines, "speed [m/min],position [mm],length [mm]")
    assert main(["commission", "trial", str(line), "--csv", file, "--json"]) == 0
    found = json.loads(capsys.readouterr().out.splitlines()[-1])
    assert found["scale_error_percent"]["value"] == pytest.approx(3.0, abs=0.1)
    (wheel,) = [c for c in found["changes"] if c["setting"].startswith("encoder")]
    assert wheel["setting"] == "encoder.wheel.circumference" and wheel["from"] == "299.7 mm"
    assert float(wheel["to"].split()[0]) == pytest.approx(308.7, abs=0.3)


def test_people_read_what_is_wrong_what_to_change_and_the_cautions(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "1000")
    picture = tmp_path / "trial.png"
    assert main(["commission", "trial", LINE, "--csv", given(tmp_path), "--plot", str(picture)]) == 0
    text = capsys.readouterr().out
    for words in ("verdict", "stations#1.distance: 399.994 mm → ", "after changes", "licensed people", "local rules"):
        assert words in text
    assert picture.read_bytes().startswith(b"\x89PNG")


def test_without_marks_it_proposes_how_many_at_which_speeds(capsys: pytest.CaptureFixture[str]) -> None:
    found = asked(capsys)
    assert found["proposal"]["speeds_mm_s"] == pytest.approx([100.0, 300.0, 500.0])
    assert found["proposal"]["marks_each"] >= 2 and found["proposal"]["enough"]
    assert found["proposal"]["half_width_mm"] <= 0.5


def test_one_speed_is_answered_with_what_is_unknown(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lines = [f"20,{p:.2f}" for _, p in rows(tau_ms=0.0)]
    found = asked(capsys, "--csv", write(tmp_path, lines))
    assert found["distance_error_mm"] is found["delay_ms"] is found["scale_error_percent"] is None
    assert {u["what"] for u in found["unknown"]} >= {"distance_error_mm", "delay_ms", "scale_error_percent"}
    assert found["changes"] == [] and found["within_tolerance"] is None


GOOD = [f"{v:g},{p:.1f}" for v, p in rows()]
SLIPS = {
    "no marks": (GOOD[:0], "no marks"),
    "a single mark": (GOOD[:1], "too few"),
    "fewer marks than unknowns": ([GOOD[0], GOOD[9]], "2 marks for 2 unknowns"),
    "all the same": ([f"{v:g},16" for v, _ in rows()], "same position"),
    "a decimal comma": (['20,"35,2"'], "line 2: position '35,2' has a decimal comma; write a point"),
    "a decimal comma between commas": (["20,35,2"], "a decimal comma?"),
    "no number": (["20,abc"], "is no number"),
    "a unit in the cell": (["20,35 mm"], "is no number"),
    "not finite": (["20,nan"], "is no number"),
    "a value missing": (["20"], "has 1 values for 2 columns"),
    "an empty position": (["20,"], "is no number"),
    "in front of the product": ([*GOOD, "20,-3"], "in front of the leading edge, off the product"),
    "beyond the product": ([*GOOD, "20,900"], "beyond the end of a product of 600 mm"),
    "one mark in inches": ([*GOOD, "20,0.7"], "mark 25: position 0.7 mm"),
    "one mark 25.4 times too much": ([*GOOD, "20,457"], "mark 25: position 457 mm"),
    "a negative speed": ([*GOOD, "-20,16"], "is negative"),
    "a speed of no line": ([*GOOD, "20000,16"], "far above the line's highest"),
}


@pytest.mark.parametrize("slip", SLIPS)
def test_each_slip_is_one_clear_line(slip: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lines, text = SLIPS[slip]
    assert text in refused(capsys, "--csv", write(tmp_path, lines))


HEADERS = {
    "a unit missing": ("speed,position [mm]", "no column with its unit in brackets"),
    "an unknown unit": ("speed [m/min],position [hand-span]", "no unit that is known"),
    "a unit of another kind": ("speed [m/min],position [s]", "a length is wanted"),
    "an unknown column": ("speed [m/min],place [mm]", 'no column "place"'),
    "a column missing": ("speed [m/min]", 'a column "position" is missing'),
    "a column twice": ("speed [m/min],speed [m/min]", "twice"),
}


@pytest.mark.parametrize("slip", HEADERS)
def test_each_slip_of_the_header_is_one_clear_line(
    slip: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    header, text = HEADERS[slip]
    assert text in refused(capsys, "--csv", write(tmp_path, ["20,16"], header))


@pytest.mark.parametrize("header", ["speed [m/min],position [in]", "speed [m/min],position [mm]"])
def test_mm_typed_for_inches_and_inches_for_mm_are_told(
    header: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    inches = "[in]" in header
    lines = [f"{v:g},{p if inches else p / 25.4:.3f}" for v, p in rows(offset=30.0)]
    text = refused(capsys, "--csv", write(tmp_path, lines, header), "--offset", "30 mm")
    assert "25.4" in text and ("mm typed for inches" if inches else "inches typed for mm") in text


@pytest.mark.parametrize(("column", "value"), [("length", "0.71"), ("distance", "15.7"), ("distance", "10160")])
def test_inches_in_the_other_columns_are_told(
    column: str, value: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = write(tmp_path, [f"{g},{value}" for g in GOOD], f"speed [m/min],position [mm],{column} [mm]")
    assert "25.4" in refused(capsys, "--csv", file)


def test_files_that_are_none_are_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "cannot be read" in refused(capsys, "--csv", str(tmp_path / "none.csv"))
    assert "cannot be read" in refused(capsys, "--csv", str(tmp_path))
    other = tmp_path / "other.csv"
    other.write_bytes(b"speed [m/min],position [mm]\n20,\xff\xfe\n")
    assert "not UTF-8" in refused(capsys, "--csv", str(other))
    other.write_text("")
    assert "is empty" in refused(capsys, "--csv", str(other))


@pytest.mark.parametrize(
    "words",
    [["--offset", "30"], ["--offset", "-3 mm"], ["--tolerance", "0 mm"], ["--design-length", "5 s"], ["--station", "x"],
     ["--product-length", "0 mm"], ["--plot", "/nowhere/at/all.png"]],
)  # fmt: skip
def test_options_that_are_none_are_one_line(
    words: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert words[0] in refused(capsys, "--csv", given(tmp_path), *words)


def test_numbers_and_settings_are_not_loaded_for_help() -> None:
    heavy = ("scipy", "numpy", "pydantic", "rich")
    code = (
        f"import sys; from controller.cli.main import parser; parser(); print([m for m in {heavy} if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True)
    assert done.stdout.strip() == "[]"
