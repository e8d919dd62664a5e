"""A hand at the simulated I/O side that gives it requests one by one, with all it needs on hand."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from controller.registers import (
    Command,
    ControlBit,
    OrderKind,
    Release,
    Status,
)
from sim.belt import Belt, Segment, Steady
from sim.detector import EyeSpec
from sim.device import Device
from sim.device_spec import DeviceSpec
from sim.encoder import Encoder
from sim.marker import MarkerSpec, MarkTruth
from sim.products import Product
from sim.script import Happening

S = 1_000_000_000
MS = 1_000_000
ON = ControlBit.ENABLE | ControlBit.RUNNING


class Hand:
    """Somebody who writes and reads the registers by hand. 1 mm a count unless told otherwise."""

    def __init__(
        self, parts: Sequence[Segment] = (Steady(100.0),), *, modulus: int = 1 << 32, sense: int = 1, start: int = 0,
        starts: bool = True, pieces: Sequence[tuple[float, float]] = (), markers: Sequence[MarkerSpec] = (),
        eye: EyeSpec | None = None, happenings: Sequence[Happening] = (), **spec: Any,
    ) -> None:  # fmt: skip
        belt = Belt(parts, start_ns=0 if starts else None)
        encoder = Encoder(belt, 1.0, start=start, modulus=modulus, sense=sense)
        self.marks: list[MarkTruth] = []
        supply = [Product(n, lead, length) for n, (lead, length) in enumerate(pieces, start=1)]
        self.device = Device(
            DeviceSpec(boot_id=77, interlocks=0b11, **spec), belt, encoder, iter(supply),
            markers or [MarkerSpec(300.0, 0, 20 * MS, 10 * MS, 4)],
            eye=eye, happenings=happenings, on_mark=self.marks.append,
        )  # fmt: skip
        self.heartbeat, self.token, self.t_ns = 10, 100, 0

    def write(self, t_ns: int, control: int = ON, **more: Any) -> Status:
        self.heartbeat = (self.heartbeat + 1) & 0xFFFF
        fields = {"heartbeat": self.heartbeat, "boot_id_seen": 77, "owner": 5, "lease_ms": 500, **more}
        fields.setdefault("order_token", self.token)
        self.device.write(Command(control=int(control), **fields), t_ns)
        self.t_ns = t_ns
        return self.device.read(t_ns)

    def enable(self, t_ns: int = 0, **more: Any) -> Status:
        self.write(t_ns, 0, **more)
        return self.write(t_ns, **more)

    def order(self, t_ns: int, count: int, kind: OrderKind = OrderKind.ARM, **more: Any) -> Status:
        self.token = (self.token + 1) & 0xFFFF
        return self.write(t_ns, order_kind=int(kind), order_count=count, order_token=self.token, **more)

    def keep(self, until_ns: int, step_ns: int = 100 * MS, **more: Any) -> Status:
        status = self.device.read(self.t_ns)
        while self.t_ns + step_ns <= until_ns:
            status = self.write(self.t_ns + step_ns, **more)
        return status


def released(status: Status) -> list[Release]:
    """The last eight releases, oldest first."""
    total = status.release_total
    return [status.releases[n % 8] for n in range(max(0, total - 8), total)]
