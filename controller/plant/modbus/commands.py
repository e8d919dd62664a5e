"""Commands from the plant over Modbus: numbered, so that one that comes twice or late does nothing twice.

Rules of this file:
1. A command is (code, argument, number). It is given only if the number is the next one, which the map shows, and if
   the same connection read that one within the last ten seconds: what was held up on its way is too late.
   65535 is followed by 1.
2. The same command again from the same client is a repetition: it is answered as before and does nothing, also when
   its number has become the next one meanwhile. Number 0 asks for nothing and ends what may be repeated.
3. After a start of the server the next number is drawn by lot, so that what a client still holds from before is none.
4. While one is with the line, another is answered as busy.
Whether the line takes it (set to remote, the state, what is present) is the line's own affair.
"""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum
from typing import NoReturn

from controller.modbus_pdu import Refused, RefusedError
from controller.model import Call, Mode, Refusal, Reply
from controller.plant.image import Desk
from controller.plant.numbers import FAULT_NUMBERS

LAST_NUMBER = 0xFFFF
FRESH_S = 10.0
"""So long after its reading the next number is good on that connection."""
ANSWER_WITHIN_S = 5.0
"""A line answers within a scan; what takes longer is shown as not answered."""

CODES: dict[int, str] = {
    1: "reset",
    2: "start",
    3: "stop",
    4: "hold",
    5: "unhold",
    6: "suspend",
    7: "unsuspend",
    8: "abort",
    9: "clear",
    10: "complete",
    101: "mode",
    102: "acknowledge",
    103: "reset-counters",
}
"""Command code → verb: 1 to 10 as PackML numbers its commands, ours from 101. The rest is given at the line only."""


class Result(IntEnum):
    """What became of the last command."""

    NONE = 0
    PENDING = 1
    ACCEPTED = 2
    REFUSED = 3
    UNANSWERED = 4


class Reason(IntEnum):
    """Why it was refused, or not answered."""

    NONE = 0
    STATE = 1
    PLACE = 2
    CAUSE = 3
    ARGUMENT = 4
    ENDED = 5
    NO_ANSWER = 6


RESULT_TEXTS = {
    Result.NONE: "no command since the server began",
    Result.PENDING: "with the line",
    Result.ACCEPTED: "accepted",
    Result.REFUSED: "refused, nothing has changed; command_reason says why",
    Result.UNANSWERED: "the line has not answered: look at its state before asking again",
}
REASON_TEXTS = {
    Reason.NONE: "none",
    Reason.STATE: "the state or the mode does not take it",
    Reason.PLACE: "the line is set to local",
    Reason.CAUSE: "something that is present forbids it; see command_text and the faults",
    Reason.ARGUMENT: "no such command, mode or fault",
    Reason.ENDED: "the line is not running",
    Reason.NO_ANSWER: f"no answer within {ANSWER_WITHIN_S:g} s",
}
_KINDS = {
    Refusal.STATE: Reason.STATE,
    Refusal.PLACE: Reason.PLACE,
    Refusal.CAUSE: Reason.CAUSE,
    Refusal.ARGUMENT: Reason.ARGUMENT,
    None: Reason.ENDED,
}


@dataclass(frozen=True, slots=True)
class Asked:
    """A command as it was written."""

    code: int
    argument: int
    number: int


@dataclass(frozen=True, slots=True)
class Taken:
    """The last command taken, and what became of it."""

    asked: Asked
    result: Result = Result.NONE
    reason: Reason = Reason.NONE
    text: str = ""

    @property
    def next_number(self) -> int:
        """The number that the next command must have."""
        return self.asked.number % LAST_NUMBER + 1


class Commands:
    """The commands of one line. `clients` are the addresses that may give any."""

    def __init__(self, line: str, clients: Sequence[str], desk: Desk, last_number: int | None = None) -> None:
        """`last_number` is drawn by lot where it is not given."""
        self._line, self._clients, self._desk = line, frozenset(clients), desk
        drawn = 1 + secrets.randbelow(LAST_NUMBER) if last_number is None else last_number
        self.taken = Taken(Asked(0, 0, drawn))
        self._asked: dict[str, tuple[Asked, bool]] = {}
        """Each client's last command and whether it was in turn. Only the listed ones are in there."""
        self._task: asyncio.Task[None] | None = None

    def may(self, client: str) -> bool:
        """Whether commands from that address are taken."""
        return client in self._clients

    def ask(self, client: str, asked: Asked, fresh: bool) -> None:
        """Give the line a command, in turn, in time and once; `fresh`: the next number was read a moment ago.

        Raises RefusedError: busy, or a number that is out of turn or comes too late.
        """
        if asked.number == 0:
            self._asked.pop(client, None)
            return
        before, in_turn = self._asked.get(client, (None, False))
        if before != asked:
            if self.taken.result is Result.PENDING:
                raise RefusedError(Refused.BUSY)
            in_turn = asked.number == self.taken.next_number
            if in_turn and not fresh:
                self._refuse("command too late", client, asked)
            self._asked[client] = asked, in_turn
            if not in_turn:
                self._refuse("command out of turn", client, asked)
            self._take(client, asked)
        elif not in_turn:
            raise RefusedError(Refused.VALUE)

    async def close(self) -> None:
        """Wait for no answer any more."""
        if self._task is not None:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)

    def _refuse(self, why: str, client: str, asked: Asked) -> NoReturn:
        self._desk.refused(why, line=self._line, client=client, command=asked.code, number=asked.number)
        raise RefusedError(Refused.VALUE)

    def _take(self, client: str, asked: Asked) -> None:
        call = _call(asked, f"modbus {client}")
        if call is None:
            text = f"there is no command {asked.code} with argument {asked.argument}"
            self.taken = Taken(asked, Result.REFUSED, Reason.ARGUMENT, text)
            return
        self.taken = Taken(asked, Result.PENDING)
        self._task = asyncio.get_running_loop().create_task(self._give(asked, call), name="modbus command")

    async def _give(self, asked: Asked, call: Call) -> None:
        try:
            async with asyncio.timeout(ANSWER_WITHIN_S):
                reply = await self._desk.give(self._line, call)
        except TimeoutError:
            text = "the line has not answered"
            self.taken = Taken(asked, Result.UNANSWERED, Reason.NO_ANSWER, text)
            return
        self.taken = _answered(asked, reply)


def _answered(asked: Asked, reply: Reply) -> Taken:
    if reply.accepted:
        return Taken(asked, Result.ACCEPTED)
    return Taken(asked, Result.REFUSED, _KINDS[reply.kind], reply.reason)


def _call(asked: Asked, who: str) -> Call | None:
    """The call that a command stands for; None where there is no such one."""
    verb, argument = CODES.get(asked.code), ""
    if verb is None:
        return None
    if verb == "mode":
        modes = {int(mode): mode.name.lower() for mode in Mode}
        if asked.argument not in modes:
            return None
        argument = modes[asked.argument]
    elif verb == "acknowledge" and asked.argument:
        names = {number: name for name, number in FAULT_NUMBERS.items()}
        if asked.argument not in names:
            return None
        argument = names[asked.argument]
    elif asked.argument:
        return None
    return Call(verb, who, "plant", argument)
