"""The eye's study on a simulated I/O side in virtual time: bounce, two speeds, and looks that are too rare."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.commissioning.detector_study import EyeStudy, study
from controller.commissioning.watched import Look, Watched, watched
from controller.registers import StatusBit
from sim.world import build_device
from tests.scenario.rig import constant, eye, products, scene, spec_of, stop

LINE = "demo-line.toml"


def looked(step_s: float, seconds: float = 20.0, *, down: bool = False, **detector: object) -> Watched:
    """Looks at cartons of 40 mm every 70 mm, at 10 m/min and then at 25 m/min; `down`: where counts go down."""
    spec = spec_of(LINE)
    if down:
        spec = replace(spec, counter=replace(spec.counter, sense=-1))
    segments = [stop(0.5), constant(10_000 / 60, seconds / 2), constant(25_000 / 60)]
    scenario = scene(segments, [products(length=40.0, pitch=70.0)], detector=eye(**detector))
    scenario = scenario.model_copy(update={"belt": scenario.belt.model_copy(update={"starts": "at once"})})
    if down:
        turned = scenario.encoder.model_copy(update={"forward": "counts down"})
        scenario = scenario.model_copy(update={"encoder": turned})
    device = build_device(spec, scenario)
    looks = []
    for n in range(round(seconds / step_s)):
        t_ns = round(n * step_s * 1e9)
        device.advance(t_ns)
        status = device.read(t_ns)
        looks.append(
            Look(t_ns * 1e-9, status.belt_count, status.sample_us, bool(status.bits & StatusBit.DRIVE_RUNNING),
                 status.capture_total, tuple(status.captures), bool(status.bits & StatusBit.DETECTOR_BLOCKED))
        )  # fmt: skip
    return watched(looks, spec)


def studied(seen: Watched) -> EyeStudy:
    return study(seen.edges, spec_of(LINE).scale_mm, (0.0, 0.0, 0.0), product_mm=40.0)


def test_a_clean_eye_repeats_to_a_count_at_both_speeds() -> None:
    seen = looked(0.02)
    found = studied(seen)
    assert (seen.captures_lost, found.inverted, len(found.products.lead_bounces)) == (0, False, 0)
    low, high = found.speeds
    assert low.speed_mm_s == pytest.approx(166.7, rel=0.02)
    assert high.speed_mm_s == pytest.approx(416.7, rel=0.02)
    for at in found.speeds:
        assert at.length_mm == pytest.approx(40.0, abs=0.04)
        assert at.sd_mm is not None
        assert at.sd_mm < 0.04
    assert found.response is not None
    assert found.response.low_s < 0.0001
    assert found.response.high_s > -0.0001


def test_a_bounce_is_found_as_wide_as_it_is_and_filters_that_suit_are_proposed() -> None:
    found = studied(looked(0.01, bounces=2, bounce_within=1.5))
    p = found.products
    assert len(p.lengths) > 40
    assert float(p.lead_bounces.max()) * found.scale_mm == pytest.approx(1.5, abs=0.08)
    assert [f.suits for f in found.filters if f.name == "least_gap"] == [False], "without a filter it is many products"
    assert all(f.value_mm is not None for f in found.filters)


def test_edges_lost_between_rare_looks_are_told_and_make_no_product() -> None:
    seen = looked(0.5, bounces=2, bounce_within=1.5)
    assert seen.captures_lost > 0
    found = studied(seen)
    assert not len(found.products.lengths) or float(found.products.lengths.max()) * found.scale_mm < 42.0


def test_edges_are_told_by_the_lines_own_sense_before_any_controller_has_told_the_io_side() -> None:
    up, down = looked(0.02), looked(0.02, down=True)
    assert len(up.leads) > 60
    assert len(down.leads) == len(up.leads)
    assert down.leads == pytest.approx(up.leads, abs=2.0)
    assert studied(down).inverted is False
