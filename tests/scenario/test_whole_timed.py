"""Release in time on a whole line in virtual time: placement under every profile, over a link that is late as it likes."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.spec import LineSpec, ReleasePath
from tests.scenario.rig import (
    WholeLine,
    back_up,
    constant,
    event,
    figures,
    hunting,
    marker,
    products,
    ramp,
    run,
    scene,
    spec_of,
    stop,
    with_station,
)

CARTONS = products(length=60.0, pitch=100.0, spread=10.0, varies="uniform")
COUNTS = 2.0
"""What the steps of the counts leave when the speed changes within what is fitted; at a steady speed one."""


def timed(**more: object) -> LineSpec:
    spec = replace(spec_of("timed-line.toml"), top_speed_mm_s=700.0)
    return with_station(spec, **more) if more else spec


@pytest.mark.parametrize(
    "segments",
    [
        [constant(170.0)],
        [constant(600.0)],
        [constant(170.0, 5.0), ramp(420.0, 50.0), constant(420.0)],
        [ramp(500.0, 500.0), hunting(500.0, 100.0, 1.0, 20.0)],
        [constant(400.0, 4.0), ramp(0.0, 500.0), stop(1.0), ramp(400.0, 500.0), constant(400.0)],
        [constant(300.0, 3.0), stop(0.5), back_up(40.0, 30.0), stop(0.5), constant(300.0)],
    ],
    ids=["slow", "fast", "ramp", "hunting", "stop", "back up"],
)
def test_every_mark_is_made_once_and_within_two_counts(segments: list) -> None:  # type: ignore[type-arg]
    result = run(timed(), scene(segments, [CARTONS]), 20.0)
    assert result["shortfalls"] == [], figures(result)
    assert result["path"] == "timed"
    assert result["requests"]["missed"].keys() <= {"void"}, figures(result)
    place = result["placement"]
    assert place["max_abs_mm"] <= COUNTS * place["count_mm"], figures(result)
    assert abs(place["mean_mm"]) <= 0.5 * place["count_mm"], figures(result)


def test_delays_of_eye_and_marker_are_made_up_for_at_every_speed() -> None:
    spec = timed(response_s=0.004)
    spec = replace(spec, detector=replace(spec.detector, response_s=0.001))
    result = run(spec, scene([constant(170.0, 8.0), ramp(420.0, 50.0), constant(420.0)], [CARTONS]), 25.0)
    assert result["shortfalls"] == [], figures(result)
    assert result["placement"]["max_abs_mm"] <= COUNTS * result["placement"]["count_mm"], figures(result)


def test_a_link_that_is_late_as_it_likes_costs_its_jitter_and_no_more() -> None:
    """Each way takes 1 to 5 ms: what is not known of a single way is at most 2 ms about its median."""
    result = run(timed(), scene([constant(300.0)], [CARTONS], delays_s=(0.001, 0.005)), 30.0)
    assert result["shortfalls"] == [], figures(result)
    place = result["placement"]
    assert place["max_abs_mm"] <= 0.002 * 300.0 * 1.15 + COUNTS * place["count_mm"], figures(result)
    # Uniform over 4 ms: a standard deviation of 4 ms / sqrt(12) of belt.
    assert place["sd_mm"] == pytest.approx(0.004 * 300.0 / 12**0.5, rel=0.2)
    assert abs(place["mean_mm"]) < 0.1, figures(result)


@pytest.mark.parametrize("device_clock", [True, False])
def test_an_io_side_without_a_clock_is_dated_by_the_exchange(device_clock: bool) -> None:
    line = WholeLine(timed(), scene([constant(300.0)], [CARTONS]), device_clock=device_clock)
    line.bench.start()
    line.until(10.0)
    line.assert_sound()
    assert len(line.marks) > 20
    assert line.largest_counts() <= COUNTS


def test_a_cable_that_is_out_for_a_moment_loses_no_mark_twice() -> None:
    spec = timed()
    spec = replace(spec, limits=replace(spec.limits, lease_s=1.0, link_lost_s=1.0))
    drops = [event("link_drop", at=3.0 + 0.37 * n, duration=0.012) for n in range(12)]
    line = WholeLine(spec, scene([constant(400.0)], [CARTONS], events=drops), skip=False)
    line.bench.start()
    line.until(10.0)
    line.bench.stop()
    line.assert_sound()
    missed = line.bench.snapshot().counters
    assert missed.marked > 20
    # A release whose exchange failed is void, never sent again; late ones passed while nothing was read.
    assert {reason.value for reason, n in missed.missed.items() if n} <= {"void", "late"}


def test_a_busy_marker_is_said_by_the_release_ring() -> None:
    spec = timed(mark_time_s=0.5)
    result = run(spec, scene([constant(400.0)], [CARTONS], markers=[marker(mark_time=0.5)]), 10.0)
    assert result["balanced"]
    assert result["requests"]["missed"]["busy"] > 5
    assert result["doubles"] == 0


def test_two_stations_one_in_time_and_one_by_compare() -> None:
    spec = timed()
    first = spec.stations[0]
    second = replace(first, name="base", distance_mm=520.0, release=ReleasePath.COMPARE)
    spec = replace(spec, stations=(first, second))
    result = run(spec, scene([constant(300.0)], [CARTONS]), 20.0)
    assert result["shortfalls"] == [], figures(result)
    assert result["path"] == "timed and compare"
