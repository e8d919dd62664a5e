"""A whole line in virtual time under test, with everything that is true of it and everything that it was told.

The parts are the real ones; the taps only note what passes between controller and I/O side. Sections of a scenario that
are wanted by the hundred are made without reading texts: values are then in mm, mm/s and s.
"""

from __future__ import annotations

import json
import random
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

from controller.events import Event, RequestDone, RequestMade, StateChanged
from controller.model import Call, Fate, State
from controller.records.export import dump
from controller.records.journal import Journal
from controller.registers import Command, ControlBit, Status
from controller.scan import Line
from controller.settings.line import load_line
from controller.spec import LineSpec
from sim.products import Spread
from sim.result import shortfalls
from sim.scenario import (
    BeltSection,
    CallSection,
    DelaySection,
    EventSection,
    ProductsSection,
    Scenario,
    SegmentSection,
    TrueDetectorSection,
    TrueEncoderSection,
    TrueMarkerSection,
    load_scenario,
)
from sim.script import Kind
from sim.verdict import Judged, Verdict
from sim.virtual import VirtualBench, VirtualLink, VirtualOptions, run_virtual
from sim.world import build_device

ROOT = Path(__file__).resolve().parents[2]
CONFIG = ROOT / "config"


class Memory:
    """A recorder that keeps everything at hand; `ok` is what a scan is told of it."""

    def __init__(self) -> None:
        self.events: list[Event] = []
        self.ok = True

    def put(self, events: Sequence[Event]) -> None:
        """Keep them."""
        self.events.extend(events)


class Nothing:
    """A recorder for runs so long that what they report is not to be kept."""

    ok = True

    def put(self, events: Sequence[Event]) -> None:
        """Let them go."""


@cache
def spec_of(name: str) -> LineSpec:
    """The line of a file under config/, as the decision core takes it."""
    return load_line(CONFIG / name).spec()


@cache
def scenario_of(line: str, scenario: str) -> Scenario:
    """A scenario file under config/bench/, checked against a line."""
    return load_scenario(CONFIG / "bench" / scenario, spec_of(line))


def with_station(spec: LineSpec, **changes: Any) -> LineSpec:
    """A line with its first station changed."""
    return replace(spec, stations=(replace(spec.stations[0], **changes), *spec.stations[1:]))


# Sections of a scenario, in mm, mm/s and s.


def constant(speed: float, duration: float | None = None) -> SegmentSection:
    return SegmentSection.model_construct(kind="constant", speed=speed, duration=duration)


def ramp(to: float, acceleration: float) -> SegmentSection:
    return SegmentSection.model_construct(kind="ramp", to=to, acceleration=acceleration)


def hunting(speed: float, amplitude: float, period: float, duration: float) -> SegmentSection:
    return SegmentSection.model_construct(
        kind="hunting", speed=speed, amplitude=amplitude, period=period, duration=duration
    )


def stop(duration: float | None) -> SegmentSection:
    return SegmentSection.model_construct(kind="stop", duration=duration)


def back_up(speed: float, distance: float) -> SegmentSection:
    return SegmentSection.model_construct(kind="back_up", speed=speed, distance=distance)


def products(**given: Any) -> ProductsSection:
    given |= {name: Spread(given[name]) for name in ("varies", "length_varies") if name in given}
    return ProductsSection.model_construct(**given)


def marker(**given: Any) -> TrueMarkerSection:
    return TrueMarkerSection.model_construct(**given)


def eye(**given: Any) -> TrueDetectorSection:
    return TrueDetectorSection.model_construct(**given)


def encoder(**given: Any) -> TrueEncoderSection:
    return TrueEncoderSection.model_construct(**given)


def event(kind: str, **given: Any) -> EventSection:
    return EventSection.model_construct(kind=Kind(kind), **given)


def call(verb: str, **given: Any) -> CallSection:
    return CallSection.model_construct(verb=verb, **given)


def scene(
    segments: list[SegmentSection], supply: list[ProductsSection], *, seed: int = 1,
    delays_s: tuple[float, float] = (0, 0), repeat: bool = False, **more: Any,
) -> Scenario:  # fmt: skip
    """A scenario whose belt starts as the line first runs."""
    belt = BeltSection.model_construct(starts="with running", repeat=repeat, segments=segments)
    link = DelaySection.model_construct(delay_min=delays_s[0], delay_max=delays_s[1])
    return Scenario.model_construct(name="test", seed=seed, belt=belt, products=supply, link=link, **more)


# Runs.


def run(
    spec: LineSpec, scenario: Scenario, duration_s: float, *, seed: int | None = None, skip: bool = True,
    recorder: Memory | Nothing | Journal | None = None,
) -> dict[str, Any]:  # fmt: skip
    """A bench's result, as `beltcue bench --virtual` has it, with its shortfalls; what it reports is not kept."""
    result = run_virtual(spec, scenario, recorder or Nothing(), VirtualOptions(duration_s, seed, skip))
    result["shortfalls"] = shortfalls(result)
    return result


def journal_of(
    path: Path, spec: LineSpec, scenario: Scenario, duration_s: float, *, seed: int | None = None, skip: bool = True
) -> tuple[dict[str, Any], dict[str, list[tuple[object, ...]]]]:
    """A run kept in a journal: the result, and all rows."""
    journal = Journal.open(path, spec.name, synchronous="OFF", bound=10_000_000)
    try:
        journal.begin_run(job=spec.job_name, job_number=spec.job_number, dry=spec.dry, config="", mono_ns=0, wall_ns=0)
        result = run(spec, scenario, duration_s, seed=seed, skip=skip, recorder=journal)
    finally:
        journal.close("its time was over")
    return result, dump(path)


def figures(result: dict[str, Any]) -> str:
    """The figures of a result in one line, in counts where they are placements."""
    place, count_mm = result["placement"], result["placement"]["count_mm"]
    landed = "no mark"
    if place["n"]:
        landed = f"max {place['max_abs_mm'] / count_mm:.3f}, mean {place['mean_mm'] / count_mm:+.4f} counts"
    requests = result["requests"]
    return (
        f"{result['products']['detected']} products, {requests['marked']} of {requests['created']} marked, "
        f"missed {json.dumps(requests['missed'])}, {landed}, faults {json.dumps(result['faults'])}, "
        f"{result['wall_s']:.1f} s on the wall"
    )


class WholeLine:
    """A line, its device and the bench between them, for tests that drive it step by step."""

    def __init__(
        self, spec: LineSpec, scenario: Scenario, *, skip: bool = True, device_clock: bool = True,
        link_ns: tuple[int, int] = (150_000, 150_000), note: str = "all",
    ) -> None:  # fmt: skip
        """`device_clock` False: an I/O side without sample_us; every scan is stepped. `note`: all, marks, nothing."""
        self.spec, self.scenario = spec, scenario
        self.marks: list[Judged] = []
        self.writes: list[tuple[int, Command]] = []
        self.reads: list[tuple[int, Status]] = []
        self.kept = Memory()
        self.verdict = Verdict(spec, scenario, on_judged=None if note == "nothing" else self.marks.append)
        self.device = build_device(spec, scenario, on_product=self.verdict.product, on_mark=self.verdict.mark)
        self.line = Line(spec, owner=random.Random(f"{scenario.seed}/owner").randint(1, 0xFFFF), now_ns=0)
        self.bench = VirtualBench(
            self.line, self.device, self.kept if note == "all" else Nothing(), link=VirtualLink(*link_ns),
            seed=scenario.seed, skip=skip and device_clock,
        )  # fmt: skip
        if note == "all" or not device_clock:
            self._tap(device_clock)

    def _tap(self, device_clock: bool) -> None:
        write, read = self.device.write, self.device.read

        def noted_write(command: Command, t_ns: int) -> None:
            self.writes.append((t_ns, command))
            write(command, t_ns)

        def noted_read(t_ns: int) -> Status:
            status = read(t_ns)
            if not device_clock:
                status = replace(status, sample_us=None)
            self.reads.append((t_ns, status))
            return status

        self.device.write, self.device.read = noted_write, noted_read  # type: ignore[method-assign]

    # Driving.

    @property
    def zero_ns(self) -> int:
        """When the belt's profile began."""
        assert self.device.belt.zero_ns is not None
        return self.device.belt.zero_ns

    @property
    def state(self) -> State:
        return self.line.state

    def until(self, seconds: float) -> None:
        """Go on until so long after the profile began."""
        self.bench.run_until(self.zero_ns + round(seconds * 1e9))

    def on(self, seconds: float) -> None:
        """Go on for so long."""
        self.bench.run_until(self.bench.now_ns + round(seconds * 1e9))

    def say(self, verb: str, argument: str = "") -> str:
        """Give a command and let two periods pass; the refusal, or nothing."""
        before = len(self.bench.tally.refused)
        self.bench.give(Call(verb, "test", argument=argument))
        self.on(2 * self.spec.period_s)
        return self.bench.tally.refused[before] if len(self.bench.tally.refused) > before else ""

    # What came of it.

    def events(self, kind: type) -> list[Any]:
        return [e for e in self.kept.events if isinstance(e, kind)]

    def states(self) -> list[State]:
        """The states gone through, in order."""
        return [e.new for e in self.events(StateChanged)]

    def released_tokens(self) -> dict[int, int]:
        """Every order that really became a mark: its token, and when it was released."""
        tokens = {m.truth.token: m.truth.release_ns for m in self.marks}
        assert len(tokens) == len(self.marks), "one order made two marks"
        return tokens

    def assert_sound(self, *, off_product: int = 0) -> None:
        """What always holds: the counts balance, nothing is marked twice, fates agree with what was released."""
        snapshot = self.bench.snapshot()
        assert snapshot.balanced
        created, done = self.events(RequestMade), self.events(RequestDone)
        assert len({e.request for e in done}) == len(done), "a request got two fates"
        assert len(created) - len(done) == snapshot.pending
        assert not [m for m in self.marks if m.double], "a product was marked twice"
        assert len([m for m in self.marks if m.product is None]) <= off_product
        released = self.released_tokens()
        marked = {e.token for e in done if e.fate is Fate.MARKED}
        assert marked <= released.keys(), f"said to be marked and never released: {marked - released.keys()}"

    def largest_counts(self) -> float:
        """The largest placement error, in counts."""
        return max(abs(m.error_mm) for m in self.marks if m.error_mm is not None) / self.verdict.count_mm


def enable_of(command: Command) -> bool:
    """Whether a command has enable high."""
    return bool(command.control & ControlBit.ENABLE)
