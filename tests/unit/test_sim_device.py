"""The I/O side: every rule of the field block as it stands. Each switched off: test_sim_rules_off.py."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest

from controller.registers import (
    BACKWARD,
    AckResult,
    Capture,
    Command,
    ControlBit,
    InhibitCause,
    OrderKind,
    Release,
    ReleaseResult,
    Status,
    StatusBit,
)
from sim.belt import Belt, Segment, Steady
from sim.detector import EyeSpec
from sim.device import Device
from sim.device_spec import DeviceSpec
from sim.encoder import Encoder
from sim.marker import MarkerSpec, MarkTruth
from sim.products import Product
from sim.script import Happening, Kind

S = 1_000_000_000
MS = 1_000_000
ON = ControlBit.ENABLE | ControlBit.RUNNING


class Hand:
    """Somebody who writes and reads the registers by hand. 1 mm a count unless told otherwise."""

    def __init__(
        self, parts: Sequence[Segment] = (Steady(100.0),), *, modulus: int = 1 << 32, sense: int = 1, start: int = 0,
        starts: bool = True, pieces: Sequence[tuple[float, float]] = (), markers: Sequence[MarkerSpec] = (),
        eye: EyeSpec | None = None, happenings: Sequence[Happening] = (), **spec: Any,
    ) -> None:  # fmt: skip
        belt = Belt(parts, start_ns=0 if starts else None)
        encoder = Encoder(belt, 1.0, start=start, modulus=modulus, sense=sense)
        self.marks: list[MarkTruth] = []
        supply = [Product(n, lead, length) for n, (lead, length) in enumerate(pieces, start=1)]
        self.device = Device(
            DeviceSpec(boot_id=77, interlocks=0b11, **spec), belt, encoder, iter(supply),
            markers or [MarkerSpec(300.0, 0, 20 * MS, 10 * MS, 4)],
            eye=eye, happenings=happenings, on_mark=self.marks.append,
        )  # fmt: skip
        self.heartbeat, self.token, self.t_ns = 10, 100, 0

    def write(self, t_ns: int, control: int = ON, **more: Any) -> Status:
        self.heartbeat = (self.heartbeat + 1) & 0xFFFF
        fields = {"heartbeat": self.heartbeat, "boot_id_seen": 77, "owner": 5, "lease_ms": 500, **more}
        fields.setdefault("order_token", self.token)
        self.device.write(Command(control=int(control), **fields), t_ns)
        self.t_ns = t_ns
        return self.device.read(t_ns)

    def enable(self, t_ns: int = 0, **more: Any) -> Status:
        self.write(t_ns, 0, **more)
        return self.write(t_ns, **more)

    def order(self, t_ns: int, count: int, kind: OrderKind = OrderKind.ARM, **more: Any) -> Status:
        self.token = (self.token + 1) & 0xFFFF
        return self.write(t_ns, order_kind=int(kind), order_count=count, order_token=self.token, **more)

    def keep(self, until_ns: int, step_ns: int = 100 * MS, **more: Any) -> Status:
        status = self.device.read(self.t_ns)
        while self.t_ns + step_ns <= until_ns:
            status = self.write(self.t_ns + step_ns, **more)
        return status


def released(status: Status) -> list[Release]:
    """The last eight releases, oldest first."""
    total = status.release_total
    return [status.releases[n % 8] for n in range(max(0, total - 8), total)]


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


# Rule 5: ahead, behind, too far.


@pytest.mark.parametrize(
    ("ahead", "result"),
    [(0, AckResult.LATE), (-1, AckResult.LATE), (1, AckResult.ARMED), (1 << 14, AckResult.ARMED),
     ((1 << 14) + 1, AckResult.TOO_FAR), ((1 << 15) - 1, AckResult.TOO_FAR), (1 << 15, AckResult.LATE)],
)  # fmt: skip
@pytest.mark.parametrize("start", [0, 65_530])
def test_ahead_and_behind_on_a_counter_of_16_bit(ahead: int, result: AckResult, start: int) -> None:
    hand = Hand(modulus=1 << 16, start=start)
    hand.enable(S)  # count 100
    assert hand.order(S, (start + 100 + ahead) % 65536).ack_result == result


def test_covered_ground_is_behind_even_after_backing_up() -> None:
    hand = Hand([Steady(100.0, S), Steady(-100.0, S // 2), Steady(0.0)])
    hand.enable()
    hand.keep(3 * S)  # greatest count 100, now at 50
    assert hand.order(3 * S, 80).ack_result == AckResult.LATE
    assert hand.order(3 * S, 100).ack_result == AckResult.LATE
    assert hand.order(3 * S, 101).ack_result == AckResult.ARMED
    hand.write(3 * S, 0)
    hand.write(3 * S)  # enable rises: the greatest count begins anew
    assert hand.order(3 * S, 80).ack_result == AckResult.ARMED


def test_a_target_half_the_range_away_is_dropped() -> None:
    hand = Hand([Steady(100.0, S), Steady(-100.0, 2 * S), Steady(100.0)], modulus=256)
    hand.enable()
    hand.keep(S)
    assert hand.order(S, 140).ack_result == AckResult.ARMED
    hand.keep(S + 800 * MS)
    assert hand.write(S + 869 * MS).armed == 1  # at 13, 127 away
    assert hand.write(S + 871 * MS).armed == 0  # at 12, 128 away
    hand.keep(8 * S)
    assert hand.marks == []


# Rule 6: the first forward crossing.


def test_running_backward_never_releases_and_covered_ground_does_nothing() -> None:
    hand = Hand([Steady(100.0, S), Steady(-100.0, S // 2), Steady(100.0, S), Steady(-100.0, S), Steady(100.0)])
    hand.enable()
    hand.order(MS, 70)
    hand.keep(1200 * MS)
    hand.order(1200 * MS, 110)
    status = hand.keep(6 * S)
    assert [(m.raw, m.release_ns) for m in hand.marks] == [(70, 700 * MS), (110, 2100 * MS)]
    assert status.release_total == 2


# Rule 7: busy and not ready.


def test_busy_and_not_ready_markers_are_not_triggered() -> None:
    happenings = [
        Happening(Kind.NOT_READY, 290 * MS, None, 20 * MS),
        Happening(Kind.MARKER_FAULT, 390 * MS, None, 20 * MS),
    ]
    hand = Hand(happenings=happenings)
    hand.enable()
    for target in (20, 22, 30, 40):
        hand.order(MS, target)
    hand.keep(395 * MS, 1 * MS)
    assert hand.device.read(395 * MS).bits & StatusBit.MARKER_FAULT
    status = hand.keep(S)
    assert [r.result for r in released(status)] == [1, 2, 3, 3]
    assert [m.raw for m in hand.marks] == [20]
    assert status.done_total == 1


def test_a_fault_during_a_mark_leaves_it_unreported_and_before_it_prevents_it() -> None:
    marker = MarkerSpec(300.0, 20 * MS, 50 * MS, 0, 4)
    hand = Hand(markers=[marker], happenings=[
        Happening(Kind.MARKER_FAULT, 230 * MS, None, MS), Happening(Kind.MARKER_FAULT, 410 * MS, None, 20 * MS),
    ])  # fmt: skip
    hand.enable()
    hand.order(MS, 20)
    hand.order(MS, 40)
    status = hand.keep(S)
    assert (len(hand.marks), status.done_total, status.release_total) == (1, 0, 2)


# Rule 8: counts, captures, sense.


def test_captures_hold_the_count_at_the_edge_and_the_direction() -> None:
    hand = Hand([Steady(100.0, S), Steady(-100.0, S), Steady(100.0)], pieces=[(20.5, 30.0)], start=1000)
    status = hand.device.read(3 * S)
    assert status.capture_total == 6
    assert status.captures[:6] == (
        Capture(1, 1020), Capture(2, 1050), Capture(1 | BACKWARD, 1050), Capture(2 | BACKWARD, 1020),
        Capture(1, 1020), Capture(2, 1050),
    )  # fmt: skip


def test_the_ring_keeps_the_last_eight() -> None:
    hand = Hand(pieces=[(10.0 * n, 5.0) for n in range(1, 12)])
    status = hand.device.read(2 * S)
    assert status.capture_total == 22
    assert status.captures[(22 - 1) % 8] == Capture(2, 115)
    assert status.captures[22 % 8] == Capture(1, 80)


def test_forward_counting_down_is_the_mirror() -> None:
    hand = Hand(sense=-1, start=65_500, modulus=1 << 16, pieces=[(20.5, 30.0)])
    down = ControlBit.FORWARD_COUNTS_DOWN
    hand.write(0, down)
    status = hand.write(0, ON | down)
    assert status.bits & StatusBit.FORWARD_COUNTS_DOWN
    status = hand.order(MS, 65_440, control=ON | down)
    assert status.ack_result == AckResult.ARMED
    assert hand.order(MS, 65_510, control=ON | down).ack_result == AckResult.LATE
    status = hand.keep(S, control=ON | down)
    assert released(status) == [Release(101, 1, 65_440)]
    assert hand.marks[0].position_mm == pytest.approx(60.0)
    assert status.captures[0] == Capture(1, 65_480)


def test_with_the_sense_set_wrong_forward_runs_backward() -> None:
    hand = Hand([Steady(100.0, S), Steady(-100.0)], sense=-1, start=1000, pieces=[(20.5, 30.0)])
    hand.enable()  # told that forward counts up, but the count goes down
    assert hand.order(MS, 990).ack_result == AckResult.LATE
    status = hand.keep(400 * MS)
    assert status.captures[0] == Capture(1 | BACKWARD, 980)
    assert hand.order(400 * MS, 1005).ack_result == AckResult.ARMED
    hand.keep(3 * S)
    (mark,) = hand.marks
    assert (mark.raw, mark.position_mm) == (1005, pytest.approx(-4.0, abs=1e-6))


def test_the_sense_changes_only_while_enable_is_low() -> None:
    hand = Hand()
    hand.enable()
    status = hand.write(MS, ON | ControlBit.FORWARD_COUNTS_DOWN)
    assert not status.bits & StatusBit.FORWARD_COUNTS_DOWN


def test_a_counter_just_below_its_wrap() -> None:
    hand = Hand(start=(1 << 32) - 30)
    hand.enable()
    assert hand.order(MS, 20).ack_result == AckResult.ARMED
    hand.keep(S)
    assert hand.marks[0].position_mm == pytest.approx(50.0)


# Rule 9: restart.


@pytest.mark.parametrize("outage_ns", [None, 50 * MS])
def test_a_restart_voids_everything(outage_ns: int | None) -> None:
    hand = Hand(happenings=[Happening(Kind.IO_RESTART, 300 * MS, None, outage_ns)], pieces=[(10.0, 5.0)], start=500)
    hand.enable()
    hand.order(MS, 590)
    assert hand.write(290 * MS).capture_total == 2
    assert hand.device.link_down(310 * MS) == (outage_ns is not None)
    status = hand.device.read(360 * MS)
    assert status.boot_id != 77
    assert (status.armed, status.capture_total, status.owner, status.ack_token) == (0, 0, 0, 0)
    assert status.belt_count == (6 if outage_ns is None else 1)
    boot = status.boot_id
    status = hand.order(370 * MS, 90, boot_id_seen=boot)  # only a baseline
    assert (status.ack_result, status.inhibit_cause) == (AckResult.NONE, InhibitCause.ENABLE_NOT_CYCLED)
    assert hand.order(380 * MS, 90, boot_id_seen=boot).ack_result == AckResult.INHIBITED
    hand.write(390 * MS, 0, boot_id_seen=boot)
    hand.write(400 * MS, boot_id_seen=boot)
    assert hand.order(410 * MS, 90, boot_id_seen=boot).ack_result == AckResult.ARMED
    hand.keep(3 * S, boot_id_seen=boot)
    assert [m.raw for m in hand.marks] == [90]


# What else a scenario does.


def test_line_bits_job_freeze_and_link() -> None:
    hand = Hand(happenings=[
        Happening(Kind.UPSTREAM_EMPTY, 100 * MS, None, 100 * MS), Happening(Kind.DOWNSTREAM_BLOCKED, 150 * MS),
        Happening(Kind.STOP_REQUESTED, None, 16.0), Happening(Kind.JOB_LOADED, 170 * MS, None, 30 * MS, 9),
        Happening(Kind.FREEZE_HEARTBEAT, 300 * MS, None, 100 * MS), Happening(Kind.LINK_DROP, 500 * MS, None, 10 * MS),
        Happening(Kind.DOWNSTREAM_BLOCKED, 450 * MS, on=False),
    ])  # fmt: skip
    hand.enable(job_number=4)
    assert hand.device.read(99 * MS).job_loaded == 4
    up, down, stop = StatusBit.UPSTREAM_EMPTY, StatusBit.DOWNSTREAM_BLOCKED, StatusBit.STOP_REQUESTED
    status = hand.write(180 * MS, job_number=4)
    assert (status.bits & (up | down | stop), status.job_loaded) == (up | down | stop, 9)
    status = hand.write(200 * MS, job_number=4)
    assert (status.bits & (up | down | stop), status.job_loaded) == (down | stop, 4)
    echo = status.heartbeat_echo
    assert hand.write(300 * MS).heartbeat_echo == echo
    assert hand.write(400 * MS).heartbeat_echo != echo
    assert not hand.write(450 * MS).bits & down
    assert [hand.device.link_down(t * MS) for t in (499, 500, 509, 510)] == [False, True, True, False]


def test_next_event_leaves_out_counts_and_the_markers_cycle() -> None:
    drop = Happening(Kind.LINK_DROP, 400 * MS)
    hand = Hand([Steady(100.0, S), Steady(0.0)], pieces=[(20.0, 10.0)], happenings=[drop])
    hand.enable()
    hand.order(0, 25)
    seen, t = [], 0
    while (event := hand.device.next_event_ns(t, lease_kept=True)) is not None:
        hand.device.keep_lease(event, hand.heartbeat)
        seen.append(event // MS)
        t = event
    assert seen == [200, 250, 300, 400, 1000]


def test_a_marker_whose_busy_tells_of_the_mark_itself_is_neither_busy_nor_ready_before_and_after_it() -> None:
    hand = Hand(markers=[MarkerSpec(300.0, 30 * MS, 20 * MS, 10 * MS, 4, busy_marks=True)])
    hand.enable()
    hand.order(0, 20)
    hand.order(0, 21)
    flags = StatusBit.MARKER_READY | StatusBit.MARKER_BUSY
    seen, t = {}, 0
    while t < 300 * MS:
        hand.keep(t, 5 * MS)
        seen[t // MS] = hand.device.read(t).bits & flags
        t += 5 * MS
    changes = {at: bits for at, bits in seen.items() if bits != seen.get(at - 5)}
    assert changes == {
        0: StatusBit.MARKER_READY,
        200: 0,
        230: StatusBit.MARKER_BUSY,
        250: 0,
        260: flags & ~StatusBit.MARKER_BUSY,
    }
    assert [r.result for r in released(hand.device.read(300 * MS))] == [1, 3]
    events, t = [], 200 * MS
    hand = Hand(markers=[MarkerSpec(300.0, 30 * MS, 20 * MS, 10 * MS, 4, busy_marks=True)])
    hand.enable()
    hand.order(0, 20)
    hand.device.keep_lease(t, hand.heartbeat)
    while (event := hand.device.next_event_ns(t, lease_kept=True)) is not None:
        events.append(event // MS)
        t = event
    assert events == [230, 250, 260]


def test_the_profile_waits_for_running() -> None:
    hand = Hand(starts=False, pieces=[(10.0, 5.0)], happenings=[Happening(Kind.UPSTREAM_EMPTY, 50 * MS)])
    hand.write(S, 0)
    assert hand.device.next_event_ns(S, lease_kept=True) is None
    assert not hand.device.read(S).bits & StatusBit.DRIVE_RUNNING
    hand.write(2 * S)
    assert hand.device.running
    status = hand.device.read(2 * S + 120 * MS)
    assert (status.belt_count, status.captures[0]) == (12, Capture(1, 10))
    wanted = StatusBit.DRIVE_RUNNING | StatusBit.UPSTREAM_EMPTY | StatusBit.DETECTOR_BLOCKED
    assert status.bits & wanted == wanted
    assert hand.device.travel_at(2 * S + 120 * MS) == 12
    assert hand.device.time_of_travel_ns(20, 2 * S) == 2 * S + 200 * MS


def test_the_clock_of_the_device_wraps() -> None:
    hand = Hand(sample_us=(1 << 32) - 10)
    assert hand.device.read(9_999).sample_us == (1 << 32) - 1
    assert hand.device.read(10_000).sample_us == 0


def test_time_does_not_run_backward_and_unknown_rules_are_refused() -> None:
    hand = Hand()
    hand.device.advance(S)
    with pytest.raises(ValueError, match="cannot go back"):
        hand.device.read(S - 1)
    with pytest.raises(ValueError, match="rule 4 cannot"):
        DeviceSpec(rules_off=frozenset({4}))
