"""What the tests of the decision core share: a small line, the simulated I/O side under it, and one exchange at a time."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any, TypeVar

from controller.events import Event, RequestDone
from controller.model import Call, State
from controller.outcome import Image, Outcome
from controller.registers import Command, Status
from controller.scan import Line, scan, snapshot
from controller.spec import LineSpec, MarkPlan, Station
from sim.belt import Belt, Segment, Steady
from sim.detector import EyeSpec
from sim.device import Device
from sim.device_spec import DeviceSpec
from sim.encoder import Encoder
from sim.marker import MarkerSpec, MarkTruth
from sim.products import Product
from sim.script import Happening

PERIOD_NS = 5_000_000
WAY_NS = 150_000
MS = 1_000_000
SECOND = 1_000_000_000
OWNER = 77

E = TypeVar("E")
Tamper = Callable[[Status], Status]


def station(distance_mm: float = 200.0, name: str = "flap", *, plan: MarkPlan | None = None, **more: Any) -> Station:
    """Give a marker `distance_mm` downstream; by default one mark on the leading edge."""
    return Station(name, distance_mm, plan or MarkPlan(), **more)


def line_spec(**changes: Any) -> LineSpec:
    """Give a tea packer's line with one marker and two guards, 0.1 mm a count."""
    return replace(
        LineSpec(
            name="cartons",
            scale_mm=0.1,
            stations=(station(),),
            exchange_s=0.001,
            top_speed_mm_s=500.0,
            interlocks={0: "guard", 1: "cover"},
        ),
        **changes,
    )


class Rig:
    """A line and the simulated I/O side on one clock, one exchange at a time."""

    def __init__(
        self, spec: LineSpec | None = None, products: Sequence[tuple[float, float]] = (), *,
        belt: Sequence[Segment] = (Steady(100.0),), happenings: Sequence[Happening] = (),
        rules_off: Sequence[int] = (), markers: Sequence[MarkerSpec] | None = None, start_raw: int = 0,
        eye: EyeSpec | None = None, owner: int = OWNER,
    ) -> None:  # fmt: skip
        """`products` are (place of the leading edge, length) in mm of belt travel."""
        self.spec = spec or line_spec()
        true = markers or [
            MarkerSpec(s.distance_mm, *(round(x * 1e9) for x in (s.response_s, s.mark_time_s, s.rearm_s)))
            for s in self.spec.stations
        ]
        self.marks: list[MarkTruth] = []
        counter, road = self.spec.counter, Belt(belt)
        wheel = Encoder(road, self.spec.scale_mm, start=start_raw, modulus=counter.modulus, sense=counter.sense)
        self.device = Device(
            DeviceSpec(interlocks=sum(1 << b for b in self.spec.interlocks), rules_off=frozenset(rules_off)),
            road, wheel, iter([Product(n, *p) for n, p in enumerate(products, start=1)]), true,
            eye=eye, happenings=happenings, on_mark=self.marks.append,
        )  # fmt: skip
        self.line = Line(self.spec, owner, 0)
        self.next_ns = 0
        self.now_ns = 0
        self.tamper: Tamper | None = None
        self.history: list[tuple[Image, tuple[Call, ...]]] = []
        self.outcomes: list[Outcome] = []
        self.events: list[Event] = []

    def scan(self, *calls: Call, lost: str = "", journal_ok: bool = True) -> Outcome:
        """One exchange and one decision. `lost` is "reply" (the write arrived) or "both"."""
        sent_ns, at_ns = self.next_ns, self.next_ns + WAY_NS
        if lost != "both":
            self.device.write(self.line.command, at_ns)
        status: Status | None = self.device.read(at_ns)
        if lost:
            status = None
        elif status is not None and self.tamper is not None:
            status = self.tamper(status)
        image = Image(status, sent_ns, at_ns + WAY_NS, "cable out" if lost else "", journal_ok)
        self.now_ns = image.got_ns
        outcome = scan(self.line, image, self.now_ns, calls)
        self.next_ns = self.now_ns if outcome.at_once else (self.now_ns // PERIOD_NS + 1) * PERIOD_NS
        if outcome.send_at_ns is not None:
            self.next_ns = max(self.now_ns, outcome.send_at_ns)
        self.history.append((image, calls))
        self.outcomes.append(outcome)
        self.events.extend(outcome.events)
        assert self.line.book.balanced
        return outcome

    def call(self, verb: str, argument: str = "", source: str = "local", who: str = "ann") -> str:
        """Give one call with the next scan; its refusal, or an empty text when it was accepted."""
        return self.scan(Call(verb, who, source, argument)).replies[0].reason

    def run(self, seconds: float, **how: Any) -> None:
        """Go on scanning for so long."""
        end_ns = self.now_ns + round(seconds * 1e9)
        while self.now_ns < end_ns:
            self.scan(**how)

    def until(self, wanted: State | Callable[[], bool], limit_s: float = 5.0, **how: Any) -> None:
        """Go on until the state, or the condition, is reached; fails after `limit_s`."""
        end_ns = self.now_ns + round(limit_s * 1e9)
        while not (self.line.state is wanted if isinstance(wanted, State) else wanted()):
            assert self.now_ns < end_ns, f"{wanted} not reached; the line is in {self.line.state.name}"
            self.scan(**how)

    def start(self) -> None:
        """Reset and Start, up to Execute."""
        self.run(0.05)
        assert self.call("reset") == ""
        self.until(State.IDLE)
        assert self.call("start") == ""
        self.until(State.EXECUTE)

    def of(self, kind: type[E]) -> list[E]:
        """Give the events of one kind so far."""
        return [e for e in self.events if isinstance(e, kind)]

    @property
    def fates(self) -> list[RequestDone]:
        """The requests that have ended."""
        return self.of(RequestDone)

    @property
    def command(self) -> Command:
        """What the next exchange will write."""
        return self.line.command

    @property
    def enabled(self) -> bool:
        """Whether the next exchange carries enable high."""
        return bool(self.command.control & 1)

    def look(self) -> Any:
        """The snapshot of now."""
        return snapshot(self.line, self.now_ns)
