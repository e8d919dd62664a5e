"""Our link and packing against an I/O side in C on another Modbus library: every product is released where it should.

The C side knows the field block from its description alone; what it says of edges and releases is its own truth.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from controller.field.modbus import ModbusLink
from controller.points import PointMap
from controller.registers import (
    BACKWARD,
    RING_SIZE,
    AckResult,
    Command,
    ControlBit,
    Edge,
    InhibitCause,
    OrderKind,
    Status,
    StatusBit,
)

if TYPE_CHECKING:
    from tests.wire.conftest import LibmodbusSide

pytestmark = pytest.mark.foreign

Start = Callable[..., "LibmodbusSide"]
DISTANCE = 1500
"""Counts from the detector to the marker."""
COUNTER = 1 << 32


class Hand:
    """The least that keeps the rules of the block: one exchange after another, one order at a time."""

    def __init__(self, port: int, *, function_23: bool = True, down: bool = False, owner: int = 0x51DE) -> None:
        self.link = ModbusLink(PointMap.default(), "127.0.0.1", port, function_23=function_23)
        direction = ControlBit.FORWARD_COUNTS_DOWN if down else 0
        self.command = Command(heartbeat=100, control=direction, owner=owner, lease_ms=400)
        self.step = -1 if down else 1

    async def exchange(self, **changes: int) -> Status:
        """Exchange once with the next heartbeat and what else changes."""
        heartbeat = (self.command.heartbeat + 1) & 0xFFFF
        self.command = replace(self.command, heartbeat=heartbeat, **changes)
        return await self.link.exchange(self.command)

    async def enable(self) -> Status:
        """Take the line: learn the boot id, enable low, then high. Returns the status with marks permitted."""
        status = await self.exchange()
        status = await self.exchange(boot_id_seen=status.boot_id)
        assert status.owner == self.command.owner
        assert status.inhibit_cause == InhibitCause.ENABLE_LOW
        return await self.exchange(control=self.command.control | ControlBit.ENABLE | ControlBit.RUNNING)

    async def order(self, kind: OrderKind, count: int, last: int = 0) -> Status:
        """Give one order and return the status that answers it."""
        token = (self.command.order_token + 1) & 0xFFFF
        status = await self.exchange(order_kind=kind, order_count=count, order_last=last, order_token=token)
        assert status.ack_token == token
        return status


async def mark_all(hand: Hand, products: int) -> tuple[dict[int, int], Status]:
    """Arm a target for each leading edge captured until all products are released: token → captured count."""
    armed: dict[int, int] = {}
    status = await hand.enable()
    seen = 0
    while len(armed) < products or status.release_total < products:
        status = await hand.exchange()
        assert not status.bits & StatusBit.INHIBITED
        assert status.capture_total - seen <= RING_SIZE
        while seen < status.capture_total:
            capture = status.captures[seen % RING_SIZE]
            seen += 1
            assert not capture.edge & BACKWARD
            if capture.edge == Edge.BLOCKED:
                target = (capture.count + hand.step * DISTANCE) % COUNTER
                answer = await hand.order(OrderKind.ARM, target)
                assert (answer.ack_result, answer.ack_count) == (AckResult.ARMED, target)
                armed[answer.ack_token] = capture.count
    return armed, status


@pytest.mark.parametrize(
    ("options", "function_23"),
    [
        ({"v0": 4000, "v1": 10000, "ramp_s": 1.5}, True),
        ({"v0": 6000, "v1": 6000, "start": COUNTER - 4000}, False),
        ({"v0": 6000, "v1": 6000, "start": 4000, "down": 1}, True),
    ],
    ids=["ramp", "wrap, no function 23", "forward counts down"],
)
async def test_every_product_is_released_at_its_edge_and_distance(
    libmodbus_side: Start, options: dict[str, float], function_23: bool
) -> None:
    products = 16
    side = libmodbus_side(products=products, first=1800.6, pitch=487.3, length=120.4, wait=1, mark_ms=15, **options)
    hand = Hand(side.port, function_23=function_23, down="down" in options)
    captured, status = await mark_all(hand, products)
    final = await hand.exchange(control=hand.command.control & ~ControlBit.ENABLE)
    await hand.link.close()
    results = side.results()
    assert [p["raw"] for p in results["products"]] == list(captured.values())
    assert len(results["releases"]) == products
    for product, release, token in zip(results["products"], results["releases"], captured, strict=True):
        assert release["result"] == 1
        assert release["token"] == token
        assert abs(release["travel"] - (product["lead"] + DISTANCE)) <= 1
    shown = {entry.token: entry.count for entry in status.releases}
    assert shown == {r["token"]: r["raw"] for r in results["releases"][-RING_SIZE:]}
    assert final.bits & StatusBit.INHIBITED
    assert results["armed"] == 0


async def test_the_c_side_keeps_the_rules_that_stop_a_mark(libmodbus_side: Start) -> None:
    side = libmodbus_side(products=1, first=1e9, v0=1000, v1=1000, depth=2)
    hand = Hand(side.port)
    status = await hand.enable()
    ahead = (status.belt_count + 500_000) % COUNTER
    assert (await hand.order(OrderKind.ARM, ahead)).armed == 1
    assert (await hand.order(OrderKind.ARM, 0)).ack_result == AckResult.LATE
    assert (await hand.order(OrderKind.ARM, 1 << 31)).ack_result == AckResult.TOO_FAR
    assert (await hand.order(OrderKind.ARM, ahead + 1)).armed == 2
    assert (await hand.order(OrderKind.ARM, ahead + 2)).ack_result == AckResult.FULL
    held = hand.command.order_token - 1
    assert (await hand.order(OrderKind.CANCEL, 0, held)).ack_result == AckResult.CANCELLED
    # A repeated request does nothing: the same token is no new order, the same heartbeat no request.
    assert (await hand.exchange()).armed == 1
    # Another owner is refused while the lease is fresh.
    other = Hand(side.port, owner=0x0DD)
    assert (await other.exchange()).owner == hand.command.owner
    await other.link.close()
    # An interlock that only blinks drops what is armed, and enable must go low and high before anything is armed.
    side.open_interlock()
    while not (await hand.exchange()).interlocks_opened:
        pass
    side.close_interlock()
    while not (status := await hand.exchange()).bits & StatusBit.INTERLOCKS_CLOSED:
        pass
    assert (status.armed, status.inhibit_cause) == (0, InhibitCause.ENABLE_NOT_CYCLED)
    assert (await hand.order(OrderKind.ARM, ahead)).ack_result == AckResult.INHIBITED
    await hand.exchange(control=0)
    await hand.exchange(control=int(ControlBit.ENABLE))
    assert (await hand.order(OrderKind.ARM, ahead)).ack_result == AckResult.ARMED
    # A restart voids everything: another boot id, and the first request is only a baseline.
    side.restart()
    boot_id = hand.command.boot_id_seen
    while (status := await hand.exchange()).boot_id == boot_id:
        pass
    assert status.armed == 0
    assert status.bits & StatusBit.INHIBITED
    await hand.link.close()
    assert side.results()["releases"] == []


async def test_the_c_side_drops_what_is_armed_when_the_lease_ends(libmodbus_side: Start) -> None:
    side = libmodbus_side(products=0, v0=4000, v1=4000, lease_limit_ms=50)
    hand = Hand(side.port)
    status = await hand.enable()
    await hand.order(OrderKind.ARM, status.belt_count + 2000)
    await hand.link.close()
    await asyncio.sleep(0.8)
    results = side.results()
    assert results["travel"] > status.belt_count + 2000
    assert results["armed"] == 0
    assert results["releases"] == []
