"""Response times of eye and marker made up for at the speed of the moment: the marks stay where they are.

At steady speeds the mean is the same within one count and nowhere beyond half a count: an edge is known to the count
that holds it and a target is a whole count, so at one steady speed the sum of distance, offset and what passes in the
response times leaves the same fraction of a count on every mark. While the speed changes, each mark may be off by what
the speed at its release differs from the speed predicted for it, times the response.
"""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import dataclass, replace
from math import tau
from typing import Any

import pytest

from controller.travel import WINDOW
from sim.scenario import SegmentSection
from tests.scenario.rig import (
    CONFIG,
    constant,
    eye,
    figures,
    hunting,
    marker,
    products,
    ramp,
    run,
    scenario_of,
    scene,
    spec_of,
    stop,
    with_station,
)

SLOW, FAST = 10_000 / 60, 25_000 / 60
LINE = "delayed-marker-line.toml"
CARTONS = [products(length=90.0, pitch=150.0, spread=10.0, varies="uniform")]
EYE, MARKER = eye(response=0.001), [marker(response=0.004)]
TINY_MM = 1e-5
"""Belt that passes in the few nanoseconds to which the simulated world's own times are rounded."""


def steady(result: dict[str, Any]) -> dict[int, tuple[int, float]]:
    """For each steady speed, in mm/s: number of marks and mean error in counts."""
    count_mm = result["placement"]["count_mm"]
    return {
        round(row["speed_mm_s"]): (row["n"], row["mean_mm"] / count_mm) for row in result["by_speed"] if row["steady"]
    }


def told(result: dict[str, Any]) -> str:
    response = result["response"]
    speeds = ", ".join(f"{speed} mm/s: mean {mean:+.3f} of {n}" for speed, (n, mean) in steady(result).items())
    return (
        f"\n{figures(result)}\n  counts {speeds}; speed term at most {response['speed_term_max_mm']:.4f} mm, worst "
        f"{response['beyond_both_max_mm']:+.4f} mm against one count ({response['count_mm']:.4f} mm) plus its own term"
    )


def assert_compensated(result: dict[str, Any], allowed_mm: float = TINY_MM) -> None:
    assert not result["shortfalls"]
    assert set(result["requests"]["missed"]) <= {"void"} and not result["faults"]
    assert result["response"]["n"] == result["requests"]["marked"]
    assert result["response"]["beyond_both_max_mm"] <= allowed_mm


def test_the_mark_stays_where_it_is_from_10_to_25_m_min() -> None:
    result = run(spec_of(LINE), scenario_of(LINE, "delays.toml"), 150.0)
    print(told(result))
    assert_compensated(result)
    (slow_n, slow), (fast_n, fast) = (steady(result)[round(speed)] for speed in (SLOW, FAST))
    assert slow_n > 30 and fast_n > 200
    assert abs(fast - slow) <= 1.0
    assert abs(slow) <= 0.5 and abs(fast) <= 0.5


@pytest.mark.parametrize("unconfigured", ["detector", "marker"])
def test_a_response_that_is_not_configured_moves_the_marks_with_the_speed(unconfigured: str) -> None:
    """That the test above can fail, and by how much: response × (difference of the speeds), in its own direction."""
    spec = spec_of(LINE)
    if unconfigured == "detector":
        spec, moves_mm = replace(spec, detector=replace(spec.detector, response_s=0.0)), 0.001 * (FAST - SLOW)
    else:
        spec, moves_mm = with_station(spec, response_s=0.0), 0.004 * (FAST - SLOW)
    result = run(spec, scenario_of(LINE, "delays.toml"), 90.0)
    means = steady(result)
    moved_counts = means[round(FAST)][1] - means[round(SLOW)][1]
    print(f"\n{unconfigured}: moved by {moved_counts:.2f} counts, expected {moves_mm / spec.scale_mm:.2f}")
    assert moved_counts == pytest.approx(moves_mm / spec.scale_mm, abs=1.0)


@dataclass(frozen=True)
class Profile:
    """A belt that changes its speed hard, by `accel` at most, in mm/s². One that ends as it begins can repeat."""

    accel: float
    segments: list[SegmentSection]
    repeat: bool = True


HARSH = {
    "2 m/s² up and down": Profile(
        2000.0, [constant(SLOW, 2.0), ramp(FAST, 2000.0), constant(FAST, 1.3), ramp(SLOW, 2000.0), constant(SLOW, 0.7)]
    ),
    "hunting 1 Hz": Profile(120.0 * tau, [ramp(300.0, 600.0), hunting(300.0, 120.0, 1.0, 100.0)], repeat=False),
    "hunting 4 Hz": Profile(60.0 * 4 * tau, [ramp(300.0, 600.0), hunting(300.0, 60.0, 0.25, 100.0)], repeat=False),
    "starts and stops": Profile(500.0, [ramp(FAST, 500.0), constant(FAST, 1.0), ramp(0.0, 500.0), stop(0.5)]),
}


@pytest.mark.parametrize("case", HARSH)
@pytest.mark.parametrize("delays_s", [(0.0, 0.0), (0.0, 0.004)], ids=["steady link", "0-4 ms each way"])
def test_at_a_harsh_change_of_speed_the_error_is_one_count_and_the_speed_term(
    case: str, delays_s: tuple[float, float]
) -> None:
    """Beside the two terms the speed goes on changing in the response itself: ½ × a × response², 0.016 mm at 2 m/s²."""
    spec = replace(spec_of(LINE), exchange_s=0.008, detector=replace(spec_of(LINE).detector, response_s=0.0))
    belt = HARSH[case]
    result = run(spec, scene(belt.segments, CARTONS, repeat=belt.repeat, delays_s=delays_s, markers=MARKER), 90.0)
    print(f"\n{case}:{told(result)}")
    assert_compensated(result, TINY_MM + 0.5 * belt.accel * spec.stations[0].response_s ** 2)
    assert result["response"]["speed_term_max_mm"] > 0.02, "the speed never changed between order and release"


@pytest.mark.parametrize("case", HARSH)
def test_the_eyes_response_adds_what_the_speed_changes_while_it_is_measured(case: str) -> None:
    """The edge's speed is the mean over half the window of samples, so that of its middle; and told up to a scan late.

    At the acceleration a it is off by a × (window ÷ 2 + scan) at most, which the response turns into a length.
    """
    spec, belt = spec_of(LINE), HARSH[case]
    result = run(spec, scene(belt.segments, CARTONS, repeat=belt.repeat, markers=MARKER, detector=EYE), 90.0)
    behind_s = (WINDOW / 4 + 1) * spec.period_s
    eye_mm = belt.accel * behind_s * spec.detector.response_s
    print(f"\n{case}:{told(result)}; the eye's own term {eye_mm:.4f} mm")
    assert_compensated(result, TINY_MM + 0.5 * belt.accel * spec.stations[0].response_s ** 2 + eye_mm)


def test_both_terms_are_printed_by_the_bench() -> None:
    words = ["bench", str(CONFIG / LINE), "--virtual", "--for", "60 s", "--json"]
    ran = subprocess.run(
        [sys.executable, "-m", "controller.cli.main", *words], capture_output=True, text=True, check=False
    )
    print(ran.stdout)
    assert ran.returncode == 0, ran.stderr
    said = " ".join(ran.stdout.split())
    assert "beside one count" in said and "|speed at release − predicted| × response is at most" in said
    response = json.loads(ran.stdout.splitlines()[-1])["response"]
    assert response["n"] > 50 and response["beyond_both_max_mm"] <= TINY_MM
