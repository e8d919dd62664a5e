"""Where each value of the field block stands on a given device, and the requests that carry it.

Rules of this file: a map is checked as it is made, so a `PointMap` that exists can be read and written; every
refusal is one line that names both points. Reading may take registers along that no point uses (a gap), writing
never does. No I/O here; packing is in `controller.packing`.
"""

from __future__ import annotations

from collections.abc import Collection, Container, Iterable, Mapping
from functools import cached_property

from controller.layout import (
    COUNTS,
    STATION_FLAGS,
    WORDS_OF_BITS,
    Point,
    Request,
    Table,
    WordOrder,
    command_points,
    required_because,
    status_points,
)

__all__ = ["Point", "PointMap", "Request", "Table", "WordOrder"]

READ_LIMIT = 125
"""Registers that one read may carry (Modbus Application Protocol V1.1b3, functions 03, 04 and 23)."""
READ_BITS_LIMIT = 2000
WRITE_LIMIT = 121
"""Registers that one function 23 may write; function 16 may write 123."""


class PointMap:
    """Where every value stands, checked, with the requests that carry them all.

    `modulus` is how many values the belt counter has (default: its width's whole range). `read_gap` is how many
    unused registers a read may take along to save a request. `elsewhere` are status values that come another way and
    so are neither here nor missing. Raises ValueError with one line naming the points.
    """

    def __init__(
        self,
        status: Mapping[str, Point],
        command: Mapping[str, Point],
        *,
        modulus: int | None = None,
        read_gap: int = 24,
        elsewhere: Collection[str] = (),
    ) -> None:
        self.status = dict(status)
        self.command = dict(command)
        self.read_gap = read_gap
        self.elsewhere = frozenset(elsewhere)
        _check_complete({**self.status, **dict.fromkeys(self.elsewhere)}, self.command)
        self.modulus = 1 << self.status["belt_count"].width if modulus is None else modulus
        self._check_kinds()
        _check_overlap(self.status, self.command)
        self._check_order()

    @classmethod
    def default(cls, stations: int = 0) -> PointMap:
        """Make the map of the default layout with so many further stations."""
        return cls(status_points(Point(Table.HOLDING, 0), stations=stations), command_points(Point(Table.HOLDING, 100)))

    def has(self, name: str) -> bool:
        """Whether the line has a status value: a name of `STATUS_WORDS`, "bits.…", "captures" or "releases"."""
        return name in self.status or name in self.elsewhere or f"{name}.0.count" in self.status

    @property
    def stations(self) -> int:
        """How many further stations have points."""
        return sum(1 for name in self.status if name.startswith("station.") and name.endswith(".armed"))

    @cached_property
    def read_plan(self) -> tuple[Request, ...]:
        """The reads in order: the one that shows the heartbeat first, those that hold rings last.

        Then nothing in a status is older than the heartbeat it answers, and a ring is never older than its total.
        """
        echo = self.status["heartbeat_echo"]
        rings = [p for name, p in self.status.items() if name.startswith(("captures.", "releases."))]

        def rank(request: Request) -> int:
            return 0 if request.holds(echo) else 2 if any(request.holds(p) for p in rings) else 1

        return tuple(sorted(fewest_requests(self.status.values(), self.read_gap), key=rank))

    @cached_property
    def write_plan(self) -> tuple[Request, ...]:
        """The writes in order: the one that holds heartbeat and order_token is last."""
        heartbeat = self.command["heartbeat"]
        writes = fewest_requests(self.command.values(), 0, WRITE_LIMIT)
        return tuple(sorted(writes, key=lambda request: request.holds(heartbeat)))

    @property
    def function_23_fits(self) -> bool:
        """Whether one function 23 can carry the last write and the first read: both in holding registers."""
        return self.write_plan[-1].table is Table.HOLDING and self.read_plan[0].table is Table.HOLDING

    def _check_kinds(self) -> None:
        for name, point in self.command.items():
            if not point.table.writable:
                raise ValueError(f"command.{name} ({point}) cannot be written: use holding or coil")
        if self.modulus < 4 or self.modulus % 2:
            raise ValueError(f"a counter of {self.modulus} values: the number must be even and at least 4")
        for where, points in (("", self.status), ("command.", self.command)):
            for name, point in points.items():
                last = name.rpartition(".")[2]
                is_flag = name.startswith("station.") and last in STATION_FLAGS
                if point.is_bit and not is_flag and not name.startswith(("bits.", "control.")):
                    raise ValueError(f"{where}{name} ({point}) is a number: it needs a register, not one bit")
                if not point.is_bit and name.startswith(("bits.", "control.")):
                    raise ValueError(f"{where}{name} ({point}) is one bit: say which bit of the register")
                if (last in COUNTS or last == "count") and self.modulus > 1 << point.width:
                    raise ValueError(
                        f"{where}{name} ({point}) is {point.width} bits wide, too narrow for the {self.modulus} values"
                        f" of belt_count ({self.status['belt_count']})"
                    )
        sample = self.status.get("sample_us")
        if sample is not None and sample.width != 32:
            raise ValueError(f"sample_us ({sample}) needs 32 bits: widen it or drop it")

    def _check_order(self) -> None:
        heartbeat, token = self.command["heartbeat"], self.command["order_token"]
        if not self.write_plan[-1].holds(token):
            raise ValueError(
                f"command.heartbeat ({heartbeat}) and command.order_token ({token}) cannot be written in one request:"
                " leave no register between them that is not part of the command"
            )
        for one, other in (("belt_count", "sample_us"), ("ack_token", "ack_result"), ("ack_token", "ack_count")):
            if other in self.status and self._read(one) != self._read(other):
                raise ValueError(
                    f"{one} ({self.status[one]}) and {other} ({self.status[other]}) cannot be read in one request:"
                    f" bring them within {READ_LIMIT} registers of the same table"
                )
        orders = (("armed", "releases"), ("release_total", "releases"), ("capture_total", "captures"))
        for total, ring in orders:
            entries = [name for name in self.status if name.startswith(f"{ring}.")]
            early = next((name for name in entries if self._read(name) < self._read(total)), None)
            if early is not None:
                raise ValueError(
                    f"{early} ({self.status[early]}) would be read before {total} ({self.status[total]}):"
                    f" keep {total} in the request of heartbeat_echo, or move the ring to a request of its own"
                )

    def _read(self, name: str) -> int:
        return next(i for i, request in enumerate(self.read_plan) if request.holds(self.status[name]))


def _check_complete(status: Container[str], command: Container[str]) -> None:
    default_status = status_points(Point(Table.HOLDING, 0))
    missing = [name for name in default_status if name not in status and required_because(name) is not None]
    for name in command_points(Point(Table.HOLDING, 0)):
        key = name if name.startswith("control.") else f"command.{name}"
        if name not in command and required_because(key) is not None:
            missing.append(key)
    if missing:
        raise ValueError(f"{missing[0]} cannot be dropped: {required_because(missing[0])}")
    if ("capture_total" in status) != ("captures.0.edge" in status):
        raise ValueError("captures and capture_total go together: drop both or neither")


def _check_overlap(status: Mapping[str, Point], command: Mapping[str, Point]) -> None:
    taken: dict[tuple[Table, int], list[tuple[int, str, Point]]] = {}
    named = [*status.items(), *((n if n.startswith("control.") else f"command.{n}", p) for n, p in command.items())]
    for name, point in named:
        for address, mask in point.cells:
            claims = taken.setdefault((point.table, address), [])
            for other_mask, other, other_point in claims:
                shares_word = other in WORDS_OF_BITS and name.startswith("bits.")
                if mask & other_mask and other != name and not shares_word:
                    raise ValueError(f"{other} ({other_point}) and {name} ({point}) overlap: move one of them")
                if name.startswith(("command.", "control.")) != other.startswith(("command.", "control.")):
                    raise ValueError(
                        f"{other} ({other_point}) is read from the register that {name} ({point}) is written to:"
                        " move one of them"
                    )
            claims.append((mask, name, point))


def fewest_requests(points: Iterable[Point], gap: int, limit: int = READ_LIMIT) -> list[Request]:
    """Find the fewest requests that carry `points` with at most `gap` unused addresses in a row."""
    spans: dict[Table, set[tuple[int, int]]] = {}
    for point in points:
        addresses = [address for address, _ in point.cells]
        spans.setdefault(point.table, set()).add((min(addresses), max(addresses)))
    requests = []
    for table, pieces in spans.items():
        most = READ_BITS_LIMIT if table.of_bits else limit
        start = end = -1
        for first, last in sorted(pieces):
            if start >= 0 and (last - start >= most or first - end - 1 > gap):
                requests.append(Request(table, start, end - start + 1))
                start = -1
            if start < 0:
                start = first
            end = max(end, last)
        requests.append(Request(table, start, end - start + 1))
    return requests
