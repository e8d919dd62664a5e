"""A whole line with a plain device in virtual time: where the marks land, and what becomes of the outputs."""

from __future__ import annotations

import random
from dataclasses import dataclass, field, replace
from typing import Any

import pytest

from controller import events as ev
from controller.events import RequestDone, RequestMade
from controller.lead import scan_s
from controller.model import Call, Fate, Miss, ProductFate, State
from controller.outcome import Image
from controller.plain import PlainSide
from controller.scan import Line, scan
from controller.spec import LineSpec
from sim.plain import ENABLE, PlainLine, trigger
from sim.products import Spread
from sim.scenario import Scenario
from sim.verdict import Judged, Verdict
from sim.virtual import VirtualBench, VirtualLink
from sim.world import build_plain_device
from tests.scenario.rig import Memory, constant, event, hunting, marker, products, ramp, scene, spec_of

ROW = products(length=90.0, pitch=150.0, spread=10.0, varies=Spread.UNIFORM)
TRIGGER = trigger(0)


def spec(**changes: Any) -> LineSpec:
    """The plain line, as with a test that is kept."""
    line = spec_of("plain-line.toml")
    assert line.plain is not None
    return replace(line, plain=replace(line.plain, unproven="", **changes))


@dataclass
class Plant:
    """A plain line under test, with what its outputs really did."""

    spec: LineSpec
    scenario: Scenario
    link_ns: tuple[int, int] = (150_000, 150_000)
    marks: list[Judged] = field(default_factory=list)
    outputs: list[tuple[int, str, bool]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.kept = Memory()
        verdict = Verdict(self.spec, self.scenario, on_judged=self.marks.append)
        self.device = build_plain_device(
            self.spec, self.scenario, on_product=verdict.product, on_mark=verdict.mark,
            on_output=lambda *change: self.outputs.append(change),
        )  # fmt: skip
        self.line = Line(self.spec, random.Random(self.scenario.seed).randint(1, 0xFFFF), 0)
        self.side = PlainLine(self.device, PlainSide(self.spec, 7))
        self.bench = VirtualBench(
            self.line, self.side, self.kept, link=VirtualLink(*self.link_ns), seed=self.scenario.seed
        )
        self.bench.start()

    def until(self, seconds: float) -> None:
        zero_ns = self.device.belt.zero_ns
        assert zero_ns is not None
        self.bench.run_until(zero_ns + round(seconds * 1e9))

    def of(self, kind: type) -> list[Any]:
        return [e for e in self.kept.events if isinstance(e, kind)]

    def changes(self, name: str, on: bool) -> list[int]:
        return [t for t, what, how in self.outputs if what == name and how is on]

    def assert_sound(self) -> None:
        assert self.bench.snapshot().balanced
        assert not [m for m in self.marks if m.double]
        assert not [m for m in self.marks if m.product is None]
        marked = [e for e in self.of(RequestDone) if e.fate is Fate.MARKED]
        assert len(marked) <= len(self.marks) <= len(self.changes(TRIGGER, True))


def missed(plant: Plant) -> set[Miss | None]:
    return {e.reason for e in plant.of(RequestDone) if e.fate is Fate.MISSED}


@pytest.mark.parametrize("speed", [50.0, 123.0, 211.0, 337.0, 480.0])
def test_at_a_steady_speed_every_mark_lies_within_half_a_scan_of_eye_and_release(speed: float) -> None:
    line = spec()
    plant = Plant(line, scene([constant(speed)], [ROW], seed=round(speed)))
    plant.until(6000.0 / speed)
    plant.assert_sound()
    assert len(plant.marks) > 30
    assert missed(plant) == set()
    assert line.plain is not None
    # Half a scan each, and the device's own scan, which takes inputs and sets outputs that much apart.
    most_mm = speed * (scan_s(line.period_s, 0.0) + 2 * 0.5 * line.plain.io_scan_s) + 2 * line.scale_mm
    assert max(abs(m.error_mm or 0.0) for m in plant.marks) <= most_mm


def test_over_changing_speeds_the_error_is_even_with_no_bias() -> None:
    # A device's scan that has no common measure with ours; where it has one, the two keep a phase, and that is a bias.
    line = spec(io_scan_s=0.0019)
    plant = Plant(line, scene([hunting(250.0, 60.0, 1.7, 120.0)], [ROW], seed=4))
    plant.until(119.0)
    plant.assert_sound()
    due = {e.request: e.due_counts for e in plant.of(RequestMade)}
    marked = [e for e in plant.of(RequestDone) if e.fate is Fate.MARKED]
    # In time, against the place that the line itself aimed at: the edge's own error is left out.
    off_ms = [
        (m.truth.position_mm - due[e.request] * line.scale_mm) / m.truth.speed_mm_s * 1e3
        for m, e in zip(plant.marks, marked, strict=False)
    ]
    assert len(off_ms) > 150
    # Even over a scan of 5 ms, and over the device's twice: sd 1.6 ms, so three times the mean's own of 150 is 0.4 ms.
    assert abs(sum(off_ms) / len(off_ms)) < 0.4
    assert 2.0 < max(map(abs, off_ms)) < 2.5 + 1.9 + 0.3


def test_a_pulse_is_held_for_its_width_and_every_mark_is_triggered_once() -> None:
    plant = Plant(spec(), scene([constant(300.0)], [ROW]))
    plant.until(12.0)
    begun, ended = plant.changes(TRIGGER, True), plant.changes(TRIGGER, False)
    assert len(begun) == len(plant.marks) > 15
    for begin_ns, end_ns in zip(begun, ended, strict=False):
        assert 20_000_000 <= end_ns - begin_ns <= 20_000_000 + 2 * 5_000_000 + 2 * 2_000_000


def test_an_interlock_that_opens_drops_enable_within_a_scan_and_nothing_is_marked_after() -> None:
    plant = Plant(spec(), scene([constant(300.0)], [ROW], events=[event("interlock_open", at=6.0, duration=0.5)]))
    plant.until(10.0)
    plant.assert_sound()
    assert plant.line.state is State.ABORTED
    assert plant.line.faults.first == "interlock_open"
    zero_ns = plant.device.belt.zero_ns
    assert zero_ns is not None
    opened_ns = zero_ns + 6_000_000_000
    # Taken by the device's scan, read by the next exchange, and set by the device's scan after that.
    [dropped_ns] = plant.changes(ENABLE, False)
    assert opened_ns < dropped_ns <= opened_ns + 5_000_000 + 2 * 2_000_000 + 1_000_000
    assert max(m.truth.release_ns for m in plant.marks) < dropped_ns
    assert plant.changes(TRIGGER, True)[-1] < dropped_ns


def test_a_link_that_drops_within_a_pulse_leaves_the_outputs_to_the_watchdog_and_nothing_is_repeated() -> None:
    line = spec()
    before = Plant(line, scene([constant(300.0)], [ROW]))
    before.until(8.0)
    zero_ns = before.device.belt.zero_ns
    assert zero_ns is not None
    within = next(t for t in before.changes(TRIGGER, True) if t > zero_ns + 5_000_000_000) - zero_ns + 8_000_000
    cut = event("link_drop", at=within * 1e-9, duration=2.0)
    plant = Plant(line, scene([constant(300.0)], [ROW], events=[cut]))
    plant.until(12.0)
    plant.assert_sound()
    assert plant.line.state is State.ABORTED
    cut_ns = zero_ns + within
    assert plant.changes(TRIGGER, True)[-1] < cut_ns, "a trigger rose again"
    for name in (TRIGGER, ENABLE):
        dropped_ns = plant.changes(name, False)[-1]
        # By the watchdog: 200 ms after a last write that lay within a scan before the cut.
        assert cut_ns + 200_000_000 - 6_000_000 <= dropped_ns <= cut_ns + 200_000_000
    assert not any(plant.device.outputs.values())


def test_without_a_watchdog_a_dropped_link_leaves_the_output_on_which_is_why_it_must_be_proven() -> None:
    cut = event("link_drop", at=6.0, duration=2.0)
    run = scene([constant(300.0)], [ROW], events=[cut])
    run = run.model_copy(update={"io": run.io.model_copy(update={"no_watchdog": True})})
    plant = Plant(spec(), run)
    plant.until(7.9)
    assert plant.device.outputs[ENABLE]


def test_a_marker_that_is_busy_or_slow_to_start_is_told_by_its_busy_input() -> None:
    slow = scene([constant(300.0)], [products(length=40.0, pitch=60.0)], markers=[marker(mark_time=0.25, rearm=0.02)])
    plant = Plant(spec(), slow)
    plant.until(8.0)
    plant.assert_sound()
    assert Miss.BUSY in missed(plant)
    counters = plant.line.book.counters
    assert counters.missed[Miss.BUSY] > 5
    assert counters.missed[Miss.UNCONFIRMED] == 0
    assert counters.marked + len(plant.line.book.sent) == len(plant.marks)


def test_a_marker_that_breaks_down_before_it_begins_is_never_said_to_have_marked() -> None:
    broken = event("marker_fault", at=6.0, duration=1.0)
    plant = Plant(spec(), scene([constant(300.0)], [ROW], events=[broken]))
    plant.until(9.0)
    plant.assert_sound()
    assert plant.line.state is State.HELD


def test_a_line_that_is_not_proven_does_not_start_and_says_why() -> None:
    line = spec_of("plain-line.toml")
    assert line.plain is not None
    unproven = replace(line, plain=replace(line.plain, unproven="no cable-pull test is kept"))
    with pytest.raises(RuntimeError, match="no cable-pull test is kept"):
        Plant(unproven, scene([constant(300.0)], [ROW]))
    dry = Plant(replace(unproven, dry=True), scene([constant(100.0), ramp(300.0, 200.0)][:1], [ROW]))
    dry.until(10.0)
    assert dry.line.book.counters.dry > 0
    assert not dry.changes(ENABLE, True)
    assert not dry.changes(TRIGGER, True)
    assert not dry.marks


def test_a_trigger_whose_answer_was_lost_is_unconfirmed_and_its_product_unknown() -> None:
    plant = Plant(spec(), scene([constant(300.0)], [ROW]))
    plant.until(4.0)
    line, side, device = plant.line, plant.side.side, plant.device
    now_ns, lost = plant.bench.now_ns, 0
    for n in range(400):
        sent_ns = now_ns + (n + 1) * 5_000_000
        command = line.command
        outputs = side.step(command, device.read_inputs(sent_ns + 100_000), sent_ns + 100_000)
        device.write_output(trigger(0), outputs.triggers[0], sent_ns + 200_000)
        device.write_output(ENABLE, outputs.enable, sent_ns + 200_000)
        if outputs.rising and not lost:
            lost = command.order_token
            image = Image(None, sent_ns, sent_ns + 300_000, "no answer")
        else:
            image = Image(side.answered(sent_ns + 250_000), sent_ns, sent_ns + 300_000)
        plant.kept.put(scan(line, image, image.got_ns).events)
    [done] = [e for e in plant.of(RequestDone) if e.token == lost]
    assert (done.fate, done.reason) == (Fate.MISSED, Miss.UNCONFIRMED)
    assert line.state is State.EXECUTE, "one exchange without an answer is no lost link"
    assert line.book.counters.products[ProductFate.UNKNOWN] == 1
    assert line.book.counters.marked > 5
    plant.assert_sound()
    # It was really made, once, and so were all that came after it.
    assert len(plant.marks) == line.book.counters.marked + 1 + len(line.book.sent)


def test_a_test_mark_is_made_once_and_enable_drops_after_it() -> None:
    plant = Plant(spec(), scene([constant(50.0)], [products(length=90.0, pitch=150.0, first=5000.0)]))
    for verb, argument in (("stop", ""), ("mode", "maintenance"), ("reset", ""), ("start", ""), ("test-mark", "flap")):
        plant.bench.give(Call(verb, "anna", argument=argument))
        plant.bench.run_until(plant.bench.now_ns + 300_000_000)
    assert plant.bench.tally.refused == []
    assert [e.result for e in plant.of(ev.TestMarked)] == ["released"]
    assert len(plant.changes(TRIGGER, True)) == 1
    assert not plant.device.outputs[ENABLE]
