"""A worn wheel under a whole line: what the watch beside it says agrees with where the marks really land."""

from __future__ import annotations

import pytest

from controller.commissioning.drift import DriftChart
from controller.drift_watch import DriftWatch
from controller.units import Display
from tests.scenario.rig import Memory, constant, encoder, products, run, scene, spec_of

SUPPLY = products(length=90.0, length_spread=0.8, length_varies="uniform", pitch=150.0, first=300.0)


class Silent:
    def warning(self, event: str, **words: object) -> None:
        pass

    info = warning


@pytest.mark.parametrize("factor", [0.996, 1.004])
def test_a_wheel_that_has_changed_is_told_with_how_far_the_marks_have_moved(factor: float) -> None:
    spec = spec_of("demo-line.toml")
    watching = DriftWatch(spec, Display(), str, Silent(), DriftChart(warm_up=300))
    moved = []
    for circumference_factor, seed in ((1.0, 1), (factor, 2)):
        kept = Memory()
        true = encoder(circumference_factor=circumference_factor)
        scenario = scene([constant(400.0)], [SUPPLY], seed=seed, encoder=true)
        result = run(spec, scenario, 240.0, recorder=kept)
        watching.take(kept.events)
        moved.append(result["placement"]["mean_mm"])
    drift = watching.chart.drift
    assert drift is not None
    assert drift.change == pytest.approx(1.0 / factor - 1.0, abs=3 * drift.off)
    wanted_mm = moved[1] - moved[0]
    assert abs(wanted_mm) > 1.5
    said_mm = 412.0 * (1.0 / (1.0 + drift.change) - 1.0)
    assert said_mm == pytest.approx(wanted_mm, abs=3 * 412.0 * drift.off)
    assert ("early" if wanted_mm < 0 else "late") in watching.text
