"""Numbered commands: in turn, in time and once, whatever is repeated, late or lost."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.modbus_pdu import Refused, RefusedError
from controller.model import Call, Refusal, Reply
from controller.modes import COMMANDS
from controller.plant.image import Desk, LinePlan
from controller.plant.modbus import commands as commands_module
from controller.plant.modbus import map as plant_map
from controller.plant.modbus.bank import LineBank, Visitor
from controller.plant.modbus.commands import CODES, Asked, Commands, Reason, Result
from controller.plant.numbers import FAULT_NUMBERS
from controller.settings.plant import ModbusServerSection, PlantSection
from tests.unit.plant_images import ABOUT, T_NS

PLC, PANEL = "192.0.2.20", "192.0.2.21"
RESET, START, STOP = 1, 2, 3


class Line:
    """Takes every call, or refuses it as told; may be held up."""

    def __init__(self, reply: tuple[bool, str, Refusal | None] = (True, "", None)) -> None:
        self.calls: list[Call] = []
        self.reply = reply
        self.answers = asyncio.Event()
        self.answers.set()
        self.told: list[str] = []
        self.desk = Desk(self.give, self.tell)

    async def give(self, line: str, call: Call) -> Reply:
        assert line == "demo"
        self.calls.append(call)
        await self.answers.wait()
        return Reply(call, *self.reply)

    def tell(self, level: str, what: str, words: Mapping[str, object]) -> None:
        self.told.append(str(words.get("why")))

    def commands(self, last_number: int | None = 7) -> Commands:
        return Commands("demo", (PLC, PANEL), self.desk, last_number)


async def turns() -> None:
    for _ in range(5):
        await asyncio.sleep(0)


def refused(commands: Commands, client: str, asked: Asked, fresh: bool = True) -> Refused:
    with pytest.raises(RefusedError) as caught:
        commands.ask(client, asked, fresh)
    return caught.value.code


async def test_a_command_in_turn_is_given_and_its_answer_shown() -> None:
    line = Line()
    line.answers.clear()
    commands = line.commands()
    assert commands.taken.next_number == 8
    commands.ask(PLC, Asked(START, 0, 8), True)
    await turns()
    assert (commands.taken.asked, commands.taken.result) == (Asked(START, 0, 8), Result.PENDING)
    line.answers.set()
    await turns()
    assert commands.taken.result is Result.ACCEPTED
    assert line.calls == [Call("start", f"modbus {PLC}", "plant")]


@pytest.mark.parametrize(
    ("kind", "reason"),
    [
        (Refusal.STATE, Reason.STATE),
        (Refusal.PLACE, Reason.PLACE),
        (Refusal.CAUSE, Reason.CAUSE),
        (Refusal.ARGUMENT, Reason.ARGUMENT),
        (None, Reason.ENDED),
    ],
)
async def test_what_the_line_refuses_is_shown_with_its_reason(kind: Refusal | None, reason: Reason) -> None:
    commands = Line((False, "start is refused in Stopped", kind)).commands()
    commands.ask(PLC, Asked(START, 0, 8), True)
    await turns()
    assert (commands.taken.result, commands.taken.reason) == (Result.REFUSED, reason)
    assert commands.taken.text == "start is refused in Stopped"


async def test_a_repetition_is_answered_as_before_and_does_nothing() -> None:
    line = Line()
    commands = line.commands()
    for _ in range(3):
        commands.ask(PLC, Asked(START, 0, 8), True)
        commands.ask(PLC, Asked(START, 0, 8), False)
        await turns()
    assert len(line.calls) == 1


async def test_a_number_out_of_turn_does_nothing_also_when_its_turn_has_come() -> None:
    line = Line()
    commands = line.commands()
    stale = Asked(START, 0, 9)
    assert refused(commands, PLC, stale) is Refused.VALUE
    commands.ask(PANEL, Asked(STOP, 0, 8), True)
    await turns()
    assert commands.taken.next_number == 9
    # The client goes on writing what it holds; the number has come up meanwhile without it.
    assert refused(commands, PLC, stale) is Refused.VALUE
    assert [call.verb for call in line.calls] == ["stop"]
    assert line.desk.refusals["command out of turn"] == 1
    # After asking for nothing it is a new command.
    commands.ask(PLC, Asked(0, 0, 0), True)
    commands.ask(PLC, stale, True)
    await turns()
    assert [call.verb for call in line.calls] == ["stop", "start"]


async def test_of_two_that_take_the_same_number_the_second_is_told() -> None:
    line = Line()
    commands = line.commands()
    commands.ask(PLC, Asked(START, 0, 8), True)
    await turns()
    assert refused(commands, PANEL, Asked(START, 0, 8)) is Refused.VALUE
    assert len(line.calls) == 1


async def test_what_was_held_up_on_its_way_is_too_late_and_can_be_asked_again() -> None:
    line = Line()
    commands = line.commands()
    assert refused(commands, PLC, Asked(START, 0, 8), fresh=False) is Refused.VALUE
    assert line.desk.refusals["command too late"] == 1
    assert line.calls == []
    commands.ask(PLC, Asked(START, 0, 8), True)
    await turns()
    assert len(line.calls) == 1


async def test_while_one_is_with_the_line_another_is_busy_and_may_be_asked_again() -> None:
    line = Line()
    line.answers.clear()
    commands = line.commands()
    commands.ask(PLC, Asked(START, 0, 8), True)
    assert refused(commands, PLC, Asked(STOP, 0, 9)) is Refused.BUSY
    commands.ask(PLC, Asked(START, 0, 8), True)
    line.answers.set()
    await turns()
    commands.ask(PLC, Asked(STOP, 0, 9), True)
    await turns()
    assert [call.verb for call in line.calls] == ["start", "stop"]


async def test_a_line_that_does_not_answer_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(commands_module, "ANSWER_WITHIN_S", 0.0)
    line = Line()
    line.answers.clear()
    commands = line.commands()
    commands.ask(PLC, Asked(START, 0, 8), True)
    await turns()
    assert (commands.taken.result, commands.taken.reason) == (Result.UNANSWERED, Reason.NO_ANSWER)


async def test_closing_waits_for_no_answer() -> None:
    line = Line()
    line.answers.clear()
    commands = line.commands()
    await commands.close()
    commands.ask(PLC, Asked(START, 0, 8), True)
    await turns()
    await commands.close()


async def test_the_numbers_go_round_without_0() -> None:
    line = Line()
    commands = line.commands(65535)
    assert commands.taken.next_number == 1
    commands.ask(PLC, Asked(STOP, 0, 1), True)
    assert commands.taken.next_number == 2


async def test_the_first_number_is_drawn() -> None:
    drawn = {Line().commands(None).taken.next_number for _ in range(50)}
    assert len(drawn) > 10
    assert all(1 <= number <= 65535 for number in drawn)


async def test_every_code_is_a_call_that_the_plant_may_give() -> None:
    # PackML numbers its commands 1 Reset to 10 Complete (checks: SEEN-2, lpmlv2022).
    assert [CODES[n] for n in range(1, 11)] == [
        "reset", "start", "stop", "hold", "unhold", "suspend", "unsuspend", "abort", "clear", "complete",
    ]  # fmt: skip
    assert set(CODES.values()) == {*COMMANDS, "mode", "acknowledge", "reset-counters"}
    arguments = {"mode": (2, "maintenance"), "acknowledge": (FAULT_NUMBERS["jam"], "jam")}
    for code, verb in CODES.items():
        line = Line()
        number, word = arguments.get(verb, (0, ""))
        line.commands().ask(PLC, Asked(code, number, 8), True)
        await turns()
        assert line.calls == [Call(verb, f"modbus {PLC}", "plant", word)]


async def test_all_faults_are_acknowledged_with_0() -> None:
    line = Line()
    line.commands().ask(PLC, Asked(102, 0, 8), True)
    await turns()
    assert line.calls == [Call("acknowledge", f"modbus {PLC}", "plant", "")]


@pytest.mark.parametrize(("code", "argument"), [(0, 0), (11, 0), (104, 0), (START, 1), (101, 0), (101, 4), (102, 99)])
async def test_what_is_no_command_never_reaches_the_line(code: int, argument: int) -> None:
    line = Line()
    commands = line.commands()
    commands.ask(PLC, Asked(code, argument, 8), True)
    await turns()
    assert line.calls == []
    assert (commands.taken.result, commands.taken.reason) == (Result.REFUSED, Reason.ARGUMENT)


@given(st.lists(st.tuples(st.sampled_from([PLC, PANEL]), st.integers(0, 3), st.integers(0, 12), st.booleans())))
def test_no_number_is_ever_taken_twice(writes: list[tuple[str, int, int, bool]]) -> None:
    async def run() -> None:
        line = Line()
        commands = line.commands(3)
        taken = []
        for client, code, number, fresh in writes:
            before = commands.taken.asked.number
            try:
                commands.ask(client, Asked(code, 0, number), fresh)
            except RefusedError:
                assert commands.taken.asked.number == before
            if commands.taken.asked.number != before:
                assert fresh
                taken.append(commands.taken.asked.number)
            await turns()
        assert taken == list(range(4, 4 + len(taken)))
        assert len(line.calls) <= len(taken)

    asyncio.run(run())


# The same through the registers, as a client writes them.


class Clock:
    def __init__(self) -> None:
        self.t_ns = T_NS

    def now_ns(self) -> int:
        return self.t_ns


class Place:
    """A line's registers before the visitors of this test."""

    def __init__(self) -> None:
        self.line, self.clock = Line(), Clock()
        section = PlantSection(modbus=ModbusServerSection(address="127.0.0.1:15502", command_clients=[PLC]))
        self.bank = LineBank(LinePlan(ABOUT, section, Path()), self.line.desk, self.clock.now_ns)

    def ask(self, visitor: Visitor, request: str) -> str:
        return visitor.answer(bytes.fromhex(request), self.line.desk).hex()

    def next_number(self, visitor: Visitor) -> int:
        answer = visitor.answer(bytes((3, 0, plant_map.NEXT_AT, 0, 1)), self.line.desk)
        assert answer[:2] == bytes((3, 2))
        return int.from_bytes(answer[2:], "big")


async def test_a_block_written_with_function_16_is_a_command() -> None:
    place = Place()
    visitor = Visitor(place.bank, PLC)
    number = place.next_number(visitor)
    request = f"10 0096 0003 06 0002 0000 {number:04x}"
    assert place.ask(visitor, request) == "1000960003"
    assert place.ask(visitor, request) == "1000960003"
    await turns()
    assert place.line.calls == [Call("start", f"modbus {PLC}", "plant")]
    # Number, code, argument, result, reason and the next number, and the written registers show the same.
    shown = f"{number:04x} 0002 0000 0002 0000 {number % 65535 + 1:04x}".replace(" ", "")
    assert place.ask(visitor, "03 006E 0006") == "030c" + shown
    assert place.ask(visitor, "04 0096 0003") == f"040600020000{number:04x}"


async def test_written_one_by_one_with_function_06_the_number_gives_the_command() -> None:
    place = Place()
    visitor = Visitor(place.bank, PLC)
    number = place.next_number(visitor)
    assert place.ask(visitor, "06 0096 0065") == "0600960065"
    assert place.ask(visitor, "06 0097 0003") == "0600970003"
    assert place.line.calls == []
    assert place.ask(visitor, f"06 0098 {number:04x}").startswith("060098")
    await turns()
    assert place.line.calls == [Call("mode", f"modbus {PLC}", "plant", "manual")]


async def test_the_number_must_have_been_read_on_the_same_connection_a_moment_ago() -> None:
    place = Place()
    reader, writer = Visitor(place.bank, PLC), Visitor(place.bank, PLC)
    request = f"10 0096 0003 06 0002 0000 {place.next_number(reader):04x}"
    assert place.ask(writer, request) == "9003"
    place.clock.t_ns += 10_000_000_001
    assert place.ask(reader, request) == "9003"
    assert place.line.desk.refusals["command too late"] == 2
    assert place.line.calls == []
    place.next_number(reader)
    place.clock.t_ns += 10_000_000_000
    assert place.ask(reader, request) == "1000960003"


async def test_a_client_that_is_not_listed_finds_a_server_that_knows_no_writing() -> None:
    place = Place()
    visitor = Visitor(place.bank, PANEL)
    number = place.next_number(visitor)
    for request in (f"10 0096 0003 06 0002 0000 {number:04x}", "06 0096 0001", "05 0000 FF00", "0F 0000 0001 01 01",
                    "16 0096 0000 0000", "17 0000 0001 0096 0001 02 0001"):  # fmt: skip
        assert place.ask(visitor, request) == f"{int(request[:2], 16) | 0x80:02x}01"
    await turns()
    assert place.line.calls == []
    assert place.line.desk.refusals == {"write from an unlisted address": 6}
    assert place.line.told == ["write from an unlisted address"] * 6


@pytest.mark.parametrize(
    ("request_hex", "answer"),
    [
        ("06 0000 0001", "8602"),  # the status is not the client's to write
        ("06 0099 0001", "8602"),
        ("10 0095 0003 06 0000 0000 0000", "9002"),
        ("10 0097 0003 06 0000 0000 0000", "9002"),
        ("05 0000 FF00", "8501"),
        ("0F 0000 0001 01 01", "8f01"),
        ("17 0000 0001 0096 0001 02 0001", "9701"),
        ("03 0077 0002", "8302"),  # from within the status to behind it
        ("03 0078 0001", "8302"),
        ("03 0000 0078", None),
        ("04 00C8 007D", None),
        ("02 0000 00C0", None),
        ("01 00BF 0002", "8102"),
    ],
)
async def test_what_can_be_written_and_read(request_hex: str, answer: str | None) -> None:
    place = Place()
    said = place.ask(Visitor(place.bank, PLC), request_hex)
    assert said == answer if answer is not None else int(said[:2], 16) < 0x80
    assert place.line.calls == []
