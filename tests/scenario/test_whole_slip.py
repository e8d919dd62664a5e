"""A wheel that slips as the belt starts and stops, in virtual time: what contact and the jogged distance say of it."""

from __future__ import annotations

from typing import Any

import pytest

from controller.commissioning.contact import Repeats, repeats
from controller.commissioning.contact_words import repeat_texts
from controller.commissioning.distance import PLACING_MM, Known, measure
from controller.commissioning.distance_pass import Pass, jogged
from controller.commissioning.distance_words import verdict_texts
from controller.commissioning.uncertainty import Spread
from controller.commissioning.watched import Look, watched
from controller.registers import Command, StatusBit
from controller.units import Display
from sim.scenario import Scenario, SegmentSection
from sim.world import build_device
from tests.scenario.rig import constant, encoder, products, ramp, scenario_of, scene, spec_of, stop

LINE = "demo-line.toml"
ACCEL, SPEED = 500.0, 200.0
RAMP_MM = 0.5 * SPEED * SPEED / ACCEL
SHOW = Display()


def looks_at(segments: list[SegmentSection], seconds: float, pitch: float, first: float, **truth: Any) -> list[Look]:
    """Looks at the line's I/O side every 20 ms, its belt running from the beginning on."""
    scenario = scene(segments, [products(length=90.0, pitch=pitch, first=first)], encoder=encoder(**truth))
    return watching(
        scenario.model_copy(update={"belt": scenario.belt.model_copy(update={"starts": "at once"})}), seconds
    )


def watching(scenario: Scenario, seconds: float) -> list[Look]:
    """Looks at the I/O side of a scenario every 20 ms."""
    device, looks = build_device(spec_of(LINE), scenario), []
    for n in range(round(seconds / 0.02) + 1):
        t_ns = n * 20_000_000
        device.write(Command(), t_ns)
        status = device.read(t_ns)
        looks.append(
            Look(n * 0.02, status.belt_count, status.sample_us, bool(status.bits & StatusBit.DRIVE_RUNNING),
                 status.capture_total, status.captures, bool(status.bits & StatusBit.DETECTOR_BLOCKED))
        )  # fmt: skip
    return looks


def stopping(gap_s: float) -> list[SegmentSection]:
    """Half a minute in which the belt stops now and then."""
    return [
        part for _ in range(4) for part in (ramp(SPEED, ACCEL), constant(SPEED, gap_s), ramp(0.0, ACCEL), stop(1.0))
    ]


@pytest.mark.parametrize(("starting", "stopping_"), [(0.1, 0.05), (0.1, 0.0), (0.0, 0.0), (0.05, -0.02)])
def test_contact_finds_how_much_is_lost_in_a_stop(starting: float, stopping_: float) -> None:
    spec = spec_of(LINE)
    truth = {"slip_starting": starting, "slip_stopping": stopping_}
    found = repeats(*_seen(watched(looks_at(stopping(6.1), 32.0, 150.0, 60.0, **truth), spec)))
    assert isinstance(found, Repeats)
    assert found.stops == 3
    assert found.lost is not None
    lost_mm, half_mm = (each * spec.scale_mm for each in found.lost)
    true_mm = (starting + stopping_) * RAMP_MM
    assert abs(lost_mm - true_mm) <= half_mm
    says = repeat_texts(found, spec.scale_mm, SHOW)[-1]
    assert ("SLIPS" in says) == (true_mm > 0.5), says


def test_the_bench_scenario_for_it_shows_it() -> None:
    spec = spec_of(LINE)
    found = repeats(*_seen(watched(watching(scenario_of(LINE, "slip.toml"), 30.0), spec)))
    assert isinstance(found, Repeats)
    assert found.lost is not None
    lost_mm, half_mm = (each * spec.scale_mm for each in found.lost)
    assert abs(lost_mm - 4.0) <= half_mm < 1.0


def _seen(seen: Any) -> tuple[Any, Any]:
    return seen.series, seen.leads


def jog(stops: int, **truth: Any) -> Pass:
    """One pass over 400 mm with so many stops on the way; the first product is 100 mm before the eye."""
    legs = stops + 1
    leg_mm = (500.0 - legs * 2.0 * RAMP_MM) / legs
    segments = [stop(0.5)]
    for _ in range(legs):
        segments += [ramp(SPEED, ACCEL), constant(SPEED, leg_mm / SPEED), ramp(0.0, ACCEL), stop(0.6)]
    found = jogged(looks_at([*segments, stop(None)], 12.0, 2000.0, 100.0, **truth), spec_of(LINE))
    assert isinstance(found, Pass), found
    return found


def test_a_jogged_distance_is_short_by_what_stops_lose_and_says_so() -> None:
    spec = spec_of(LINE)
    known = Known(Spread.within(PLACING_MM), Spread(0.0), 0.0, Spread(0.0))
    good = measure([jog(stops) for stops in (0, 0, 1, 2)], spec.scale_mm, known)
    assert good.mm == pytest.approx(400.0, abs=0.05)
    assert not good.slips
    passes = [jog(stops, slip_starting=0.05) for stops in (0, 0, 1, 2)]
    assert [each.stops for each in passes] == [0, 0, 1, 2]
    found = measure(passes, spec.scale_mm, known)
    assert found.each_stop is not None
    assert found.each_stop[0] == pytest.approx(-0.05 * RAMP_MM, abs=0.06)
    assert found.slips
    assert any("SLIPS in stops" in text for text in verdict_texts(found, 400.0, PLACING_MM, SHOW))
