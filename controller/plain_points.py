"""Where a plain device keeps its inputs and outputs, and the requests of an exchange with it.

Rules of this file: the read that brings the count comes last, so that it is the freshest as the outputs are written;
an output stands alone in a coil or a register, so that writing it writes nothing else; enable and running are written
in every exchange, a trigger only as it changes. No I/O here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cached_property

from controller.plain import PlainInputs, StationInputs
from controller.points import WRITE_LIMIT, Point, Request, Table, fewest_requests

READ_GAP = 24
"""Unused registers or bits that one read may take along."""
NUMBERS = frozenset({"count", "sample_us"})
STEADY = ("enable", "running")
STATION_INPUTS = ("ready", "busy", "fault", "done")


class PlainMap:
    """The points of a plain device, checked.

    `inputs` has "count" and, where there are such, "sample_us", "detector", "drive", "enable_back", "interlock.N" and
    "station.N.ready|busy|fault|done", N from 0; `outputs` has "station.N.trigger", and "enable" and "running" where
    there are such. Raises ValueError with one line naming the points.
    """

    def __init__(
        self, inputs: Mapping[str, Point], outputs: Mapping[str, Point], stations: int, modulus: int | None = None
    ) -> None:
        self.inputs, self.outputs, self.stations = dict(inputs), dict(outputs), stations
        count = self.inputs["count"]
        self.modulus = 1 << count.width if modulus is None else modulus
        for name, point in self.inputs.items():
            if name in NUMBERS and point.is_bit:
                raise ValueError(f"{name} ({point}) is a number: it needs a register, not one bit")
            if name not in NUMBERS and not point.is_bit:
                raise ValueError(f"{name} ({point}) is one input: say which bit of the register")
        if self.modulus > 1 << count.width:
            raise ValueError(f"count ({count}) is {count.width} bits wide, too narrow for {self.modulus} values")
        sample = self.inputs.get("sample_us")
        if sample is not None and (sample.width != 32 or self._last(sample) is not self._last(count)):
            raise ValueError(f"sample_us ({sample}) needs 32 bits, beside count ({count}) in one request")
        for name, point in self.outputs.items():
            if not point.table.writable:
                raise ValueError(f"{name} ({point}) cannot be written: use a coil or a holding register")
            if point.bit is not None or point.width == 32:
                raise ValueError(f"{name} ({point}) shares its register: give it a coil or a register of its own")
        taken: dict[tuple[Table, int], str] = {}
        for name, point in [*self.outputs.items(), *self.inputs.items()]:
            for address, _ in point.cells:
                other = taken.get((point.table, address))
                if other is not None and (name in self.outputs or other in self.outputs):
                    raise ValueError(f"{other} and {name} ({point}) overlap: move one of them")
                taken[point.table, address] = name

    @cached_property
    def read_plan(self) -> tuple[Request, ...]:
        """The reads in order; the last one brings the count."""
        count = self.inputs["count"]
        return tuple(sorted(fewest_requests(self.inputs.values(), READ_GAP), key=lambda request: request.holds(count)))

    def _last(self, point: Point) -> Request:
        return next(request for request in self.read_plan if request.holds(point))

    @cached_property
    def steady_plan(self) -> tuple[Request, ...]:
        """The writes of every exchange: enable and running."""
        return tuple(fewest_requests([p for n, p in self.outputs.items() if n in STEADY], 0, WRITE_LIMIT))

    @property
    def requests(self) -> int:
        """How many requests an exchange has in which a trigger is written or nothing else is."""
        return len(self.read_plan) + max(1, len(self.steady_plan))

    def trigger(self, station: int) -> Point:
        """The output that triggers a station's marker."""
        return self.outputs[f"station.{station}.trigger"]

    def values(self, blocks: Sequence[Sequence[int]]) -> dict[str, int]:
        """Take every input out of what the read plan brought, one block a request."""
        cells = {
            (request.table, request.address + n): value
            for request, block in zip(self.read_plan, blocks, strict=True)
            for n, value in enumerate(block)
        }
        return {name: _value(point, cells) for name, point in self.inputs.items()}

    def decode(self, values: Mapping[str, int]) -> PlainInputs:
        """Make the inputs of an exchange of their values."""

        def on(name: str) -> bool | None:
            value = values.get(name)
            return None if value is None else bool(value)

        closed = [name for name in self.inputs if name.startswith("interlock.") and values[name]]
        stations = tuple(
            StationInputs(
                on(f"station.{n}.ready"), on(f"station.{n}.busy"), bool(on(f"station.{n}.fault")),
                on(f"station.{n}.done"),
            )
            for n in range(self.stations)
        )  # fmt: skip
        return PlainInputs(
            values["count"] % self.modulus,
            stations,
            values.get("sample_us"),
            bool(values.get("detector")),
            bool(values.get("drive")),
            sum(1 << int(name.partition(".")[2]) for name in closed),
            on("enable_back"),
        )

    def steady_blocks(self, on: Mapping[str, bool]) -> list[list[int]]:
        """Make the blocks that the steady plan writes."""
        blocks = [[0] * request.count for request in self.steady_plan]
        for name, value in on.items():
            point = self.outputs.get(name)
            if point is None:
                continue
            for request, block in zip(self.steady_plan, blocks, strict=True):
                if request.holds(point):
                    block[point.address - request.address] = int(value)
        return blocks

    def encode(self, inputs: PlainInputs) -> list[list[int]]:
        """The device's way: make of its inputs the blocks that the read plan asks for."""
        values: dict[str, int | bool | None] = {
            "count": inputs.count, "sample_us": inputs.sample_us, "detector": inputs.detector, "drive": inputs.drive,
            "enable_back": inputs.enable_back,
        }  # fmt: skip
        for n, told in enumerate(inputs.stations):
            values |= {f"station.{n}.{name}": getattr(told, name) for name in STATION_INPUTS}
        cells: dict[tuple[Table, int], int] = {}
        for name, point in self.inputs.items():
            kind, _, bit = name.partition(".")
            value = inputs.interlocks >> int(bit) & 1 if kind == "interlock" else int(values[name] or 0)
            if point.is_bit:
                ((address, mask),) = point.cells
                cells[point.table, address] = cells.get((point.table, address), 0) | (mask if value else 0)
            else:
                for n, address in enumerate(reversed(point.words)):
                    cells[point.table, address] = value >> 16 * n & 0xFFFF
        return [
            [cells.get((request.table, request.address + n), 0) for n in range(request.count)]
            for request in self.read_plan
        ]


def _value(point: Point, cells: Mapping[tuple[Table, int], int]) -> int:
    if point.is_bit:
        address, mask = point.cells[0]
        return int(cells[point.table, address] & mask != 0)
    value = 0
    for address in point.words:
        value = value << 16 | cells[point.table, address]
    return value - (1 << point.width) if point.signed and value >> (point.width - 1) else value
