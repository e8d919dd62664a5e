"""The simulated I/O side: compare, markers, captures and counts, restart (field block rules 5 to 9), and what a scenario does."""

from __future__ import annotations

import pytest

from controller.registers import (
    BACKWARD,
    AckResult,
    Capture,
    ControlBit,
    InhibitCause,
    Release,
    StatusBit,
)
from sim.belt import Steady
from sim.device_spec import DeviceSpec
from sim.marker import MarkerSpec
from sim.script import Happening, Kind
from tests.unit.sim_device_kit import MS, ON, Hand, S, released

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
