"""A plain device's rules, kept on our side: pulses, permission, triggers written once, and what the status then says."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.plain import NOBODY_KNOWS, PlainInputs, PlainOutputs, PlainSide, StationInputs
from controller.registers import (
    AckResult,
    Command,
    ControlBit,
    InhibitCause,
    OrderKind,
    ReleaseResult,
    Status,
    StatusBit,
)
from controller.spec import Counter, LineSpec, Plain, PlainStation
from tests.unit.core_kit import MS, line_spec, station

BOOT = 9
PERIOD = 5 * MS
ALL_CLOSED = 0b11


def spec(
    *, told: bool = False, stations: int = 1, watchdog_s: float | None = 0.2, counter: Counter | None = None
) -> LineSpec:
    plain = Plain((PlainStation(0.012, told),) * stations, watchdog_s=watchdog_s)
    return line_spec(stations=(station(mark_time_s=0.03),) * stations, plain=plain, counter=counter or Counter())


class Talk:
    """Exchanges with a device that has always just answered, unless told otherwise."""

    def __init__(self, line: LineSpec | None = None) -> None:
        self.line = line or spec()
        self.side = PlainSide(self.line, BOOT)
        self.now = 0
        self.heartbeat = 0
        self.control = 0
        self.token = 100
        self.inputs = PlainInputs(5000, (StationInputs(),) * len(self.line.stations), interlocks=ALL_CLOSED)
        self.outputs = PlainOutputs(False, False, ())

    def go(self, *, answered: bool = True, order: tuple[int, int, int] | None = None, **told: object) -> Status:
        """One exchange; `order` is station, first and last count. Without an answer the status is an empty one."""
        self.now += PERIOD
        self.heartbeat += 1
        self.inputs = replace(self.inputs, **told)  # type: ignore[arg-type]
        kind = OrderKind.NONE
        if order is not None:
            kind, self.token = OrderKind.RELEASE_NOW, self.token + 1
        where = order or (0, 0, 0)
        command = Command(self.heartbeat, self.control, BOOT, 77, 250, 0, int(kind), *where, self.token)
        self.outputs = self.side.step(command, self.inputs, self.now)
        return self.side.answered(self.now + MS) if answered else Status()

    def marker(self, **told: object) -> None:
        """What the first marker tells from now on."""
        first, *others = self.inputs.stations
        self.inputs = replace(self.inputs, stations=(replace(first, **told), *others))  # type: ignore[arg-type]

    def enabled(self) -> Talk:
        self.go()
        self.control = int(ControlBit.ENABLE)
        assert not self.go().bits & StatusBit.INHIBITED
        assert self.outputs.enable
        return self

    def mark(self, **how: object) -> Status:
        return self.go(order=(0, 4990, 5010), **how)  # type: ignore[arg-type]


def test_enable_needs_low_and_then_high_and_every_interlock_closed() -> None:
    talk = Talk()
    talk.control = int(ControlBit.ENABLE)
    assert talk.go().inhibit_cause == InhibitCause.ENABLE_NOT_CYCLED
    assert not talk.outputs.enable
    talk.control = 0
    assert talk.go(interlocks=0b01).inhibit_cause == InhibitCause.ENABLE_LOW
    talk.control = int(ControlBit.ENABLE)
    assert talk.go().inhibit_cause == InhibitCause.INTERLOCK
    assert talk.go(interlocks=ALL_CLOSED).inhibit_cause == InhibitCause.INTERLOCK, "closing gives nothing back"
    assert not talk.outputs.enable


def test_a_trigger_is_held_for_its_width_and_then_low() -> None:
    talk = Talk().enabled()
    status = talk.mark()
    assert talk.outputs == PlainOutputs(True, False, (True,), rising=True)
    assert (status.ack_token, status.ack_result) == (talk.token, AckResult.ARMED)
    assert status.releases[0].result == ReleaseResult.RELEASED
    assert status.releases[0].count == 5000
    held = []
    for _ in range(5):
        talk.go()
        held.append(talk.outputs.triggers[0])
        assert not talk.outputs.rising
    # Answered at 1 ms past its scan: 4 and 9 ms are short of the width of 12 ms, 14 ms are not.
    assert held == [True, True, False, False, False]


def test_an_order_while_the_pulse_lasts_finds_the_marker_busy_and_one_after_it_does_not() -> None:
    talk = Talk().enabled()
    talk.mark()
    status = talk.mark()
    assert status.releases[1].result == ReleaseResult.MARKER_BUSY
    assert not talk.outputs.rising
    while talk.outputs.triggers[0]:
        talk.go()
    assert talk.mark().releases[2].result == ReleaseResult.RELEASED
    assert talk.outputs.rising


@pytest.mark.parametrize(
    ("told", "result"),
    [({"busy": True}, ReleaseResult.MARKER_BUSY), ({"ready": False}, ReleaseResult.MARKER_NOT_READY),
     ({"fault": True}, ReleaseResult.MARKER_NOT_READY)],
)  # fmt: skip
def test_a_marker_that_cannot_is_not_triggered(told: dict[str, object], result: ReleaseResult) -> None:
    talk = Talk().enabled()
    talk.marker(**told)
    assert talk.mark().releases[0].result == result
    assert not any(talk.outputs.triggers)


def test_an_interlock_opened_between_two_scans_drops_enable_and_the_trigger_in_the_scan_that_reads_it() -> None:
    talk = Talk().enabled()
    talk.mark()
    status = talk.go(interlocks=0b10)
    assert talk.outputs == PlainOutputs(False, False, (False,))
    assert status.interlocks_opened == 0b01
    assert status.inhibit_cause == InhibitCause.INTERLOCK
    status = talk.go(interlocks=ALL_CLOSED)
    assert not talk.outputs.enable
    assert status.interlocks_opened == 0b01, "what opened is shown until enable rises anew"


def test_an_order_in_the_exchange_that_reads_an_open_interlock_is_not_carried_out() -> None:
    talk = Talk().enabled()
    status = talk.mark(interlocks=0b00)
    assert status.ack_result == AckResult.INHIBITED
    assert not any(talk.outputs.triggers)
    assert status.release_total == 0


def test_an_order_outside_its_window_is_refused_also_across_the_wrap_and_counting_down() -> None:
    talk = Talk(spec(counter=Counter(1 << 16, -1))).enabled()
    assert talk.go(count=5, order=(0, 10, 65530)).ack_result == AckResult.ARMED  # down: from 10 over 0 to 65530
    talk = Talk(spec(counter=Counter(1 << 16, -1))).enabled()
    assert talk.go(count=11, order=(0, 10, 65530)).ack_result == AckResult.OUTSIDE_WINDOW
    talk = Talk(spec(counter=Counter(1 << 16))).enabled()
    assert talk.go(count=3, order=(0, 65530, 10)).ack_result == AckResult.ARMED
    assert talk.go(count=11, order=(0, 65530, 10)).ack_result == AckResult.OUTSIDE_WINDOW


def test_the_same_order_is_carried_out_once_however_often_it_comes() -> None:
    talk = Talk().enabled()
    talk.mark()
    while talk.outputs.triggers[0]:
        talk.go()
    talk.token -= 1
    assert talk.mark().release_total == 1
    assert not talk.outputs.rising


def test_a_trigger_that_was_not_answered_is_unconfirmed_and_never_repeated() -> None:
    talk = Talk().enabled()
    talk.mark(answered=False)
    assert talk.outputs.rising
    status = talk.go()
    assert talk.outputs.triggers == (False,)
    assert (status.ack_token, status.releases[0].token) == (talk.token, talk.token)
    assert status.releases[0].result == NOBODY_KNOWS
    for _ in range(10):
        talk.go()
        assert not any(talk.outputs.triggers)
    assert talk.mark().releases[1].result == ReleaseResult.RELEASED


def test_not_answered_for_longer_than_the_watchdog_takes_permission_until_enable_was_cycled() -> None:
    talk = Talk().enabled()
    talk.mark()
    talk.now += 201 * MS
    status = talk.go()
    assert status.inhibit_cause == InhibitCause.LEASE_EXPIRED
    assert talk.outputs == PlainOutputs(False, False, (False,)), "the device has dropped its outputs: they stay low"
    talk.go()
    assert not talk.outputs.enable
    talk.control = 0
    talk.go()
    talk.control = int(ControlBit.ENABLE)
    talk.go()
    assert talk.outputs.enable


def test_a_lease_shorter_than_the_watchdog_counts_too() -> None:
    talk = Talk(spec(watchdog_s=None)).enabled()
    talk.now += 251 * MS
    assert talk.go().inhibit_cause == InhibitCause.LEASE_EXPIRED


def test_another_boot_id_than_ours_is_not_obeyed() -> None:
    side = PlainSide(spec(), BOOT)
    inputs = PlainInputs(0, (StationInputs(),), interlocks=ALL_CLOSED)
    side.step(Command(1, 0, BOOT + 1, 77, 250), inputs, MS)
    assert side.answered(MS).boot_id == BOOT
    assert not side.step(Command(2, int(ControlBit.ENABLE), BOOT + 1, 77, 250), inputs, 2 * MS).enable
    assert side.answered(2 * MS).inhibit_cause == InhibitCause.WRONG_BOOT_ID


@pytest.mark.parametrize("how", ["busy", "done"])
def test_where_the_marker_tells_it_is_marked_only_when_it_has_told(how: str) -> None:
    talk = Talk(spec(told=True)).enabled()
    talk.marker(**{how: False})
    status = talk.mark()
    assert (status.release_total, status.armed) == (0, 1)
    assert talk.go().release_total == 0
    talk.marker(**{how: True})
    status = talk.go(count=5300)
    assert (status.release_total, status.armed) == (1, 0)
    assert (status.releases[0].result, status.releases[0].count) == (ReleaseResult.RELEASED, 5000)


def test_a_done_that_was_on_before_tells_nothing_until_it_comes_anew() -> None:
    talk = Talk(spec(told=True)).enabled()
    talk.marker(done=True)
    talk.mark()
    assert talk.go().release_total == 0
    talk.marker(done=False)
    talk.go()
    talk.marker(done=True)
    assert talk.go().releases[0].result == ReleaseResult.RELEASED


def test_a_marker_that_never_tells_leaves_its_mark_unconfirmed() -> None:
    talk = Talk(spec(told=True)).enabled()
    talk.mark()
    for _ in range(40):
        status = talk.go()
    assert status.releases[0].result == NOBODY_KNOWS
    assert status.armed == 0


def test_each_station_has_its_own_trigger() -> None:
    talk = Talk(spec(stations=2)).enabled()
    status = talk.go(order=(1, 4990, 5010))
    assert talk.outputs.triggers == (False, True)
    assert status.stations[0].busy
    assert status.bits & StatusBit.MARKER_READY
    assert talk.go(order=(2, 4990, 5010)).ack_result == AckResult.FULL


def test_heartbeat_and_owner_are_told_only_of_an_exchange_that_worked() -> None:
    talk = Talk()
    assert talk.go().heartbeat_echo == 1
    talk.go(answered=False)
    status = talk.go()
    assert (status.heartbeat_echo, status.owner, status.layout) == (3, 77, 1)
    with pytest.raises(RuntimeError):
        talk.side.answered(talk.now)
