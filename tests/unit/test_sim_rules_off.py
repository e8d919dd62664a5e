"""The I/O side with one rule of the field block switched off: it must really do what the rule forbids."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest

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
from sim.belt import Belt, Segment, Steady
from sim.device import Device
from sim.device_spec import DeviceSpec
from sim.encoder import Encoder
from sim.marker import MarkerSpec, MarkTruth
from sim.script import Happening, Kind

S = 1_000_000_000
MS = 1_000_000
ON = int(ControlBit.ENABLE | ControlBit.RUNNING)


class Loose:
    """A device without the given rules, enabled, 1 mm a count at 100 mm/s."""

    def __init__(
        self, *rules: int, parts: Sequence[Segment] = (Steady(100.0),), modulus: int = 1 << 16,
        happenings: Sequence[Happening] = (), mark_ns: int = MS,
    ) -> None:  # fmt: skip
        self.marks: list[MarkTruth] = []
        belt = Belt(parts)
        self.device = Device(
            DeviceSpec(boot_id=77, interlocks=1, rules_off=frozenset(rules)), belt, Encoder(belt, 1.0, modulus=modulus),
            iter(()), [MarkerSpec(300.0, 0, mark_ns, 0, 4)], happenings=happenings, on_mark=self.marks.append,
        )  # fmt: skip
        self.heartbeat, self.token = 10, 100
        self.write(0, 0)
        self.write(0)

    def write(self, t_ns: int, control: int = ON, **more: Any) -> Status:
        self.heartbeat += 1
        fields = {"heartbeat": self.heartbeat, "boot_id_seen": 77, "owner": 5, "lease_ms": 1000, **more}
        fields.setdefault("order_token", self.token)
        self.device.write(Command(control=control, **fields), t_ns)
        return self.device.read(t_ns)

    def order(self, t_ns: int, count: int, **more: Any) -> Status:
        self.token += 1
        return self.write(t_ns, order_kind=int(OrderKind.ARM), order_count=count, order_token=self.token, **more)

    def counts(self) -> list[int]:
        return [m.raw for m in self.marks]


def test_without_rule_1_nothing_drops_but_a_flush() -> None:
    loose = Loose(1, happenings=[Happening(Kind.INTERLOCK_OPEN, 100 * MS)])
    loose.order(0, 20)
    status = loose.order(150 * MS, 30)
    assert (status.ack_result, status.armed, status.inhibit_cause) == (AckResult.ARMED, 2, InhibitCause.INTERLOCK)
    assert status.bits & StatusBit.INHIBITED
    loose.order(160 * MS, 500, control=0)  # enable low, and then silence
    assert loose.device.read(4 * S).armed == 1
    assert loose.counts() == [20, 30]
    assert loose.write(4 * S, int(ControlBit.FLUSH)).armed == 0
    loose.device.advance(9 * S)
    assert loose.counts() == [20, 30]


def test_without_rule_2_late_requests_and_other_owners_are_taken_up() -> None:
    loose = Loose(2)
    loose.order(0, 90)
    status = loose.write(MS, heartbeat=3, order_kind=1, order_count=95, order_token=loose.token + 1)
    assert (status.heartbeat_echo, status.armed) == (3, 2)
    status = loose.write(2 * MS, owner=6, heartbeat=1, order_kind=1, order_count=97, order_token=loose.token + 2)
    assert (status.owner, status.armed, status.ack_result) == (6, 3, AckResult.ARMED)


def test_without_rule_3_the_same_token_acts_again() -> None:
    loose = Loose(3)
    loose.order(0, 90)
    assert loose.write(MS, order_kind=1, order_count=90).armed == 2
    assert loose.write(2 * MS).armed == 2  # no order in it


def test_without_rule_5_late_is_released_at_once_and_too_far_is_armed() -> None:
    loose = Loose(5)
    status = loose.order(500 * MS, 20)
    assert (status.ack_result, status.release_total) == (AckResult.ARMED, 1)
    assert status.releases[0].count == 50
    assert loose.marks[0].position_mm == pytest.approx(50.0)
    assert loose.order(600 * MS, 60 + 30_000).ack_result == AckResult.ARMED


def test_without_rule_6_a_target_is_released_at_every_crossing() -> None:
    loose = Loose(6, parts=[Steady(100.0, S), Steady(-100.0, S // 2), Steady(100.0, S // 2), Steady(0.0)])
    loose.order(0, 70)
    for n in range(1, 20):
        loose.write(n * 100 * MS)
    assert [(m.raw, m.release_ns // MS) for m in loose.marks] == [(70, 700), (69, 1300), (70, 1700)]
    assert loose.device.read(2 * S).armed == 0


def test_with_rule_6_it_is_not() -> None:
    loose = Loose(parts=[Steady(100.0, S), Steady(-100.0, S // 2), Steady(100.0, S // 2), Steady(0.0)])
    loose.order(0, 70)
    for n in range(1, 20):
        loose.write(n * 100 * MS)
    assert loose.counts() == [70]


def test_without_rule_7_the_ring_says_released_and_no_mark_is_made() -> None:
    loose = Loose(7, mark_ns=100 * MS)
    loose.order(0, 20)
    loose.order(0, 25)
    status = loose.device.read(500 * MS)
    assert [r.result for r in status.releases[:2]] == [ReleaseResult.RELEASED, ReleaseResult.RELEASED]
    assert loose.counts() == [20]


@pytest.mark.parametrize(("rules", "same"), [((), False), ((9,), True)])
def test_without_rule_9_the_boot_id_stays(rules: tuple[int, ...], same: bool) -> None:
    loose = Loose(*rules, happenings=[Happening(Kind.IO_RESTART, 100 * MS)])
    loose.order(0, 50)
    status = loose.device.read(150 * MS)
    assert (status.boot_id == 77) == same
    assert (status.belt_count, status.armed, status.inhibit_cause) == (5, 0, InhibitCause.ENABLE_NOT_CYCLED)
