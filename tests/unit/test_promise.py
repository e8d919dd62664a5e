"""What is promised for each path, against figures worked out by hand and against the bench in virtual time."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from controller.link_figures import Figure, LinkFigures, assumed
from controller.looks import accel_error_mm
from controller.needs import feasible
from controller.promise import HISTORIES, Promise, ladder_mm_s, paths, promise
from controller.promise import Path as Way
from controller.settings.line import load_line
from controller.spec import Detector, LineSpec, MarkPlan, Plain, PlainStation, ReleasePath, Station

CONFIG = Path(__file__).parents[2] / "config"
SCALE_MM = 0.04
SPEED_MM_S = 400.0
LINE = LineSpec(
    name="t",
    scale_mm=SCALE_MM,
    stations=(Station("front", 400.0 + SCALE_MM / 2, MarkPlan(offset_mm=10.0)),),
    top_speed_mm_s=500.0,
    max_accel_mm_s2=1000.0,
    period_s=0.005,
    exchange_s=0.005,
)


def figure(name: str, *ms: float) -> Figure:
    return Figure(name, np.array(ms) * 1e-3, True, "measured")


def link(out: Figure | None, back: Figure | None, exchange: Figure | None = None) -> LinkFigures:
    took = figure("exchange", 0.4, 0.4) if exchange is None else exchange
    return LinkFigures(took, figure("late", 0.0, 0.1), figure("send", 0.0, 0.0), out, back)


STEADY = link(figure("out", 0.2, 0.2), figure("back", 0.2, 0.2))
COMPARE, TIMED = (Way(0, release, True, True) for release in (ReleasePath.COMPARE, ReleasePath.TIMED))
SAMPLED = Way(0, ReleasePath.COMPARE, False, False)


def one(spec: LineSpec, way: Way, figures: LinkFigures = STEADY, speed_mm_s: float = SPEED_MM_S) -> Promise:
    (found,) = promise(spec, figures, [way], [speed_mm_s])
    return found


def test_compare_is_one_count_whatever_the_speed_and_the_link() -> None:
    slow = link(figure("out", 0.0, 20.0), figure("back", 0.0, 20.0))
    for figures in (STEADY, slow):
        for speed_mm_s in (50.0, 500.0):
            found = one(LINE, COMPARE, figures, speed_mm_s)
            # Evenly within a count: 95 % of ± half a count.
            assert found.half_width_95_mm == pytest.approx(0.475 * SCALE_MM, rel=0.01)
            assert abs(found.bias_mm) < 0.01 * SCALE_MM
            assert found.worst_mm <= 0.5 * SCALE_MM + 1e-6
            assert found.missed_share == 0.0


@pytest.mark.parametrize("beyond_counts", [-0.4, -0.1, 0.2, 0.45])
def test_a_distance_that_rounding_shifts_is_a_bias(beyond_counts: float) -> None:
    station = replace(LINE.stations[0], distance_mm=LINE.stations[0].distance_mm + beyond_counts * SCALE_MM)
    spec = replace(LINE, stations=(station,))
    residue_mm = feasible(spec).stations[0].residue_counts * SCALE_MM
    assert residue_mm == pytest.approx(-beyond_counts * SCALE_MM)
    assert one(spec, COMPARE).bias_mm == pytest.approx(residue_mm, abs=0.01 * SCALE_MM)


def test_marks_at_a_pitch_that_is_no_whole_count_have_each_their_own_residue() -> None:
    station = replace(LINE.stations[0], plan=MarkPlan(offset_mm=10.0, pitch_mm=50.5 * SCALE_MM, count=2))
    found = one(replace(LINE, stations=(station,)), COMPARE)
    # Every second mark is half a count off, and rounded as often up as down.
    assert abs(found.bias_mm) < 0.3 * SCALE_MM
    assert 0.5 * SCALE_MM < found.half_width_95_mm <= SCALE_MM


def test_a_sampled_edge_lies_evenly_in_the_belt_between_two_looks() -> None:
    belt_mm = SPEED_MM_S * LINE.period_s
    found = one(LINE, SAMPLED)
    assert found.half_width_95_mm == pytest.approx(0.475 * belt_mm, rel=0.03)
    assert found.worst_mm >= 0.5 * belt_mm


def test_an_edge_that_falls_into_the_wait_for_another_mark_is_seen_later() -> None:
    # Between placing an order and its sending nobody looks, for 2 to 7 ms here; a mark every 20 mm is 20 a second.
    way = Way(0, ReleasePath.TIMED, False, False)
    (apart,) = promise(LINE, STEADY, [way], [SPEED_MM_S])
    (dense,) = promise(LINE, STEADY, [way], [SPEED_MM_S], 20.0)
    assert apart.half_width_95_mm < dense.half_width_95_mm < 1.3 * apart.half_width_95_mm
    slow = link(figure("out", 4.0, 6.0), figure("back", 4.0, 6.0), figure("exchange", 8.0, 12.0))
    (apart,), (dense,) = (promise(LINE, slow, [way], [SPEED_MM_S], spacing) for spacing in (None, 40.0))
    assert dense.half_width_95_mm > 1.2 * apart.half_width_95_mm


def test_looks_that_the_link_spaces_make_a_sampled_edge_worse() -> None:
    slow = link(figure("out", 10.0, 10.0), figure("back", 10.0, 10.0))
    assert one(LINE, SAMPLED, slow).half_width_95_mm == pytest.approx(0.475 * SPEED_MM_S * 0.020, rel=0.03)


def test_the_jitter_of_the_way_out_is_what_a_timed_release_pays() -> None:
    steady, jittery = one(LINE, TIMED), one(LINE, TIMED, link(figure("out", 1.0, 5.0), figure("back", 1.0, 1.0)))
    assert steady.half_width_95_mm < 2.0 * SCALE_MM
    # ± 2 ms evenly, at 400 mm/s, and what is learnt of it from few releases.
    assert jittery.half_width_95_mm == pytest.approx(0.95 * 2.0e-3 * SPEED_MM_S, rel=0.2)
    assert abs(jittery.bias_mm) < 0.05


def test_a_constant_way_out_is_learnt_and_costs_nothing() -> None:
    near, far = (one(LINE, TIMED, link(figure("out", ms, ms), figure("back", 0.2, 0.2))) for ms in (0.2, 3.0))
    assert abs(near.bias_mm) < 0.1 * SCALE_MM
    assert abs(far.bias_mm) < 0.1 * SCALE_MM
    assert far.half_width_95_mm < 1.5 * near.half_width_95_mm


def test_sends_that_leave_late_are_a_bias() -> None:
    late = replace(STEADY, send_late=figure("send", 0.5, 0.5))
    assert one(LINE, TIMED, late).bias_mm == pytest.approx(0.5e-3 * SPEED_MM_S, rel=0.05)


def test_without_a_clock_on_the_io_side_looks_are_dated_worse() -> None:
    exchange = figure("exchange", 1.0, 4.0)
    clocked = link(figure("out", 0.5, 2.0), figure("back", 0.5, 2.0), exchange)
    with_clock, without = one(LINE, TIMED, clocked), one(LINE, TIMED, link(None, None, exchange))
    assert without.half_width_95_mm > with_clock.half_width_95_mm
    assert abs(without.bias_mm) < 0.1


def test_what_would_come_outside_the_window_is_missed_and_not_promised() -> None:
    wild = link(figure("out", 0.0, 20.0), figure("back", 0.2, 0.2))
    found = one(LINE, TIMED, wild)
    assert found.missed_share > 0.3
    assert found.half_width_95_mm <= LINE.stations[0].window_mm + 2.0 * SCALE_MM
    wide = replace(LINE, stations=(replace(LINE.stations[0], window_mm=50.0),))
    assert one(wide, TIMED, wild).missed_share == 0.0


def test_a_change_of_speed_is_in_the_worst_case_only() -> None:
    hard = replace(LINE, max_accel_mm_s2=4000.0, stations=(replace(LINE.stations[0], window_mm=50.0),))
    soft = replace(hard, max_accel_mm_s2=1000.0)
    assert one(hard, TIMED).half_width_95_mm == pytest.approx(one(soft, TIMED).half_width_95_mm, rel=0.1)
    assert one(hard, TIMED).worst_mm > 2.0 * one(soft, TIMED).worst_mm


def test_a_change_that_begins_after_the_last_look_costs_at_least_half_a_t_squared() -> None:
    error_mm = accel_error_mm(LINE, SPEED_MM_S, 0.005, 0.010)
    assert 0.5 * 1000.0 * 0.010**2 <= error_mm < 4.0 * 0.5 * 1000.0 * 0.010**2


def test_a_plain_device_sets_its_output_by_the_nearest_scan() -> None:
    plain = Plain((PlainStation(),), requests=2)
    station = replace(LINE.stations[0], release=ReleasePath.SCAN)
    spec = replace(LINE, plain=plain, stations=(station,), detector=Detector(captured=False))
    (way,) = paths(spec, captures=False, samples=True)
    assert (way.release, way.captured, way.used) == (ReleasePath.SCAN, False, True)
    found = one(spec, way, link(None, None, figure("exchange", 0.5, 0.5)))
    # Two even parts of one period's belt each, a triangle: 95 % within 0.776 of it.
    assert found.half_width_95_mm == pytest.approx(0.776 * SPEED_MM_S * spec.period_s, rel=0.05)
    assert abs(found.bias_mm) < 0.05


def test_all_paths_that_the_points_allow() -> None:
    all_ways = paths(LINE, captures=True, samples=True)
    assert [(str(w.release), w.detector, w.used) for w in all_ways] == [
        ("compare", "captured", True),
        ("compare", "sampled", False),
        ("timed", "captured", False),
        ("timed", "sampled", False),
    ]
    assert [w.detector for w in paths(LINE, captures=False, samples=True)] == ["sampled", "sampled"]


def test_the_same_question_has_the_same_answer_to_the_bit() -> None:
    ways = paths(LINE, captures=True, samples=True)
    figures = assumed(LINE, clock=True)
    assert promise(LINE, figures, ways, [100.0]) == promise(LINE, figures, ways, [100.0])


def test_the_ladder_ends_at_the_top_speed() -> None:
    speeds = ladder_mm_s(LINE)
    assert speeds == sorted(speeds)
    assert speeds[-1] == LINE.top_speed_mm_s


@pytest.mark.parametrize(("speed_mm_s", "counts", "off"), [(10e3 / 60, 0.157, 0.13), (25e3 / 60, -0.357, 0.09)])
def test_compensated_responses_have_the_bias_that_the_bench_shows(speed_mm_s: float, counts: float, off: float) -> None:
    # `beltcue bench config/delayed-marker-line.toml --virtual`: means of 36 and 97 marks, three standard errors beside.
    spec = load_line(CONFIG / "delayed-marker-line.toml").spec()
    found = one(spec, COMPARE, replace(STEADY, late=figure("late", 0.0, 0.0)), speed_mm_s)
    assert found.bias_mm / spec.scale_mm == pytest.approx(counts, abs=off)


def test_nothing_measured_says_so() -> None:
    for clock in (True, False):
        figures = assumed(LINE, clock=clock)
        assert (figures.out is not None) is clock
        assert not any(f.measured for f in figures.each)
        assert all("assumed" in f.says for f in figures.each)
    assert HISTORIES >= 1000
