"""The simulated I/O side: what permits and inhibits, heartbeat and owner, orders (field block rules 1 to 4)."""

from __future__ import annotations

import pytest

from controller.registers import (
    AckResult,
    Command,
    ControlBit,
    InhibitCause,
    OrderKind,
    Release,
    ReleaseResult,
    StatusBit,
)
from sim.marker import MarkerSpec
from sim.script import Happening, Kind
from tests.unit.sim_device_kit import MS, ON, Hand, S, released


def test_a_target_is_released_at_its_count_and_the_mark_lands_there() -> None:
    hand = Hand()
    hand.enable()
    status = hand.order(10 * MS, 50)
    assert (status.ack_token, status.ack_result, status.ack_count) == (101, AckResult.ARMED, 50)
    assert (status.armed, status.depth, status.inhibit_cause) == (1, 4, InhibitCause.NONE)
    status = hand.device.read(500 * MS - 1)
    assert (status.armed, status.release_total, status.belt_count) == (1, 0, 49)
    status = hand.device.read(500 * MS)
    assert (status.armed, status.release_total) == (0, 1)
    assert released(status) == [Release(101, ReleaseResult.RELEASED, 50)]
    assert status.bits & StatusBit.MARKER_BUSY
    assert not status.bits & StatusBit.MARKER_READY
    (mark,) = hand.marks
    assert (mark.release_ns, mark.mark_ns, mark.position_mm) == (500 * MS, 500 * MS, pytest.approx(50.0))
    assert hand.device.read(519 * MS).done_total == 0
    assert hand.device.read(520 * MS).done_total == 1
    assert hand.device.read(530 * MS).bits & StatusBit.MARKER_READY


def test_the_markers_response_moves_the_mark_not_the_release() -> None:
    hand = Hand(markers=[MarkerSpec(300.0, 40 * MS, 20 * MS, 0, 4)])
    hand.enable()
    hand.order(0, 20)
    hand.device.advance(230 * MS)
    assert hand.marks == []
    hand.device.advance(240 * MS)
    assert (hand.marks[0].release_ns, hand.marks[0].position_mm) == (200 * MS, pytest.approx(24.0))


# Rule 1: what permits and what inhibits.


def test_nothing_is_armed_until_enable_was_seen_low_and_then_high() -> None:
    hand = Hand()
    status = hand.write(0)
    assert status.inhibit_cause == InhibitCause.ENABLE_NOT_CYCLED
    assert hand.order(MS, 50).ack_result == AckResult.INHIBITED
    assert hand.write(2 * MS, 0).inhibit_cause == InhibitCause.ENABLE_LOW
    assert hand.write(3 * MS).inhibit_cause == InhibitCause.NONE
    assert hand.order(4 * MS, 50).ack_result == AckResult.ARMED


LOSSES = {
    "enable low": ((), {"control": 0}, InhibitCause.ENABLE_LOW),
    "wrong boot id": ((), {"boot_id_seen": 3}, InhibitCause.WRONG_BOOT_ID),
    "no lease": ((), {"lease_ms": 0}, InhibitCause.LEASE_EXPIRED),
    "interlock": ((Happening(Kind.INTERLOCK_OPEN, 100 * MS, number=1),), {}, InhibitCause.INTERLOCK),
    "blink": ((Happening(Kind.INTERLOCK_OPEN, 100 * MS, None, 1, 1),), {}, InhibitCause.INTERLOCK),
}


@pytest.mark.parametrize("name", LOSSES)
def test_losing_a_condition_drops_all_and_gives_nothing_back(name: str) -> None:
    happenings, change, cause = LOSSES[name]
    hand = Hand(happenings=happenings)
    hand.enable()
    assert hand.order(MS, 50).armed == 1
    status = hand.write(110 * MS, **change)
    assert (status.armed, status.inhibit_cause) == (0, cause)
    assert status.bits & StatusBit.INHIBITED
    status = hand.write(120 * MS)  # the condition is met again
    assert status.armed == 0
    if name != "enable low":  # that one has been seen low, and is high now
        assert status.bits & StatusBit.INHIBITED
        assert hand.order(130 * MS, 60).ack_result == AckResult.INHIBITED
    hand.keep(700 * MS)
    assert hand.marks == []
    hand.write(700 * MS, 0)
    status = hand.write(710 * MS)
    assert bool(status.bits & StatusBit.INHIBITED) == (name == "interlock")


def test_a_blink_is_remembered_until_enable_rises() -> None:
    hand = Hand(happenings=[Happening(Kind.INTERLOCK_OPEN, 100 * MS, None, MS, 1)])
    assert hand.enable().interlocks_opened == 0
    status = hand.write(110 * MS)
    assert (status.interlocks, status.interlocks_opened) == (0b11, 0b10)
    assert hand.write(120 * MS, 0).interlocks_opened == 0b10
    assert hand.write(130 * MS).interlocks_opened == 0


def test_the_lease_runs_out_at_its_very_end() -> None:
    hand = Hand()
    hand.enable(lease_ms=100)
    hand.order(0, 9, lease_ms=100)
    assert hand.device.next_event_ns(0) == 90 * MS
    hand.order(0, 10, lease_ms=100)
    status = hand.device.read(100 * MS)  # the second target is due in the instant in which the lease ends
    assert (status.armed, status.release_total, status.inhibit_cause) == (0, 1, InhibitCause.LEASE_EXPIRED)


def test_the_lease_is_capped() -> None:
    hand = Hand(lease_limit_ns=200 * MS)
    hand.enable(lease_ms=60_000)
    assert hand.device.next_event_ns(0) == 200 * MS
    assert hand.device.next_event_ns(0, lease_kept=True) is None


def test_kept_lease_stands_for_skipped_requests() -> None:
    hand = Hand()
    hand.enable(lease_ms=100)
    hand.device.keep_lease(5 * S, 4711)
    status = hand.device.read(5 * S + 99 * MS)
    assert (status.heartbeat_echo, status.inhibit_cause) == (4711, InhibitCause.NONE)
    assert hand.device.read(5 * S + 100 * MS).inhibit_cause == InhibitCause.LEASE_EXPIRED


# Rule 2: heartbeat and owner.


@pytest.mark.parametrize("step", [0, -1, -200, 1 << 15])
def test_a_request_whose_heartbeat_is_not_ahead_is_ignored_whole(step: int) -> None:
    hand = Hand()
    hand.enable()
    before = hand.device.read(10 * MS)
    late = Command((hand.heartbeat + step) & 0xFFFF, 0, 77, 5, 500, 3, int(OrderKind.ARM), 0, 50, 0, hand.token + 1)
    hand.device.write(late, 10 * MS)
    assert hand.device.read(10 * MS) == before


def test_the_heartbeat_may_wrap() -> None:
    hand = Hand()
    hand.heartbeat = 65533
    hand.enable()
    assert hand.order(MS, 50).armed == 1
    assert hand.write(2 * MS).heartbeat_echo == 1


def test_another_owner_is_refused_while_the_lease_is_fresh() -> None:
    hand = Hand()
    hand.enable()
    hand.order(MS, 90)
    status = hand.write(2 * MS, 0, owner=6)
    assert (status.owner, status.armed) == (5, 1)
    assert hand.write(3 * MS, owner=0).owner == 5


def test_a_new_owner_starts_low_and_its_first_token_is_a_baseline() -> None:
    hand = Hand()
    hand.enable(lease_ms=100)
    hand.order(MS, 90, lease_ms=100)
    hand.heartbeat, hand.token = 60_000, 40_000
    status = hand.order(200 * MS, 95, owner=6)
    assert (status.owner, status.armed, status.ack_token, status.ack_result) == (6, 0, 40_001, AckResult.NONE)
    assert status.inhibit_cause == InhibitCause.ENABLE_NOT_CYCLED
    assert hand.order(210 * MS, 95, owner=6).ack_result == AckResult.INHIBITED
    # The old process's late write comes after the new one has started: nothing of it is taken up.
    before = hand.device.read(220 * MS)
    hand.device.write(Command(13, int(ON), 77, 5, 500, 0, int(OrderKind.ARM), 0, 99, 0, 102), 220 * MS)
    assert hand.device.read(220 * MS) == before


# Rules 3 and 4: orders.


def test_a_repeated_token_is_nothing_new_and_its_answer_stays() -> None:
    hand = Hand()
    hand.enable()
    hand.order(MS, 50)
    for n in range(3):
        status = hand.write((2 + n) * MS, order_kind=1, order_count=60, order_token=hand.token)
        assert (status.armed, status.ack_token, status.ack_count) == (1, hand.token, 50)
    assert hand.write(9 * MS, order_kind=1, order_count=60, order_token=hand.token - 1).armed == 1


def test_control_bits_come_before_flush_and_flush_before_the_order() -> None:
    hand = Hand()
    hand.enable()
    hand.order(MS, 50)
    status = hand.order(2 * MS, 60, control=ON | ControlBit.FLUSH)
    assert (status.armed, status.ack_result) == (1, AckResult.ARMED)
    assert status.bits & StatusBit.FLUSH_DONE
    assert hand.order(3 * MS, 70, control=ON | ControlBit.FLUSH).armed == 2  # no rising edge, no flush
    status = hand.order(4 * MS, 80, control=0)
    assert (status.armed, status.ack_result) == (0, AckResult.INHIBITED)
    assert not status.bits & StatusBit.FLUSH_DONE


def test_an_order_with_the_wrong_boot_id_says_so() -> None:
    hand = Hand()
    hand.enable()
    assert hand.order(MS, 50, boot_id_seen=1).ack_result == AckResult.WRONG_BOOT_ID


def test_cancel_takes_one_target_out_by_its_token() -> None:
    hand = Hand()
    hand.enable()
    hand.order(MS, 50)
    hand.order(2 * MS, 60)
    status = hand.order(3 * MS, 0, OrderKind.CANCEL, order_last=0xABCD_0000 | 101)
    assert (status.armed, status.ack_result) == (1, AckResult.CANCELLED)
    assert hand.order(4 * MS, 0, OrderKind.CANCEL, order_last=101).ack_result == AckResult.LATE
    hand.keep(S)
    assert [m.token for m in hand.marks] == [102]


def test_release_now_within_its_window_only() -> None:
    hand = Hand()
    hand.enable(100 * MS)  # count 10
    for first, last, result in ((11, 20, 8), (3, 9, 8), (10, 10, 1)):
        status = hand.order(100 * MS, first, OrderKind.RELEASE_NOW, order_last=last)
        assert status.ack_result == result
    assert released(status) == [Release(hand.token, ReleaseResult.RELEASED, 10)]
    assert len(hand.marks) == 1
    status = hand.order(100 * MS, 5, OrderKind.RELEASE_NOW, order_last=15)
    assert released(status)[-1].result == ReleaseResult.MARKER_BUSY


def test_the_compare_has_a_depth_for_each_station() -> None:
    hand = Hand(markers=[MarkerSpec(300.0, mark_ns=MS, depth=1), MarkerSpec(400.0, mark_ns=MS, depth=2)])
    hand.enable()
    assert hand.order(MS, 50).ack_result == AckResult.ARMED
    assert hand.order(2 * MS, 60).ack_result == AckResult.FULL
    assert hand.order(3 * MS, 60, order_station=1).ack_result == AckResult.ARMED
    status = hand.order(4 * MS, 60, order_station=1)
    assert (status.armed, status.stations[0].armed, status.stations[0].depth) == (1, 2, 2)
    assert hand.order(5 * MS, 70, order_station=1).ack_result == AckResult.FULL
    assert hand.order(6 * MS, 70, order_station=7).ack_result == AckResult.FULL
    status = hand.keep(S)
    assert sorted((m.station, m.raw) for m in hand.marks) == [(0, 50), (1, 60)]
    assert [r.result for r in released(status)] == [1, 1, ReleaseResult.MARKER_BUSY]
