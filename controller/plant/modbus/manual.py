"""What must be known of the map beside its rows, as the document has it; the figures are those of the code."""

from __future__ import annotations

from controller.plant.modbus.commands import ANSWER_WITHIN_S, FRESH_S
from controller.plant.modbus.map import BITS, CODE_AT, COMMAND, NUMBER_AT, STATUS, TEXTS, Span


def _to(span: Span) -> str:
    return f"{span.first} to {span.first + span.count - 1}"


ARGUMENTS = {
    "mode": "1 Production, 2 Maintenance, 3 Manual",
    "acknowledge": "the fault's number; 0: all",
}
"""Verb → what its argument is; of the others it is 0."""

READING = f"""\
Within a map version no address, type, unit, meaning or number changes; what is new takes a reserved place. Read
`map_version` first.

- Functions 01 to 04 read, 06 and 16 write the command's registers for the clients that are listed in
  `command_clients`, 43/14 says who answers. To any other client every writing function is unknown (exception 01).
- Addresses count from 0, as they stand in the request: many tools call address 0 holding register 400001, 40001 or 1.
  Holding and input registers show the same, coils and discrete inputs too.
- 32 bits have the **high word first**. Read both words in one request. Registers {_to(STATUS)} can be read in one
  request and are then of one instant; reserved ones are 0. Beside them only {_to(COMMAND)}, the texts
  {_to(TEXTS)} and the bits {_to(BITS)} can be read; anything else is exception 02.
- "One is" says what a difference of 1 in the register stands for. What does not fit stays at the end of the type's
  range; sums and the travel wrap, so that differences stay right. A text is UTF-8, two bytes a register, the first in
  the upper half, filled up with zeros.
- A line that has fallen silent keeps its last values: look at `stale`, at the ages, and whether `heartbeat` moves.
- Another unit number than the lines' is exception 0B; where one line is served, 0 and 255 stand for it too."""

COMMANDING = f"""\
Commands are taken from the addresses in `command_clients` only, and the line takes what would bring it nearer to
marking only while it is set to remote. Test mark, line clear and remote itself are given at the line.

1. Read registers {_to(STATUS)}; `command_next` is the number that the next command must have. Use it on the same
   connection within {FRESH_S:g} s: what was held up on its way for longer is refused.
2. Write code, argument and number to {CODE_AT} to {NUMBER_AT} with one function 16; with function 06 write the number
   last.
3. Read until `command_number` is yours and `command_result` is not 1. A line answers within a scan or two, and is
   given up after {ANSWER_WITHIN_S:g} s.

| the write is answered with | means |
| --- | --- |
| the usual answer | taken; or it repeats your last one, and nothing is done again |
| exception 03 | nothing is done: the number is not the next one, or was not read lately |
| exception 06 | another command is still with the line: write the same again in a moment |
| exception 01 | this client is not listed |

A number is not the next one when somebody else was first, or when the server has started anew: it then draws the next
number by lot, so that an old number is not taken for a new one. A client that writes the registers again and again
gives one command with each number that it changes to. Number 0 asks for nothing."""
