"""Which request is ordered when, and why one that no order can reach is missed."""

from __future__ import annotations

import pytest

from controller.events import RequestDone
from controller.lead import lead_mm
from controller.model import Miss
from controller.ordering import lead_counts
from controller.registers import OrderKind
from controller.spec import Counter, MarkPlan
from sim.belt import Ramp, Steady
from sim.marker import MarkerSpec
from tests.unit.core_kit import MS, SECOND, Rig, line_spec, station


def misses(rig: Rig) -> list[Miss | None]:
    return [e.reason for e in rig.fates if e.reason is not None]


def test_an_order_goes_out_with_the_lead_and_no_earlier() -> None:
    rig = Rig(products=[(100.0, 20.0)])
    rig.start()
    rig.until(lambda: not rig.line.orders.free)
    request = rig.line.orders.outstanding
    assert request is not None
    away_mm = (request.due - rig.line.travel.counts) * 0.1
    lead = lead_mm(100.0, 1000.0, rig.line.link.lead_s)
    assert lead - 100.0 * 0.006 < away_mm <= lead + 0.1


def test_the_lead_never_exceeds_an_eighth_of_the_counters_range() -> None:
    rig = Rig(line_spec(counter=Counter(1 << 16), max_accel_mm_s2=1e9))
    rig.run(0.05)
    assert lead_counts(rig.line, 1e9) == (1 << 16) / 8


def test_too_near_is_missed_as_late_and_never_marked_late() -> None:
    rig = Rig(line_spec(stations=(station(0.1),)), [(60.0 + 40.0 * n, 20.0) for n in range(5)])
    rig.start()
    rig.run(4.0)
    assert misses(rig) == [Miss.LATE] * 5
    assert rig.marks == []


def test_faster_than_the_marker_can_is_missed_as_too_fast() -> None:
    products = [(60.0 + 40.0 * n, 20.0) for n in range(15)]
    rig = Rig(
        line_spec(stations=(station(max_speed_mm_s=150.0),)), products,
        belt=(Steady(100.0, 4 * SECOND), Ramp(200.0, SECOND), Steady(200.0)),
    )  # fmt: skip
    rig.start()
    rig.run(8.0)
    assert rig.line.book.pending == 0
    assert misses(rig) == [Miss.TOO_FAST] * (15 - len(rig.marks))
    assert 0 < len(rig.marks) < 15
    assert max(m.speed_mm_s for m in rig.marks) < 155.0
    for event in rig.fates:
        if event.reason is Miss.TOO_FAST:
            assert event.speed_mm_s is not None
            assert event.speed_mm_s > 150.0


def test_a_full_compare_holds_orders_back_and_what_that_makes_late_is_full() -> None:
    plan = MarkPlan(pitch_mm=0.6, count=6)
    rig = Rig(
        line_spec(stations=(station(100.0, plan=plan),)), [(60.0, 20.0)], markers=[MarkerSpec(100.0, depth=1)]
    )  # fmt: skip
    rig.start()
    rig.run(2.5)
    assert set(misses(rig)) <= {Miss.FULL}
    assert len(rig.marks) + len(misses(rig)) == 6
    most = max(image.status.armed for image, _ in rig.history if image.status is not None)
    assert most == 1


def test_products_closer_than_the_marker_can_serve_are_busy() -> None:
    rig = Rig(
        line_spec(stations=(station(mark_time_s=0.1, rearm_s=0.05),)), [(60.0 + 10.0 * n, 5.0) for n in range(20)]
    )  # fmt: skip
    rig.start()
    rig.run(5.0)
    assert (len(rig.marks), misses(rig)) == (10, [Miss.BUSY] * 10)


def test_the_nearest_due_of_all_stations_is_ordered_first() -> None:
    stations = (station(100.2, "flap"), station(100.0, "lid"), station(100.1, "side"))
    rig = Rig(line_spec(stations=stations, max_accel_mm_s2=20_000.0), [(60.0, 20.0)])
    rig.start()
    rig.run(2.5)
    ordered = []
    for outcome in rig.outcomes:
        order = (outcome.command.order_token, outcome.command.order_station)
        if outcome.command.order_kind is OrderKind.ARM or outcome.command.order_kind:
            ordered.append(order)
    assert [station for _, station in dict.fromkeys(ordered)] == [1, 2, 0]


def test_the_release_comes_earlier_by_the_markers_response_at_its_speed() -> None:
    for speed in (50.0, 200.0):
        rig = Rig(line_spec(stations=(station(response_s=0.010),)), [(100.0, 20.0)], belt=(Steady(speed),))
        rig.start()
        rig.until(lambda rig=rig: bool(rig.fates), 8.0)  # type: ignore[misc]
        done = rig.fates[0]
        assert done.target_counts == pytest.approx(3000 - speed * 0.010 / 0.1, abs=1.5)
        assert done.speed_mm_s == pytest.approx(speed, abs=8.0)  # whole counts in an 80 ms window, looked ahead


def test_orders_are_never_given_behind_the_belt() -> None:
    """On every path through stops and jitter an order is ahead of the belt as it is decided."""
    rig = Rig(
        products=[(60.0 + 40.0 * n, 20.0) for n in range(20)],
        belt=(Steady(300.0, SECOND), Steady(0.0, 300 * MS), Ramp(400.0, 300 * MS), Steady(400.0)),
    )
    rig.start()
    while rig.now_ns < 4 * SECOND:
        was_free = rig.line.orders.free
        rig.scan()
        request = rig.line.orders.outstanding
        if was_free and request is not None and request.target is not None:
            assert request.target > rig.line.travel.counts
    assert len(rig.marks) == 20


def test_a_request_that_was_never_ordered_has_no_target() -> None:
    stations = (station(100.0, "flap"), station(100.0, "lid"))
    rig = Rig(line_spec(stations=stations), [(60.0, 20.0)])
    rig.start()
    rig.until(lambda: not rig.line.orders.free)
    rig.scan(lost="both")
    assert rig.call("stop") == ""
    rig.run(0.5)
    never = [e for e in rig.of(RequestDone) if e.token is None]
    assert len(never) == 1
    assert never[0].target_counts is None
