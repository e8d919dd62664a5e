"""A budget against sums worked out by hand, its draws against its formula, and what the verb prints."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from controller.cli.main import main
from controller.commissioning.budget import (
    ASSUMED,
    Budget,
    Given,
    Source,
    biggest_text,
    budget,
    place_error_mm,
)
from controller.commissioning.uncertainty import Shape, Spread
from controller.link_figures import Figure, LinkFigures
from controller.needs import lever_mm
from controller.promise import Path as Way
from controller.promise import drawn_terms
from controller.settings.line import load_line
from controller.spec import Detector, LineSpec, MarkPlan, Material, PlanEdge, ReleasePath, Station

CONFIG = Path(__file__).parents[2] / "config"
SCALE_MM = 0.04
STATION = Station("front", 400.0 + SCALE_MM / 2, MarkPlan(offset_mm=10.0))
LINE = LineSpec(name="t", scale_mm=SCALE_MM, stations=(STATION,), top_speed_mm_s=500.0, exchange_s=0.005)
NOTHING = {source: Given(Spread(0.0), False, "") for source in Source}


def figure(name: str, *ms: float) -> Figure:
    return Figure(name, np.array(ms) * 1e-3, True, "measured")


LINK = LinkFigures(
    figure("exchange", 0.4, 5.0), figure("late", 0.0, 0.5), figure("send", 0.0, 0.1), figure("out", 0.2, 2.5), figure("back", 0.2, 2.5)
)  # fmt: skip


def made(spec: LineSpec = LINE, speed: float = 400.0, way: Way | None = None, **inputs: Spread) -> Budget:
    used = way or Way(0, ReleasePath.COMPARE, True, True)
    given = NOTHING | {Source(name): Given(spread, False, "stated") for name, spread in inputs.items()}
    return budget(spec, 0, *drawn_terms(spec, LINK, used, speed), given, measured=True)


def test_with_all_else_known_a_budget_is_the_step_of_the_encoder() -> None:
    found = made()
    assert found.terms[0].name == "count step"
    # GUM F.2.2.1: a step of d leaves d/√12.
    assert found.combined_mm == pytest.approx(SCALE_MM / math.sqrt(12), rel=0.01)
    assert found.worst_mm == pytest.approx(SCALE_MM / 2, rel=0.01)


def test_terms_are_sensitivity_times_uncertainty_and_add_as_squares() -> None:
    found = made(
        distance=Spread.within(1.0), scale=Spread(0.001), slip=Spread.within(0.0005, Shape.TRIANGULAR),
        detector_response=Spread(0.0002), detector_jitter=Spread(0.0001), marker_response=Spread(0.001, dof=9.0),
        marker_jitter=Spread(0.0003),
    )  # fmt: skip
    lever, speed = 410.02, 400.0
    by_hand = {
        "distance": (1 / math.sqrt(3), -1.0), "scale": (lever * 0.001, lever), "slip": (lever * 0.0005 / math.sqrt(6), lever),
        "detector response": (0.08, speed), "detector jitter": (0.04, speed), "marker response": (0.4, speed), "marker jitter": (0.12, speed),
    }  # fmt: skip
    terms = {term.name: term for term in found.terms}
    for name, (u_mm, sensitivity) in by_hand.items():
        assert terms[name].u_mm == pytest.approx(u_mm, rel=1e-6)
        assert terms[name].sensitivity == pytest.approx(sensitivity, rel=1e-6)
    combined = math.sqrt(sum(u**2 for u, _ in by_hand.values()) + SCALE_MM**2 / 12)
    assert found.combined_mm == pytest.approx(combined, rel=1e-4)
    # Only one term has degrees of freedom that end: Welch and Satterthwaite.
    assert found.dof == pytest.approx(9.0 * (combined / 0.4) ** 4, rel=1e-3)
    assert not found.correlated
    assert [t.u_mm for t in found.terms] == sorted((t.u_mm for t in found.terms), reverse=True)


def test_the_worst_case_adds_the_bounds_and_three_standard_deviations_of_what_has_none() -> None:
    found = made(distance=Spread.within(1.0), marker_jitter=Spread(0.001))
    assert found.worst_mm == pytest.approx(1.0 + 3 * 0.4 + SCALE_MM / 2, rel=1e-3)


DELAYED = replace(LINE, detector=Detector(response_s=0.001), stations=(replace(STATION, response_s=0.004),))
TIMED = replace(LINE, stations=(replace(STATION, release=ReleasePath.TIMED, window_mm=5.0),))


@pytest.mark.parametrize(("spec", "way"), [
    (LINE, Way(0, ReleasePath.COMPARE, True, True)),
    (LINE, Way(0, ReleasePath.COMPARE, False, True)),
    (DELAYED, Way(0, ReleasePath.COMPARE, True, True)),
    (TIMED, Way(0, ReleasePath.TIMED, True, True)),
])  # fmt: skip
def test_a_million_draws_agree_with_the_formula_on_every_path(spec: LineSpec, way: Way) -> None:
    """Inputs of known limits and the path together; the path's own terms are correlated where they are."""
    found = made(
        spec, 300.0, way, distance=Spread.within(0.05), scale=Spread.within(0.0001), marker_jitter=Spread(0.0001)
    )
    drawn = found.drawn
    assert drawn.draws == 1_000_000
    # Correlations within the noise of 40,000 drawn marks are taken for none: a two-hundredth of the path's part.
    assert abs(drawn.u - found.combined_mm) < 4 * drawn.u_error + 0.005 * found.combined_mm
    assert drawn.half_width_95 <= found.expanded_95_mm * 1.01
    assert drawn.half_width_95 <= found.worst_mm


def test_signs_are_those_of_a_trial() -> None:
    """A longer true distance leaves the mark short; a larger true scale and any delay make it late."""
    for n, sign in enumerate((-1, 1, 1, 1, 1, 1, 1)):
        errors = np.zeros(7)
        errors[n] = 0.001
        assert math.copysign(1.0, float(place_error_mm(errors, 300.0, 400.0))) == sign
    assert place_error_mm(np.zeros((3, 7)), 300.0, 400.0).tolist() == [0.0, 0.0, 0.0]


def test_the_lever_reaches_to_the_mark_that_is_furthest() -> None:
    plan = MarkPlan(offset_mm=10.0, pitch_mm=20.0, count=4)
    assert lever_mm(replace(STATION, distance_mm=400.0, plan=plan), Material.DISCRETE) == 470.0
    assert lever_mm(replace(STATION, distance_mm=400.0, plan=replace(plan, count=None)), Material.WEB) == 410.0
    trailing = replace(plan, edge=PlanEdge.TRAILING)
    assert lever_mm(replace(STATION, distance_mm=400.0, plan=trailing), Material.DISCRETE) == 390.0


def test_the_biggest_term_is_told_with_what_would_shrink_it() -> None:
    found = made(distance=Spread.within(1.0), marker_jitter=Spread(0.0001))
    text = biggest_text(found, "1.13 mm", "0.08 mm")
    assert text.startswith("distance. It makes 99% of the variance; to shrink it: jog one product")
    left = found.without(found.terms[0])
    assert left == pytest.approx(1.96 * math.hypot(0.04, SCALE_MM / math.sqrt(12)), rel=0.01)
    assert biggest_text(replace(found, terms=(replace(found.terms[0], assumed=True),)), "", "").startswith(
        "distance, which is assumed"
    )


def test_what_the_encoder_alone_cannot_do_worse_is_told_too() -> None:
    assert "a finer encoder" in biggest_text(made(), "", "")


def line_file(tmp_path: Path, more: str) -> Path:
    text = (CONFIG / "demo-line.toml").read_text(encoding="utf-8")
    text = text.replace('job = "jobs/', f'job = "{CONFIG.as_posix()}/jobs/') + f"\n[uncertainty]\n{more}\n"
    path = tmp_path / "line.toml"
    path.write_text(text, encoding="utf-8")
    return path


STATED = """
distance = { sd = "0.1 mm", readings = 10 }
scale = { within = "2 mm", over = "4 m", shape = "triangular" }
marker_jitter = { within = "0.2 ms", shape = "arcsine" }
"""


def test_the_verb_prints_the_budget_and_what_it_assumes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = line_file(tmp_path, STATED)
    picture = tmp_path / "budget.png"
    assert main(["commission", "budget", str(path), "--speed", "50 ft/min", "--plot", str(picture), "--json"]) == 0
    out = capsys.readouterr().out
    found = json.loads(out.splitlines()[-1])
    terms = {term["name"]: term for term in found["terms"]}
    assert found["speed_mm_s"] == pytest.approx(254.0)
    assert terms["distance"] | {"share": 0} == {
        "name": "distance", "u_mm": pytest.approx(0.1), "sensitivity": pytest.approx(-1.0), "dof": 9.0, "input_u": 0.1,
        "input_unit": "mm", "share": 0, "assumed": False, "says": "uncertainty.distance",
    }  # fmt: skip
    assert terms["scale"]["u_mm"] == pytest.approx(411.994 * 0.0005 / math.sqrt(6), rel=1e-4)
    assert terms["marker jitter"]["u_mm"] == pytest.approx(254.0 * 0.0002 / math.sqrt(2), rel=1e-4)
    assert terms["slip"]["dof"] is None and terms["slip"]["assumed"]
    assert len(found["assumptions"]) == 4 and "assumed" in out
    total = math.sqrt(sum(term["u_mm"] ** 2 for term in found["terms"]))
    assert found["combined_mm"] == pytest.approx(total) and not found["correlated"]
    assert found["expanded_95_mm"] == pytest.approx(found["coverage_factor"] * total)
    assert 0.0 < found["monte_carlo_95_mm"] < found["worst_mm"]
    assert found["biggest"]["name"] == found["terms"][0]["name"] == "marker response"
    # The demo's job allows 1.5 mm either way.
    assert found["tolerance_mm"] == 1.5
    assert (
        found["within_tolerance"] == (abs(found["bias_mm"]) + found["expanded_95_mm"] <= 1.5)
        and "± 1.5 mm: kept" in out
    )
    assert picture.read_bytes().startswith(b"\x89PNG")


def test_what_is_left_out_is_assumed() -> None:
    section = load_line(CONFIG / "demo-line.toml").settings.uncertainty
    assert all(getattr(section, source) is None for source in Source)
    assert set(ASSUMED) == set(Source) and all(given.assumed and given.says for given in ASSUMED.values())


@pytest.mark.parametrize(("more", "says"), [
    ('distance = { within = "1 mm", sd = "1 mm" }', "uncertainty.distance.within: give within or sd"),
    ("distance = {}", "uncertainty.distance.within: give within or sd"),
    ('distance = { within = "1 mm", readings = 3 }', "uncertainty.distance.readings: goes with sd"),
    ('distance = { sd = "1 mm", shape = "arcsine" }', "uncertainty.distance.shape: goes with within"),
    ('distance = { sd = "1 mm", readings = 1 }', "uncertainty.distance.readings"),
    ('marker_jitter = { within = "1 mm" }', "is a length, a time is wanted"),
    ('distanze = { within = "1 mm" }', 'did you mean "distance"'),
])  # fmt: skip
def test_a_wrong_section_is_one_line_and_exit_code_2(
    more: str, says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["commission", "budget", str(line_file(tmp_path, more))]) == 2
    err = capsys.readouterr().err
    assert says in err and err.count("\n") == 1


@pytest.mark.parametrize(("words", "says"), [
    (["--speed", "50 mm"], "--speed: '50 mm' is a length"),
    (["--speed", "40 m/min"], "up to the line's top speed"),
    (["--speed", "10 m/min, 20 m/min"], "a budget is for one speed"),
    (["--station", "back"], 'no station "back"; there is flap'),
    (["--plot", "nowhere/x.png"], "--plot nowhere/x.png"),
])  # fmt: skip
def test_bad_input_is_one_line_and_exit_code_2(words: list[str], says: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["commission", "budget", str(CONFIG / "demo-line.toml"), *words]) == 2
    captured = capsys.readouterr()
    assert says in captured.err and captured.err.count("\n") == 1 and not captured.out
