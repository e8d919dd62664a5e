"""Release in time: when an order is placed and for when, what its window permits, and that it is never repeated."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.model import Fate, Miss, ProductFate, State
from controller.registers import AckResult, Command, OrderKind, Release, Status
from controller.spec import Counter, Limits, LineSpec, ReleasePath
from sim.belt import Ramp, Steady
from sim.script import Happening, Kind
from tests.unit.core_kit import MS, PERIOD_NS, SECOND, Rig, line_spec, station

ROW = [(60.0 + 40.0 * n + 0.037 * n, 20.0) for n in range(30)]


def timed(**more: object) -> LineSpec:
    return line_spec(stations=(station(release=ReleasePath.TIMED, **more),))  # type: ignore[arg-type]


def orders(rig: Rig) -> list[Command]:
    """What was written, from the outcomes."""
    return [o.command for o in rig.outcomes if o.command.order_kind]


@pytest.mark.parametrize("counter", [Counter(), Counter(1 << 16, -1), Counter(36_000, 1)])
def test_every_product_is_marked_once_within_a_count_while_the_speed_changes(counter: Counter) -> None:
    rig = Rig(
        replace(timed(), counter=counter), ROW,
        belt=(Steady(100.0, SECOND), Ramp(300.0, 2 * SECOND), Steady(300.0)), start_raw=counter.modulus - 7,
    )  # fmt: skip
    rig.start()
    rig.until(lambda: len(rig.marks) == 30, 8.0)
    rig.run(0.2)
    errors = [m.position_mm - lead - 200.0 for m, (lead, _) in zip(rig.marks, ROW, strict=True)]
    assert max(map(abs, errors)) <= 0.15  # a count is 0.1 mm, and half of one is the edge's own
    assert rig.line.book.counters.products[ProductFate.MARKED] == 30
    assert {c.order_kind for c in orders(rig)} == {OrderKind.RELEASE_NOW}
    assert len(orders(rig)) == 30, "an order was sent twice"


def test_a_marker_that_answers_late_is_told_so_much_earlier() -> None:
    belt = (Steady(100.0, 2 * SECOND), Ramp(400.0, SECOND), Steady(400.0))
    rig = Rig(timed(response_s=0.020), ROW, belt=belt)
    rig.start()
    rig.until(lambda: len(rig.marks) == 30, 9.0)
    errors = [m.position_mm - lead - 200.0 for m, (lead, _) in zip(rig.marks, ROW, strict=True)]
    assert max(map(abs, errors)) <= 0.25


def test_an_order_is_sent_at_its_moment_and_the_window_stands_round_its_target() -> None:
    rig = Rig(timed(window_mm=1.5), ROW[:1])
    rig.start()
    rig.until(lambda: any(o.send_at_ns is not None for o in rig.outcomes))
    outcome = rig.outcomes[-1]
    assert outcome.send_at_ns is not None
    assert not outcome.at_once
    assert 0 < outcome.send_at_ns - rig.now_ns < 2 * PERIOD_NS
    [order] = orders(rig)
    assert order.order_last - order.order_count == 31  # 1.5 mm each way, to whole counts outward
    rig.scan()
    assert len(rig.marks) == 1
    assert rig.history[-1][0].sent_ns == outcome.send_at_ns


@pytest.mark.parametrize("lost", ["both", "reply"])
def test_an_order_whose_exchange_failed_is_not_sent_again(lost: str) -> None:
    rig = Rig(timed(), ROW[:3])
    rig.start()
    rig.until(lambda: rig.outcomes[-1].send_at_ns is not None)
    rig.scan(lost=lost)
    rig.run(1.0)
    assert len(rig.marks) == (3 if lost == "reply" else 2)
    first = rig.fates[0]
    assert first.fate is (Fate.MARKED if lost == "reply" else Fate.MISSED)
    assert first.reason is (None if lost == "reply" else Miss.VOID)
    assert len(orders(rig)) == 3
    assert rig.line.state is State.EXECUTE


@pytest.mark.parametrize(("late_ms", "fate"), [(3, Fate.MARKED), (60, Fate.MISSED)])
def test_an_order_that_comes_outside_its_window_is_no_mark(late_ms: int, fate: Fate) -> None:
    rig = Rig(timed(window_mm=2.0), ROW[:1])
    rig.start()
    rig.until(lambda: rig.outcomes[-1].send_at_ns is not None)
    rig.next_ns += late_ms * MS  # the loop was held up: 100 mm/s, 2 mm are 20 ms
    rig.run(0.5)
    [done] = rig.fates
    assert done.fate is fate
    if fate is Fate.MISSED:
        assert (done.reason, rig.marks) == (Miss.LATE, [])
    assert rig.line.state is State.EXECUTE


def test_a_belt_that_slows_down_gets_another_order_in_time() -> None:
    rig = Rig(timed(window_mm=0.2), ROW[:1])
    rig.start()
    rig.until(lambda: rig.outcomes[-1].send_at_ns is not None)
    rig.next_ns -= 4 * MS  # sent too early: refused as before the window
    rig.run(0.5)
    [done] = rig.fates
    assert done.fate is Fate.MARKED
    assert [c.order_kind for c in orders(rig)] == [OrderKind.RELEASE_NOW] * 2
    assert abs(rig.marks[0].position_mm - ROW[0][0] - 200.0) <= 0.15


def test_what_a_standing_belt_has_carried_past_is_late_and_what_it_has_not_waits() -> None:
    belt = (Steady(100.0, SECOND), Steady(0.0, SECOND), Steady(100.0))
    rig = Rig(timed(), ROW[:4], belt=belt)
    rig.start()
    rig.run(5.5)
    assert [e.fate for e in rig.fates] == [Fate.MARKED] * 4


def test_a_scan_too_late_for_its_order_misses_it_as_late() -> None:
    rig = Rig(replace(timed(window_mm=0.5), limits=Limits(lease_s=1.0, link_lost_s=1.0)), ROW[:2])
    rig.start()
    rig.until(lambda: len(rig.line.book.products) == 1 and rig.line.book.head(0) is not None)
    due = rig.line.book.head(0)
    assert due is not None
    rig.until(lambda: due.due - rig.line.travel.counts < 120)
    rig.next_ns += 150 * MS  # nothing was read while its place went by
    rig.run(1.0)
    assert [(e.fate, e.reason) for e in rig.fates] == [(Fate.MISSED, Miss.LATE), (Fate.MARKED, None)]


def test_a_release_outside_the_window_that_was_sent_is_a_fault() -> None:
    def shifted(status: Status) -> Status:
        moved = tuple(Release(r.token, r.result, r.count + 300) if r.token else r for r in status.releases)
        return replace(status, releases=moved)

    rig = Rig(timed(), ROW[:1])
    rig.start()
    rig.until(lambda: rig.outcomes[-1].send_at_ns is not None)
    rig.tamper = shifted
    rig.run(0.2)
    assert rig.line.faults.totals["release_misplaced"] == 1
    assert rig.line.state is State.ABORTED


def test_an_interlock_that_opens_before_the_order_arrives_forbids_it() -> None:
    rig = Rig(timed(), ROW[:2])
    rig.start()
    rig.until(lambda: rig.outcomes[-1].send_at_ns is not None)
    at_ns = rig.next_ns - 1
    rig = Rig(timed(), ROW[:2], happenings=[Happening(Kind.INTERLOCK_OPEN, at_ns=at_ns, number=1, duration_ns=1000)])
    rig.start()
    rig.until(State.ABORTED)
    assert rig.marks == []
    assert [(e.fate, e.reason) for e in rig.fates] == [(Fate.MISSED, Miss.VOID)] * len(rig.fates)


def test_dry_orders_nothing_and_records_each_mark() -> None:
    rig = Rig(replace(timed(), dry=True), ROW[:5])
    rig.start()
    rig.run(4.5)
    assert [e.fate for e in rig.fates] == [Fate.DRY] * 5
    assert orders(rig) == []
    assert rig.marks == []


def test_the_delay_that_releases_show_takes_the_place_of_half_an_exchange() -> None:
    rig = Rig(timed(), ROW)
    rig.start()
    rig.until(lambda: len(rig.marks) == 10, 8.0)
    rig.run(0.02)
    assert rig.line.outbound.delay_ns == pytest.approx(150_000, abs=400_000)  # 0.04 count at 100 mm/s


def test_an_answer_that_refuses_is_told_as_for_any_order() -> None:
    def full(status: Status) -> Status:
        return replace(status, ack_result=int(AckResult.TOO_FAR)) if status.ack_result else status

    rig = Rig(timed(), ROW[:1])
    rig.start()
    rig.until(lambda: rig.outcomes[-1].send_at_ns is not None)
    rig.tamper = full
    rig.scan()
    assert "order_refused" in rig.line.faults.totals or rig.fates[0].fate is Fate.MARKED
