"""One line as the clients find it: its newest image as registers and bits, and its commands.

Rules of this file: what is read is of one instant; it is put together anew when something has changed, and for the ages
every 10 ms. A line that falls silent keeps its last values, marked stale, and its heartbeat stands still.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from controller.layout import Table
from controller.modbus_pdu import READS, WRITES, Refused, RefusedError, answer
from controller.plant.image import Desk, LineImage, LinePlan
from controller.plant.modbus import map as plant_map
from controller.plant.modbus.commands import FRESH_S, Asked, Commands
from controller.plant.modbus.rows import Shown

_ANEW_NS = 10_000_000
_FRESH_NS = round(FRESH_S * 1e9)
_FOR_ANYONE = frozenset(READS)
_FOR_COMMANDERS = frozenset({*READS, 6, 16})


class LineBank:
    """The registers and bits of one line. `now_ns` is the clock of its images: monotonic ns."""

    def __init__(self, plan: LinePlan, desk: Desk, now_ns: Callable[[], int] = time.monotonic_ns) -> None:
        section = plan.section.modbus
        self._about, self._desk, self.now_ns = plan.about, desk, now_ns
        # Between two images the line is not silent: they come with the period, and a period may be missed.
        self._silent_ns = round((plan.about.lost_after_s + 2 * plan.section.period) * 1e9)
        self._lost_ns = round(plan.about.lost_after_s * 1e9)
        self.commands = Commands(plan.about.name, section.command_clients if section is not None else (), desk)
        self._image: LineImage | None = None
        self._silent = True
        self._heartbeat = 0
        self._made_ns: int | None = None
        self._made_with: object = None
        self._registers: list[int] = []
        self._bits: list[int] = []

    @property
    def line(self) -> str:
        """The line's name."""
        return self._about.name

    def publish(self, image: LineImage | None) -> None:
        """Show the line as it is now; None: it has fallen silent."""
        self._silent = image is None
        if image is not None and image is not self._image:
            self._image = image
            self._heartbeat = self._heartbeat + 1 & 0xFFFF
        self._made_ns = None

    def read(self, table: Table, address: int, count: int) -> list[int]:
        """Read what stands there, which is readable."""
        self._make()
        return (self._bits if table.of_bits else self._registers)[address : address + count]

    def _make(self) -> None:
        now_ns, taken = self.now_ns(), self.commands.taken
        if self._made_ns is None or self._made_with is not taken or now_ns - self._made_ns > _ANEW_NS:
            shown = self._shown(now_ns)
            self._registers, self._bits = plant_map.registers(shown), plant_map.bits(shown)
            self._made_ns, self._made_with = now_ns, taken

    def _shown(self, now_ns: int) -> Shown:
        image = self._image
        age_ns = None if image is None else max(0, now_ns - image.snapshot.t_ns)
        status_ns = None if image is None else image.snapshot.status_age_ns
        return Shown(
            about=self._about,
            image=image,
            heartbeat=self._heartbeat,
            image_age_ns=age_ns,
            status_age_ns=None if status_ns is None or age_ns is None else status_ns + age_ns,
            controller_silent=self._silent or age_ns is None or age_ns > self._silent_ns,
            # By what the image says: that the image itself grows old is the other bit's affair.
            io_silent=status_ns is None or status_ns > self._lost_ns,
            command=self.commands.taken,
        )


@dataclass(slots=True)
class Visitor:
    """One connection before one line: what it may do there, and what it has written so far.

    As Tables it raises RefusedError for what is not there.
    """

    bank: LineBank
    client: str
    _written: dict[int, int] = field(default_factory=dict)
    _read_next: tuple[int, int] | None = None
    """The next command's number as last read here, and when."""

    def answer(self, pdu: bytes, desk: Desk) -> bytes:
        """Answer one request. To clients that are not listed this is a server that knows no writing."""
        if self.bank.commands.may(self.client):
            return answer(pdu, self, _FOR_COMMANDERS)
        if pdu[0] in WRITES:
            desk.refused("write from an unlisted address", line=self.bank.line, client=self.client, function=pdu[0])
        return answer(pdu, self, _FOR_ANYONE)

    def check_readable(self, table: Table, address: int, count: int) -> None:
        """Refuse what no span of the map holds."""
        spans = (plant_map.BITS,) if table.of_bits else plant_map.SPANS
        if not any(span.holds(address, count) for span in spans):
            raise RefusedError(Refused.ADDRESS)

    def read(self, table: Table, address: int, count: int) -> Sequence[int]:
        """Read registers or bits of the line, which are readable."""
        values = self.bank.read(table, address, count)
        if not table.of_bits and address <= plant_map.NEXT_AT < address + count:
            self._read_next = values[plant_map.NEXT_AT - address], self.bank.now_ns()
        return values

    def write(self, table: Table, address: int, values: list[int]) -> None:
        """Write into the command's registers; with its number the command is given."""
        if table is not Table.HOLDING or not plant_map.COMMAND.holds(address, len(values)):
            raise RefusedError(Refused.ADDRESS)
        self._written.update(enumerate(values, address))
        if address + len(values) > plant_map.NUMBER_AT:
            asked = Asked(
                self._written.get(plant_map.CODE_AT, 0),
                self._written.get(plant_map.ARGUMENT_AT, 0),
                self._written[plant_map.NUMBER_AT],
            )
            self.bank.commands.ask(self.client, asked, self._is_fresh(asked.number))

    def _is_fresh(self, number: int) -> bool:
        if self._read_next is None:
            return False
        read, at_ns = self._read_next
        return read == number and self.bank.now_ns() - at_ns <= _FRESH_NS
