from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.check import describe, problems
from controller.lead import lead_mm, lead_time_s, needed_lease_s
from controller.needs import feasible
from controller.settings.line import load_line
from controller.spec import Counter, Detector, Limits, LineSpec, MarkPlan, PlanEdge, Station
from controller.units import Display

CONFIG = Path(__file__).parents[2] / "config"

LINE = LineSpec(
    name="t",
    scale_mm=0.04,
    stations=(Station("front", 400.0, MarkPlan(offset_mm=10.0)),),
    detector=Detector(least_length_mm=30.0, least_gap_mm=10.0),
    limits=Limits(lease_s=0.5, link_lost_s=0.5),
    top_speed_mm_s=500.0,
    max_accel_mm_s2=1000.0,
    period_s=0.005,
    exchange_s=0.005,
)


def with_station(spec: LineSpec = LINE, **changes: object) -> LineSpec:
    return replace(spec, stations=(replace(spec.stations[0], **changes),))  # type: ignore[arg-type]


def least_mm(spec: LineSpec) -> float:
    least = feasible(spec).stations[0].least_distance_mm
    assert least is not None
    return least


def lead(extra_s: float = 0.0, spec: LineSpec = LINE) -> float:
    lead_s = lead_time_s(spec.period_s, spec.exchange_s, spec.limits.least_lead_s)
    return lead_mm(spec.top_speed_mm_s, spec.max_accel_mm_s2, lead_s + extra_s)


def test_a_line_that_works_has_no_problems() -> None:
    assert problems(LINE) == []


def test_the_scan_is_the_greater_of_period_and_exchange() -> None:
    assert feasible(LINE).scan_s == 0.005
    assert feasible(replace(LINE, exchange_s=0.045)).scan_s == 0.045
    assert feasible(replace(LINE, exchange_s=0.045)).orders_per_s == pytest.approx(1 / 0.045)


@pytest.mark.parametrize(
    ("plan", "needs_mm"),
    [
        # The product is known to be one 30 mm after its edge; the first mark comes 10 mm after the distance.
        (MarkPlan(offset_mm=10.0), 20.0),
        (MarkPlan(offset_mm=40.0), -10.0),
        (MarkPlan(), 30.0),
        # Whether the mark stays on the product is known when its end has passed the eye.
        (MarkPlan(offset_mm=40.0, length_mm=25.0, keep_on_product=True), 25.0),
        (MarkPlan(offset_mm=40.0, pitch_mm=20.0, count=None), 0.0),
        # A trailing edge stands when the least gap has passed, and the mark furthest ahead is due first.
        (MarkPlan(PlanEdge.TRAILING, offset_mm=15.0), 15.0 + 10.0),
        (MarkPlan(PlanEdge.TRAILING, offset_mm=15.0, pitch_mm=20.0, count=4), 15.0 + 60.0 + 10.0),
    ],
)
def test_the_least_distance_of_a_plan_is_what_it_waits_for_and_the_lead(plan: MarkPlan, needs_mm: float) -> None:
    spec = with_station(plan=plan)
    least = needs_mm + lead()
    assert least_mm(spec) == pytest.approx(least)
    assert problems(with_station(spec, distance_mm=least + 1e-6)) == []
    (text,) = problems(with_station(spec, distance_mm=least - 1e-6))
    assert text.startswith('stations#1, "front": distance')


def test_responses_and_the_devices_own_lead_need_more_distance() -> None:
    slow_eye = replace(LINE, detector=replace(LINE.detector, response_s=0.001))
    assert least_mm(slow_eye) == pytest.approx(20.0 + lead(0.001))
    assert least_mm(with_station(response_s=0.004)) == pytest.approx(20.0 + lead(0.004))
    slow_device = replace(LINE, limits=replace(LINE.limits, least_lead_s=0.01))
    assert least_mm(slow_device) == pytest.approx(20.0 + lead(0.01))


def test_continuous_from_the_trailing_edge_needs_the_longest_product() -> None:
    spec = with_station(plan=MarkPlan(PlanEdge.TRAILING, pitch_mm=20.0, count=None))
    assert feasible(spec).stations[0].least_distance_mm is None
    assert any("set detector.jam_length" in text for text in problems(spec))
    known = replace(spec, detector=replace(spec.detector, jam_length_mm=200.0))
    assert least_mm(known) == pytest.approx(200.0 + 10.0 + lead())
    assert problems(known) == []


def test_a_lease_and_a_lost_link_that_a_slow_exchange_would_trip_are_refused() -> None:
    slow = with_station(replace(LINE, exchange_s=0.045), distance_mm=1000.0)
    shortest = needed_lease_s(0.005, 0.045)
    assert feasible(slow).shortest_lease_s == shortest
    assert problems(replace(slow, limits=replace(slow.limits, lease_s=shortest))) == []
    (text,) = problems(replace(slow, limits=replace(slow.limits, lease_s=shortest - 0.001)))
    assert text.startswith("link.lease: ")
    assert Display().time(shortest) in text
    (text,) = problems(replace(slow, limits=replace(slow.limits, link_lost_s=0.1)))
    assert text.startswith("link.lost_after: ")


def test_more_marks_than_orders_a_second_are_refused() -> None:
    # 500 mm/s over a pitch of 2 mm is 250 a second; the link carries 200.
    spec = with_station(plan=MarkPlan(pitch_mm=2.0, count=10))
    assert feasible(spec).stations[0].marks_per_s == pytest.approx(250.0)
    assert any("250.0 marks a second" in text and "200.0 orders a second" in text for text in problems(spec))
    assert not any("marks a second" in t for t in problems(with_station(plan=MarkPlan(pitch_mm=4.0, count=10))))


def test_stations_share_the_orders() -> None:
    one = Station("a", 400.0, MarkPlan(pitch_mm=4.0, count=3))
    two = replace(LINE, stations=(one, replace(one, name="b", distance_mm=700.0)))
    assert any("250.0 marks a second" in text for text in problems(two))


def test_more_edges_between_two_looks_than_the_ring_holds_are_refused() -> None:
    # Between two looks pass 5 + 5 + 20 ms, 15 mm at top speed: with products 3 mm apart up to 12 edges.
    close = replace(LINE, detector=Detector(least_length_mm=2.0, least_gap_mm=1.0))
    assert feasible(close).captures_per_scan == 12
    assert any(text.startswith("detector: at top speed 12 edges") for text in problems(close))
    sampled = replace(close, detector=replace(close.detector, captured=False))
    assert not any(text.startswith("detector:") for text in problems(sampled))


def test_more_releases_between_two_looks_than_the_ring_holds_are_refused() -> None:
    spec = with_station(plan=MarkPlan(pitch_mm=1.5, count=50))
    assert any("11 marks can be released between two looks" in text for text in problems(spec))


def test_without_filters_nothing_is_claimed_of_rates() -> None:
    needs = feasible(replace(LINE, detector=Detector()))
    assert needs.captures_per_scan is None
    assert needs.stations[0].marks_per_s is None
    assert needs.stations[0].keeps_up_mm_s is None


def test_a_counter_too_narrow_for_the_lead_or_the_scan_is_refused() -> None:
    lead_counts = feasible(LINE).lead_mm / LINE.scale_mm
    fits, narrow = 2 * math.ceil(4 * lead_counts), 2 * math.floor(4 * lead_counts)
    assert problems(replace(LINE, counter=Counter(fits))) == []
    (text,) = problems(replace(LINE, counter=Counter(narrow)))
    assert text.startswith("encoder: the lead of ")
    both = problems(replace(LINE, counter=Counter(700)))
    assert len(both) == 2
    assert "can move 375 counts between two looks" in both[1]


def test_pitch_shorter_than_a_count_is_refused() -> None:
    assert any("shorter than one count" in t for t in problems(with_station(plan=MarkPlan(pitch_mm=0.03, count=2))))


@pytest.mark.parametrize(
    ("pitch_mm", "mark_s", "rearm_s", "max_mm_s", "keeps_up"),
    [
        # 100 mm, 80 ms and 20 ms give 1.0 m/s: computed from pitch / (mark time + rearm).
        (100.0, 0.080, 0.020, None, 1000.0),
        (100.0, 0.080, 0.020, 500.0, 500.0),
        (100.0, 0.0, 0.0, None, None),
        (100.0, 0.0, 0.0, 700.0, 700.0),
    ],
)
def test_how_fast_the_marker_keeps_up(
    pitch_mm: float, mark_s: float, rearm_s: float, max_mm_s: float | None, keeps_up: float | None
) -> None:
    plan = MarkPlan(pitch_mm=pitch_mm, count=3)
    spec = with_station(plan=plan, mark_time_s=mark_s, rearm_s=rearm_s, max_speed_mm_s=max_mm_s)
    found = feasible(spec).stations[0].keeps_up_mm_s
    assert found == (None if keeps_up is None else pytest.approx(keeps_up))


@given(
    distance_mm=st.floats(min_value=50.0, max_value=5000.0),
    offset_mm=st.floats(min_value=0.0, max_value=49.0),
    scale_mm=st.floats(min_value=0.01, max_value=1.0),
    edge=st.sampled_from(PlanEdge),
    count=st.integers(min_value=0, max_value=1 << 20),
)
def test_the_residue_is_the_mean_error_that_rounding_gives(
    distance_mm: float, offset_mm: float, scale_mm: float, edge: PlanEdge, count: int
) -> None:
    spec = replace(with_station(distance_mm=distance_mm, plan=MarkPlan(edge, offset_mm)), scale_mm=scale_mm)
    need = feasible(spec).stations[0]
    # The edge in the middle of its count, the target rounded to a whole one.
    way_mm = distance_mm + (offset_mm if edge is PlanEdge.LEADING else -offset_mm)
    due = count + 0.5 + way_mm / scale_mm
    assert abs(need.residue_counts) <= 0.5 + 1e-9
    assert need.residue_counts == pytest.approx(round(due) - due, abs=1e-6) or abs(need.residue_counts) > 0.499999
    assert abs(need.even_distance_mm - distance_mm) <= 0.5 * scale_mm + 1e-9
    mended = replace(spec, stations=(replace(spec.stations[0], distance_mm=need.even_distance_mm),))
    shifted = abs(feasible(mended).stations[0].residue_counts)
    assert shifted < 1e-6


def test_the_lines_that_come_with_it_have_no_bias_to_speak_of() -> None:
    for name in ("demo", "slow-link", "web", "narrow-counter"):
        needs = feasible(load_line(CONFIG / f"{name}-line.toml").spec())
        assert abs(needs.stations[0].residue_counts) < 0.05, name


def test_the_slow_link_states_what_it_needs() -> None:
    rows = dict(describe(load_line(CONFIG / "slow-link-line.toml")))
    assert rows["scan"].startswith("45 ms (limited by the link)")
    assert "the link carries 22.22 a second" in rows["orders"]
    assert "at least 200 ms" in rows["lease"]
    assert "at least 119.5 mm" in rows["  distance"]


def test_the_demo_line_on_that_link_would_be_refused() -> None:
    slow = replace(load_line(CONFIG / "demo-line.toml").spec(), exchange_s=0.045)
    short = with_station(replace(slow, limits=Limits(lease_s=0.05, link_lost_s=0.05)), distance_mm=100.0)
    found = problems(short)
    assert [text.split(":")[0] for text in found] == ["link.lease", "link.lost_after", 'stations#1, "flap"']


def test_rows_are_in_the_users_units(tmp_path: Path) -> None:
    text = (CONFIG / "demo-line.toml").read_text(encoding="utf-8")
    text = text.replace('length = "mm" ', 'length = "in" ').replace('speed = "m/min" ', 'speed = "ft/min" ')
    (tmp_path / "jobs").mkdir()
    job = (CONFIG / "jobs/tea-carton-flap.toml").read_text(encoding="utf-8")
    (tmp_path / "jobs/tea-carton-flap.toml").write_text(job, encoding="utf-8")
    (tmp_path / "line.toml").write_text(text, encoding="utf-8")
    said = "\n".join(value for _, value in describe(load_line(tmp_path / "line.toml")))
    assert "98.43 ft/min" in said
    assert " mm" not in said
    assert " m/min" not in said


def test_a_shift_by_rounding_is_told_with_the_distance_that_has_none(tmp_path: Path) -> None:
    config = load_line(CONFIG / "demo-line.toml")
    station = config.settings.stations[0].model_copy(update={"distance": 400.0})
    shifted = replace(config, settings=config.settings.model_copy(update={"stations": [station]}))
    assert "count early on average, with distance 399.9938 mm they would not" in dict(describe(shifted))["  error"]
    assert "average" not in dict(describe(config))["  error"]


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (
            "demo-line.toml",
            ["nothing is served: write [plant.opcua], [plant.modbus] or [plant.metrics] to change that"],
        ),
        (
            "plant-line.toml",
            [
                "opc.tcp://127.0.0.1:14840, signed and encrypted, trusted clients may look without a user; "
                "beltcue trust, beltcue users",
                "modbus://127.0.0.1:15502, unit 1, commands from 127.0.0.1",
                "http://127.0.0.1:9464/metrics, for anyone who reaches it",
            ],
        ),
    ],
)
def test_what_the_plant_is_served_is_said(line: str, said: list[str]) -> None:
    assert [text for what, text in describe(load_line(CONFIG / line)) if what == "plant"] == said
