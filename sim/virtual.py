"""The bench in virtual time: the same decision function and the same simulated device, with nothing to wait for.

Each scan is an exchange that takes a stated time, and a decision. Where the decision says that it will not act before
the belt has come so far, and the device that nothing will happen, the scans in between are skipped: the line is told
how many (`controller.scan.idle`) and is given the counts that the last of them would have read. Stepped in full the
same run gives the same journal, to the row.
"""

from __future__ import annotations

import gc
import random
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from math import inf
from typing import Any, Final

from controller.model import Call, State
from controller.outcome import Image, Outcome
from controller.ports import Recorder
from controller.scan import Line, idle, next_act, scan, snapshot
from controller.snapshot import Snapshot
from controller.spec import LineSpec
from controller.travel import IdleStretch
from sim.device import Device
from sim.plain import PlainLine
from sim.result import controller_part
from sim.scenario import Scenario
from sim.terms import SpeedTerms
from sim.verdict import Verdict
from sim.world import build_side, scheduled_calls

AT_ONCE_LIMIT: Final = 8
"""Exchanges without a pause that one period may hold."""
GLIDE: Final = 24
"""Idle scans looked at in one go; more would be looked at in vain before an order."""
LINK_TIMEOUT_NS = 250_000_000
"""How long an exchange over a dead link takes to fail."""


@dataclass(frozen=True, slots=True)
class VirtualLink:
    """What an exchange costs: each way between the two bounds, at random where they differ."""

    least_ns: int = 150_000
    most_ns: int = 150_000

    @property
    def steady(self) -> bool:
        """Whether every exchange takes the same time; only then may scans be skipped."""
        return self.least_ns == self.most_ns


@dataclass(slots=True)
class Tally:
    """What the bench did: scans decided, scans skipped, calls refused."""

    stepped: int = 0
    skipped: int = 0
    refused: list[str] = field(default_factory=list)


class VirtualBench:
    """One line and one device on one clock. `run_until` goes on; `give` is somebody at the panel."""

    def __init__(
        self,
        line: Line,
        device: Device | PlainLine,
        recorder: Recorder,
        *,
        link: VirtualLink | None = None,
        seed: int = 0,
        skip: bool = True,
        on_outcome: Callable[[int, Outcome], None] | None = None,
    ) -> None:
        self.line, self.device = line, device
        self.tally = Tally()
        self._recorder = recorder
        self._link = link or VirtualLink()
        self._chance = random.Random(seed)
        self._skip = skip and self._link.steady and isinstance(device, Device)
        self._on_outcome = on_outcome
        self._period_ns = round(line.spec.period_s * 1e9)
        self._tick = 0
        self._calls: list[Call] = []
        self._scheduled: list[tuple[int, Call]] = []
        self.now_ns = 0

    @property
    def _field_block(self) -> Device:
        """The device, as one that can be skipped over."""
        assert isinstance(self.device, Device)
        return self.device

    def give(self, *calls: Call) -> None:
        """Hand calls to the next scan."""
        self._calls.extend(calls)

    def schedule(self, calls: Sequence[tuple[int, Call]]) -> None:
        """Calls to be given at times of the bench's clock."""
        self._scheduled = sorted([*self._scheduled, *calls], key=lambda item: item[0])

    def snapshot(self) -> Snapshot:
        """The line as it is now."""
        return snapshot(self.line, self.now_ns)

    def start(self) -> None:
        """Reset and Start on behalf of whoever runs the bench. Raises RuntimeError when the line does not let them."""
        who = Call("reset", "bench"), Call("start", "bench")
        self.run_until(self.now_ns + round(self.line.spec.limits.lease_s * 2e9))
        for call, state in zip(who, (State.IDLE, State.EXECUTE), strict=True):
            self.give(call)
            limit = self.now_ns + 5_000_000_000
            while self.line.state is not state and self.now_ns < limit:
                self.run_until(self.now_ns + self._period_ns)
            if self.line.state is not state:
                raise RuntimeError(f"{call.verb} did not lead to {state.name.capitalize()}: {self.tally.refused}")
        # The running bit, which the belt may wait for, goes out with the next exchange.
        self.run_until(self.now_ns + 2 * self._period_ns)

    def stop(self) -> None:
        """Stop on behalf of whoever runs the bench, and wait until the line has come to rest."""
        self.give(Call("stop", "bench"))
        limit_ns = self.now_ns + round(2e9 * self.line.spec.limits.stop_s)
        while self.now_ns < limit_ns:
            self.run_until(self.now_ns + self._period_ns)
            if self.line.state in (State.STOPPED, State.ABORTED):
                return

    def run_until(self, t_ns: int) -> None:
        """Go on scanning until the clock has come to `t_ns`."""
        while self._tick * self._period_ns < t_ns:
            self._period()
            self._tick = max(self._tick + 1, -(-self.now_ns // self._period_ns))
            if self._skip and not self._calls:
                self._skip_idle(t_ns)
        self.now_ns = max(self.now_ns, t_ns)

    def _period(self) -> None:
        """One period: an exchange and a decision, and at once again while the decision asks for it."""
        sent_ns = max(self.now_ns, self._tick * self._period_ns)
        while self._scheduled and self._scheduled[0][0] <= sent_ns:
            self._calls.append(self._scheduled.pop(0)[1])
        outcome = self._exchange(sent_ns)
        for _ in range(AT_ONCE_LIMIT):
            if outcome.send_at_ns is not None:
                sent_ns = max(self.now_ns, outcome.send_at_ns)
            elif outcome.at_once:
                sent_ns = self.now_ns
            else:
                break
            outcome = self._exchange(sent_ns)

    def _exchange(self, sent_ns: int) -> Outcome:
        arrives_ns = sent_ns + self._delay_ns()
        if self.device.link_down(arrives_ns):
            image = Image(None, sent_ns, sent_ns + LINK_TIMEOUT_NS, "no answer", self._recorder.ok)
        else:
            self.device.write(self.line.command, arrives_ns)
            status = self.device.read(arrives_ns)
            image = Image(status, sent_ns, arrives_ns + self._delay_ns(), "", self._recorder.ok)
        calls, self._calls = self._calls, []
        self.now_ns = image.got_ns
        outcome = scan(self.line, image, self.now_ns, calls)
        self.tally.stepped += 1
        if outcome.replies:
            self.tally.refused.extend(r.reason for r in outcome.replies if not r.accepted)
        if outcome.events:
            self._recorder.put(outcome.events)
        if self._on_outcome is not None:
            self._on_outcome(self.now_ns, outcome)
        return outcome

    def _delay_ns(self) -> int:
        if self._link.steady:
            return self._link.least_ns
        return self._chance.randint(self._link.least_ns, self._link.most_ns)

    def _skip_idle(self, until_ns: int) -> None:
        """Skip the scans before the next one that could decide anything."""
        period_ns, way_ns, device = self._period_ns, self._link.least_ns, self._field_block
        act = next_act(self.line, self.now_ns)
        if act is None or not device.heeds(self._tick * period_ns + way_ns) or device.belt.speed_mm_s(self.now_ns) < 0:
            return
        # A scan decides on what was read; it must be stepped if anything has happened by then.
        wake_ns = min(until_ns + way_ns, act.at_ns - way_ns)
        if self._scheduled:
            wake_ns = min(wake_ns, self._scheduled[0][0] + way_ns)
        turn_ns = device.belt.next_piece_ns(device.now_ns)
        if turn_ns is not None:
            wake_ns = min(wake_ns, turn_ns)
        goal = self._goal(act.counts - self.line.travel.counts)
        waits = list(act.edge_waits)
        while True:
            event_ns = device.next_event_ns(device.now_ns, lease_kept=True)
            before_ns = wake_ns if event_ns is None else min(wake_ns, event_ns)
            # Where the belt is then says whether the goal comes before; only if so is its own time worked out.
            if goal is not None and device.travel_at(before_ns) >= goal:
                reach_ns = device.time_of_travel_ns(goal, device.now_ns)
                if reach_ns is not None:
                    wake_ns = min(wake_ns, reach_ns)
                    before_ns = min(before_ns, wake_ns)
            if event_ns is not None and device.link_down(event_ns):
                before_ns = min(
                    before_ns, event_ns - period_ns
                )  # an edge that waits is read while the link still stands
            if not self._glide(before_ns) or event_ns is None or event_ns >= wake_ns:
                return
            if not waits or not device.edge_next or waits[0] < 0:
                return
            device.keep_lease(event_ns, self.line.watch.echo)
            device.advance(event_ns)
            later = self._goal(waits.pop(0))
            if later is not None:
                goal = later if goal is None else min(goal, later)

    def _goal(self, ahead_counts: float) -> int | None:
        """The belt's true travel so many counts further on; None: never to be waited for."""
        if ahead_counts == inf:
            return None
        return self._field_block.travel_at(self.device.now_ns) + int(ahead_counts)

    def _glide(self, before_ns: int) -> bool:
        """Skip the scans that read before a time; False when one of them would order."""
        period_ns, way_ns, device = self._period_ns, self._link.least_ns, self._field_block
        until = -(-(before_ns - way_ns) // period_ns)
        while self._tick < until:
            scans = min(until - self._tick, GLIDE)
            first_ns = self._tick * period_ns
            times_ns = range(first_ns + way_ns, first_ns + scans * period_ns, period_ns)
            us = device.samples_us_at(times_ns)
            stretch = IdleStretch(device.counts_at(times_ns), us, first_ns, period_ns, 2 * way_ns)
            taken = idle(self.line, stretch)
            if taken:
                device.keep_lease(times_ns[taken - 1], self.line.watch.echo)
                self.now_ns = stretch.got_ns(taken)
                self._tick += taken
                self.tally.skipped += taken
            if taken < scans:
                return False
        return True


@contextmanager
def _rare_collections() -> Iterator[None]:
    """Keep the garbage collector from walking again and again over what was there before and stays."""
    before = gc.get_threshold()
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 20, 50)
    try:
        yield
    finally:
        gc.set_threshold(*before)
        gc.unfreeze()


@dataclass(frozen=True, slots=True)
class VirtualOptions:
    """How a bench in virtual time is run. `seed` None is the scenario's own."""

    duration_s: float
    seed: int | None = None
    skip: bool = True
    slice_s: float = 10.0
    """Virtual time between two calls of `progress`."""


def run_virtual(
    spec: LineSpec,
    scenario: Scenario,
    recorder: Recorder,
    options: VirtualOptions,
    progress: Callable[[float, Snapshot], None] | None = None,
) -> dict[str, Any]:
    """Run the line on the scenario in virtual time, from Reset and Start to Stop, and return the bench's result.

    The belt's profile begins as the scenario says; `duration_s` counts from there. `progress` is called with the
    virtual seconds gone and a snapshot. Raises RuntimeError when the line does not start.
    """
    began_s = time.perf_counter()
    verdict = Verdict(spec, scenario, on_judged=lambda judged: terms.mark(judged))
    terms = SpeedTerms(spec, scenario, verdict.count_mm)
    device = build_side(spec, scenario, options.seed, on_product=verdict.product, on_mark=verdict.mark)
    seed = scenario.seed if options.seed is None else options.seed
    line = Line(spec, owner=random.Random(f"{seed}/owner").randint(1, 0xFFFF), now_ns=0)
    link = VirtualLink(*(round(s * 1e9) for s in (scenario.link.delay_min, scenario.link.delay_max)))
    bench = VirtualBench(
        line,
        device,
        recorder,
        link=VirtualLink() if link.most_ns == 0 else link,
        seed=seed,
        skip=options.skip,
        on_outcome=lambda _, outcome: terms.events(outcome.events),
    )
    faults: dict[str, int] = line.faults.totals
    bench.start()
    if device.belt.zero_ns is None:
        raise RuntimeError("the belt waits for the running bit and did not get it")
    bench.schedule(scheduled_calls(scenario, device.belt))
    zero_ns = device.belt.zero_ns
    end_ns = zero_ns + round(options.duration_s * 1e9)
    with _rare_collections():
        while bench.now_ns < end_ns:
            bench.run_until(min(end_ns, bench.now_ns + round(options.slice_s * 1e9)))
            if progress is not None:
                progress((bench.now_ns - zero_ns) * 1e-9, bench.snapshot())
    device.advance(bench.now_ns)  # marks may have been made since the last scan read
    device.advance(max(device.now_ns, bench.now_ns))
    truth = verdict.result(device, terms.greatest_mm)
    duration_s = (bench.now_ns - zero_ns) * 1e-9
    bench.stop()
    wall_s = time.perf_counter() - began_s
    part = controller_part(bench.snapshot(), virtual=True, duration_s=duration_s, wall_s=wall_s)
    return {
        **part,
        **truth,
        "faults": dict(faults),
        "response": terms.summary(),
        "scans": {"stepped": bench.tally.stepped, "skipped": bench.tally.skipped},
        "refused": bench.tally.refused,
    }
