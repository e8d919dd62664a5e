"""What limits a line's speed agrees with what `check` refuses, and reads well."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.check import problems
from controller.cli.main import main
from controller.commissioning.limits import Limits, busy, cut_off_text, limits
from controller.needs import feasible
from controller.settings.line import load_line
from controller.spec import Counter, Detector, LineSpec, MarkPlan, Plain, PlainStation, PlanEdge, ReleasePath, Station
from controller.units import Display

CONFIG = Path(__file__).parents[2] / "config"
STATION = Station("front", 400.0, MarkPlan(offset_mm=10.0))
LINE = LineSpec(
    name="t",
    scale_mm=0.04,
    stations=(STATION,),
    detector=Detector(least_length_mm=30.0, least_gap_mm=10.0),
    period_s=0.005,
    exchange_s=0.005,
)
SHOW = Display()


def speeds(spec: LineSpec, pitch_mm: float | None = None) -> dict[str, float]:
    return {f"{x.name}{x.station}": x.speed_mm_s for x in limits(spec, SHOW, pitch_mm).limits}


def problem_keys(spec: LineSpec, speed_mm_s: float, word: str) -> bool:
    return any(word in text for text in problems(replace(spec, top_speed_mm_s=speed_mm_s), SHOW))


@pytest.mark.parametrize(("name", "word", "spec"), [
    ("lead", "distance", LINE),
    ("lead", "distance", replace(LINE, stations=(replace(STATION, plan=MarkPlan(PlanEdge.TRAILING, 15.0, 20.0, 4)),))),
    ("captures", "edges can come", replace(LINE, exchange_s=0.2)),
    ("orders", "orders a second", replace(LINE, exchange_s=0.2)),
    ("releases", "can be released", replace(LINE, exchange_s=0.2)),
    ("counter_range", "encoder", replace(LINE, counter=Counter(1 << 14))),
])  # fmt: skip
def test_check_refuses_just_above_what_is_given_as_the_limit(name: str, word: str, spec: LineSpec) -> None:
    limit = speeds(spec)[name]
    assert not problem_keys(spec, limit * 0.9999, word)
    assert problem_keys(spec, limit * 1.0001, word)


def test_the_release_window_of_a_plain_device_is_the_one_that_check_refuses() -> None:
    plain = Plain((PlainStation(),), io_scan_s=0.002)
    spec = replace(LINE, plain=plain, stations=(replace(STATION, release=ReleasePath.SCAN, window_mm=5.0),))
    limit = speeds(spec)["release_window"]
    assert not problem_keys(spec, limit * 0.9999, "half a scan")
    assert problem_keys(spec, limit * 1.0001, "half a scan")


@given(st.floats(100.0, 5000.0))
def test_no_limit_hangs_on_the_top_speed_that_is_set(top_mm_s: float) -> None:
    other = speeds(replace(LINE, top_speed_mm_s=top_mm_s))
    assert other == pytest.approx(speeds(LINE))


def test_the_counter_input_and_the_eye() -> None:
    spec = replace(LINE, counter=Counter(greatest_counts_s=100_000.0), detector=replace(LINE.detector, response_s=0.01))
    found = speeds(spec)
    assert found["counter_frequency"] == pytest.approx(4000.0)
    assert found["detector_length"] == pytest.approx(3000.0)
    assert found["detector_gap"] == pytest.approx(1000.0)
    sampled = replace(LINE, detector=replace(LINE.detector, captured=False))
    assert "captures" not in speeds(sampled)
    assert speeds(sampled)["detector_gap"] == pytest.approx(10.0 / feasible(sampled).sample_gap_s)


def test_what_is_not_known_is_said_and_never_guessed() -> None:
    found = limits(replace(LINE, detector=Detector()), SHOW)
    assert {each.what for each in found.unknown} == {"pitch", "window", "counter_frequency"}
    assert all(each.why and each.needs for each in found.unknown)
    assert busy(replace(LINE, detector=Detector()), 100.0) == []
    nothing = Limits((), ())
    assert nothing.least is None


def test_marks_of_one_product_and_the_first_of_the_next() -> None:
    several = replace(STATION, plan=MarkPlan(pitch_mm=20.0, count=4), mark_time_s=0.01)
    spec = replace(LINE, stations=(several,))
    assert speeds(spec)["pitch"] == pytest.approx(2000.0)
    # 70 mm from product to product leave 10 mm from the fourth mark to the next first.
    assert speeds(spec, 70.0)["pitch"] == pytest.approx(1000.0)


def test_limits_of_several_stations_carry_their_names() -> None:
    spec = replace(
        LINE, stations=(replace(STATION, max_speed_mm_s=300.0), replace(STATION, name="back", mark_time_s=0.1))
    )
    found = speeds(spec)
    assert found["max_speedfront"] == 300.0 and found["pitchback"] == pytest.approx(400.0)


def test_a_mark_cut_off_at_high_speed_only_is_explained() -> None:
    station = replace(STATION, mark_time_s=0.08, mark_window_mm=40.0)
    text = cut_off_text(station, 600.0, SHOW)
    assert "the marker is too slow for the window" in text and "48 mm" in text and "30 m/min" in text
    assert "no mark is cut off" in cut_off_text(station, 500.0, SHOW)
    assert "set mark_window" in cut_off_text(STATION, 600.0, SHOW)


def test_a_mark_that_the_window_would_cut_off_is_too_fast_for_the_line() -> None:
    assert replace(STATION, mark_time_s=0.08, mark_window_mm=40.0).cut_off_mm_s == pytest.approx(500.0)
    assert replace(STATION, mark_time_s=0.08, mark_window_mm=40.0, max_speed_mm_s=300.0).cut_off_mm_s == 300.0
    assert replace(STATION, mark_window_mm=40.0).cut_off_mm_s is None


def line_file(tmp_path: Path, more_encoder: str = "", more_station: str = "") -> Path:
    text = (CONFIG / "demo-line.toml").read_text(encoding="utf-8")
    text = text.replace('job = "jobs/', f'job = "{CONFIG.as_posix()}/jobs/')
    text = text.replace("counter_bits = 32", f"counter_bits = 32\n{more_encoder}")
    text = text.replace('rearm = "20 ms"', f'rearm = "20 ms"\n{more_station}')
    path = tmp_path / "line.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_the_line_file_says_what_counter_and_marker_take(tmp_path: Path) -> None:
    spec = load_line(line_file(tmp_path, 'greatest_frequency = "100 kHz"', 'mark_window = "24 mm"')).spec()
    # 100,000 periods a second of one channel are four times as many counts.
    assert spec.counter.greatest_counts_s == pytest.approx(400_000.0)
    assert spec.stations[0].cut_off_mm_s == pytest.approx(400.0)


def test_the_verb_prints_words_and_one_json_object(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = line_file(tmp_path, more_station='mark_window = "24 mm"')
    assert main(["commission", "limits", str(path), "--speed", "25 m/min", "--pitch", "100 mm", "--json"]) == 0
    out = capsys.readouterr().out
    found = json.loads(out.splitlines()[-1])
    assert found["top_speed_mm_s"] == pytest.approx(400.0) and found["limited_by"] == "window"
    assert found["limits"]["pitch"] == pytest.approx(1250.0)
    assert found["in_hand"]["window"] == pytest.approx(1.0 - 25000 / 60 / 400)
    (miss,) = found["busy_misses"]
    assert miss["regular"] == 0.0 and miss["random"] == pytest.approx(1 / 4)
    assert "too slow for the window" in " ".join(out.split())


@pytest.mark.parametrize(("words", "says"), [
    (["--speed", "25 mm"], "--speed: '25 mm' is a length"),
    (["--speed", "0 m/min"], "--speed: 0 m/min is not more than zero"),
    (["--speed", "25,4 m/min"], "has a comma"),
    (["--pitch", "-3 mm"], "--pitch: -3 mm is not more than zero"),
    (["--pitch", "100"], "has no unit"),
])  # fmt: skip
def test_bad_input_is_one_line_and_exit_code_2(words: list[str], says: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["commission", "limits", str(CONFIG / "demo-line.toml"), *words]) == 2
    captured = capsys.readouterr()
    assert says in captured.err and captured.err.count("\n") == 1 and not captured.out
