"""A way that several links share: one exchange at a time, in the order of asking, open as long as one of them needs it."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field

import pytest

from controller.field.shared import Bus, SharedLink
from controller.ports import LinkError
from controller.registers import Command, Status


@dataclass
class Wire:
    """What all the links lead to: who asked in which order, and whether it is open."""

    asked: list[int] = field(default_factory=list)
    busy: bool = False
    open: bool = False
    opened: int = 0


class Link:
    """A link to one unit; closed by a failure, and opened again by the next exchange, as the real one."""

    def __init__(self, wire: Wire, unit: int) -> None:
        self.wire, self.unit = wire, unit
        self.sent_ns = 0
        self.fails = False

    async def connect(self) -> None:
        self.wire.open = True
        self.wire.opened += 1

    async def close(self) -> None:
        self.wire.open = False

    async def exchange(self, _command: Command) -> Status:
        assert not self.wire.busy
        self.wire.busy = True
        try:
            if not self.wire.open:
                await self.connect()
            self.wire.asked.append(self.unit)
            for _ in range(3):
                await asyncio.sleep(0)
            if self.fails:
                await self.close()
                raise LinkError("no answer")
            return Status(boot_id=self.unit)
        finally:
            self.wire.busy = False


def shared(number: int) -> tuple[Wire, list[Link], list[SharedLink]]:
    wire, bus = Wire(), Bus()
    links = [Link(wire, unit) for unit in range(number)]
    return wire, links, [SharedLink(link, bus) for link in links]


async def test_exchanges_go_one_at_a_time_first_come_first_served_and_each_gets_its_own_answer() -> None:
    wire, _, ways = shared(4)
    order = [2, 0, 3, 1, 2, 2, 0]
    answers = await asyncio.gather(*(ways[unit].exchange(Command()) for unit in order))
    assert wire.asked == order
    assert [status.boot_id for status in answers] == order


async def test_one_that_asks_all_the_time_leaves_every_other_turn_to_another() -> None:
    wire, _, ways = shared(2)

    async def ask(unit: int, times: int) -> None:
        for _ in range(times):
            await ways[unit].exchange(Command())

    await asyncio.gather(ask(0, 10), ask(1, 5))
    assert wire.asked[:10] == [0, 1] * 5


async def test_it_is_opened_once_and_closed_with_the_last() -> None:
    wire, _, ways = shared(3)
    for way in ways:
        await way.connect()
    assert wire.opened == 1
    for way in ways[:2]:
        await way.close()
        assert wire.open
    await ways[2].close()
    assert not wire.open


async def test_a_failure_closes_it_and_whoever_comes_next_opens_it_again() -> None:
    wire, links, ways = shared(2)
    for way in ways:
        await way.connect()
    links[0].fails = True
    with pytest.raises(LinkError):
        await ways[0].exchange(Command())
    assert not wire.open
    await ways[1].exchange(Command())
    await ways[0].connect()
    assert wire.opened == 2


async def test_one_that_gives_up_waiting_costs_nobody_a_turn() -> None:
    wire, _, ways = shared(3)
    first, second, third = (asyncio.create_task(way.exchange(Command())) for way in ways)
    await asyncio.sleep(0)
    second.cancel()
    await asyncio.gather(first, third)
    assert second.cancelled()
    assert wire.asked == [0, 2]


async def test_when_a_request_left_is_the_links_own_word() -> None:
    _, links, ways = shared(1)
    links[0].sent_ns = 12345
    assert ways[0].sent_ns == 12345
