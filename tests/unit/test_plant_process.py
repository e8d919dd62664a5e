"""What goes between the lines' process and the plant's, the sharing of addresses, and the count of refusals."""

from __future__ import annotations

import asyncio
import dataclasses
import io
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from controller.model import Call, Refusal, Reply
from controller.plant.channel import MOST_UP_BYTES, Answer, Images, down_frame, read_down, read_up, up_frame
from controller.plant.image import TOLD_PER_MINUTE, Desk, LinePlan, PlantError
from controller.plant.plans import check_plans, places
from controller.settings.plant import MetricsSection, ModbusServerSection, PlantSection
from tests.unit.plant_images import ABOUT, image


def reader_of(*frames: bytes, end: bool = True) -> asyncio.StreamReader:
    reader = asyncio.StreamReader()
    for byte in io.BytesIO(b"".join(frames)).getvalue():
        reader.feed_data(bytes([byte]))
    if end:
        reader.feed_eof()
    return reader


async def test_what_goes_down_comes_out_as_it_was() -> None:
    sent = [Images((image(),)), Answer(7, False, "stop is refused", Refusal.STATE)]
    reader = reader_of(*(down_frame(message) for message in sent))
    assert [await read_down(reader), await read_down(reader), await read_down(reader)] == [*sent, None]


async def test_what_goes_up_comes_out_as_it_was() -> None:
    sent = [{"ready": True}, {"call": 1, "who": "Jürgen"}]
    reader = reader_of(*(up_frame(message) for message in sent))
    assert [await read_up(reader), await read_up(reader), await read_up(reader)] == [*sent, None]


@pytest.mark.parametrize("raw", [b"\x00\x00\x00\x02[]", b"\x00\x00\x00\x02{x", (MOST_UP_BYTES + 1).to_bytes(4, "big")])
async def test_what_the_plant_s_process_may_not_say_is_refused(raw: bytes) -> None:
    with pytest.raises(ValueError, match=r"JSON|Expecting|bytes"):
        await read_up(reader_of(raw))


async def test_an_end_within_a_message_is_an_end() -> None:
    assert await read_up(reader_of(up_frame({"ready": True})[:-1])) is None


def plan(name: str, **sections: Any) -> LinePlan:
    return LinePlan(dataclasses.replace(ABOUT, name=name), PlantSection(**sections), Path())


def modbus(**changed: Any) -> ModbusServerSection:
    return ModbusServerSection(address="127.0.0.1:15502", **changed)


def test_lines_share_an_address_where_they_agree_on_it() -> None:
    both = [plan("one", modbus=modbus()), plan("two", modbus=modbus(unit=2), metrics=MetricsSection())]
    check_plans(both)
    assert list(places(both)) == ["modbus://127.0.0.1:15502", "http://127.0.0.1:9464"]


@pytest.mark.parametrize(
    ("second", "said"),
    [
        (modbus(), r"lines one and two: plant\.modbus\.unit is 1 in both"),
        (modbus(unit=2, max_connections=3), r"plant\.modbus\.max_connections differs"),
    ],
)
def test_lines_that_do_not_agree_on_their_address_are_refused(second: ModbusServerSection, said: str) -> None:
    with pytest.raises(PlantError, match=said):
        check_plans([plan("one", modbus=modbus()), plan("two", modbus=second)])


async def give(line: str, call: Call) -> Reply:
    return Reply(call, False, line)


def test_every_refusal_is_counted_and_so_many_a_minute_are_logged(monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[str] = []

    def tell(level: str, what: str, words: Mapping[str, object]) -> None:
        told.append(f"{level} {what} {words.get('why', '')}")

    minute_ns = 60_000_000_000
    now_ns = [10 * minute_ns]
    monkeypatch.setattr("controller.plant.image.time.monotonic_ns", lambda: now_ns[0])
    desk = Desk(give, tell)
    for _ in range(TOLD_PER_MINUTE + 50):
        desk.refused("wrong password", client="192.0.2.9")
    assert desk.refusals["wrong password"] == TOLD_PER_MINUTE + 50
    assert len(told) == TOLD_PER_MINUTE + 1
    now_ns[0] += minute_ns
    desk.refused("unknown user")
    assert told[-1] == "warning refused unknown user"
