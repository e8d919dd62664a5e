"""Endless material: a mark each 50 mm from 120 mm behind its edge on, kilometres and a stop and a hold later too."""

from __future__ import annotations

from itertools import pairwise

import pytest

from sim.scenario import Scenario
from sim.world import scheduled_calls
from tests.scenario.rig import WholeLine, call, constant, products, ramp, scenario_of, scene, spec_of, stop

LINE = "web-line.toml"
EDGE_MM, OFFSET_MM, PITCH_MM = 250.0, 120.0, 50.0
"""Where the web's edge lies, and the plan of the job."""


def short(speed: float) -> Scenario:
    """Half a kilometre: the belt stands once; a stop with a new start, and a hold, while the web runs on."""
    calls = [
        call("stop", at_travel=100_003.0), call("reset", at_travel=101_000.0), call("start", at_travel=102_010.0),
        call("hold", at_travel=200_030.0), call("unhold", at_travel=202_000.0),
        call("suspend", at_travel=300_030.0), call("unsuspend", at_travel=301_000.0),
    ]  # fmt: skip
    segments = [
        ramp(speed, 500.0),
        constant(speed, 120_000 / speed),
        ramp(0.0, 500.0),
        stop(3.0),
        ramp(speed, 500.0),
        constant(speed),
    ]
    return scene(segments, [products(kind="web", first=EDGE_MM)], calls=calls)


def assert_on_grid(scenario: Scenario, length_m: float, breaks: int) -> None:
    """Run until the web is so long; every mark on the grid, each place once, unbroken but for so many pauses."""
    spec = spec_of(LINE)
    plan = spec.stations[0].plan
    assert (plan.offset_mm, plan.pitch_mm, plan.count) == (OFFSET_MM, PITCH_MM, None)
    whole = WholeLine(spec, scenario, note="marks")
    whole.bench.start()
    whole.bench.schedule(scheduled_calls(scenario, whole.device.belt))
    end_ns = whole.device.belt.next_reach_ns(length_m * 1000.0, whole.zero_ns, 1)
    assert end_ns is not None
    whole.bench.run_until(end_ns)
    assert not whole.bench.tally.refused
    begins_mm = EDGE_MM + OFFSET_MM
    numbers, errors = [], []
    for mark in whole.marks:
        k = round((mark.place_mm - begins_mm) / PITCH_MM)
        numbers.append(k)
        errors.append((mark.place_mm - (begins_mm + k * PITCH_MM)) / spec.scale_mm)
    jumps = [(a, b) for a, b in pairwise(numbers) if b != a + 1]
    snapshot = whole.bench.snapshot()
    print(
        f"\n{length_m:g} m: {len(numbers)} marks, the last is mark {numbers[-1]} at "
        f"{whole.marks[-1].place_mm / 1000:.3f} m, {errors[-1]:+.3f} counts from offset + k × pitch; "
        f"largest {max(map(abs, errors)):.3f} counts; pauses {jumps}; "
        f"missed { ({str(r): n for r, n in snapshot.counters.missed.items() if n}) }, faults {whole.line.faults.totals}"
    )
    assert snapshot.balanced and not whole.line.faults.totals
    assert numbers[0] == 0
    assert all(b > a for a, b in pairwise(numbers)), "a place was marked twice"
    assert len(jumps) == breaks
    assert max(map(abs, errors)) <= 1.0 and abs(errors[-1]) <= 1.0
    reached = (length_m * 1000.0 - spec.stations[0].distance_mm - begins_mm) / PITCH_MM
    assert numbers[-1] == int(reached), "the last place that has passed the marker is not marked"


@pytest.mark.parametrize("speed", [366.7, 950.0])
def test_half_a_kilometre_of_web_keeps_to_its_grid(speed: float) -> None:
    assert_on_grid(short(speed), 500.0, breaks=3)


@pytest.mark.long
def test_five_kilometres_of_web_keep_to_their_grid() -> None:
    assert_on_grid(scenario_of(LINE, "web.toml"), 5_010.0, breaks=2)
