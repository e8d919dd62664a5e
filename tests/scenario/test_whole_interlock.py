"""An interlock opened at random instants in 1,000 runs, half of them with an I/O side that inhibits nothing by itself.

For each run: from the write that the scan gave which saw it, nothing is released and every command has enable low,
until somebody gives Clear, Reset and Start; what the controller says of each request is what the I/O side really did.
"""

from __future__ import annotations

import random
from collections import Counter
from dataclasses import dataclass, replace

import pytest

from controller.events import RequestDone
from controller.model import Fate, State
from controller.registers import StatusBit
from controller.spec import LineSpec
from tests.scenario.rig import WholeLine, constant, enable_of, event, marker, products, scene, spec_of, with_station

RUNS = 1000
BATCHES = 10


@dataclass
class Sums:
    """What the runs of a batch had, to show that they tried what they should."""

    fates: Counter[str]
    armed: Counter[int]
    worst_after_open: int = 0
    released_after_open: int = 0
    blinks: int = 0
    clear_refused: int = 0
    marks: int = 0
    marks_after_restart: int = 0


def small_line(chance: random.Random) -> LineSpec:
    """A short line; the further ahead orders are sent, the more targets are armed at a time."""
    spec = with_station(
        spec_of("demo-line.toml"), distance_mm=chance.uniform(150.0, 200.0), mark_time_s=0.004, rearm_s=0.002
    )
    limits = replace(spec.limits, least_lead_s=chance.choice((0.0, 0.05, 0.2)), misses_in_a_row=0)
    eye = replace(spec.detector, least_length_mm=2.0, least_gap_mm=1.0, hold_off_mm=4.0)
    plan = replace(spec.stations[0].plan, offset_mm=2.0, length_mm=3.0)
    return with_station(replace(spec, limits=limits, detector=eye, max_accel_mm_s2=500.0), plan=plan)


def one_run(number: int, rules_off: list[int], sums: Sums) -> None:
    chance = random.Random(f"interlock/{number}")
    spec = small_line(chance)
    slow = chance.random() < 0.5
    link_ns = (0, 4_000_000) if slow else (chance.randint(50_000, 1_500_000),) * 2
    spec = replace(spec, exchange_s=0.008 if slow else 0.004)
    opened_s = chance.uniform(0.25, 0.8)
    blink = chance.random() < 0.5
    lasts_s = chance.uniform(0.0001, 0.004) if blink else chance.uniform(0.2, 0.5)
    name = chance.choice(list(spec.interlocks.values()))
    supply = products(
        length=8.0, gap=chance.uniform(4.0, 30.0), spread=3.0, varies="uniform", first=chance.uniform(1, 20)
    )
    slow_marker = [marker(mark_time=chance.choice((0.004, 0.03)))]
    world = scene(
        [constant(chance.uniform(150.0, 500.0))], [supply], seed=number, rules_off=rules_off, markers=slow_marker,
        events=[event("interlock_open", interlock=name, at=opened_s, duration=lasts_s)],
    )  # fmt: skip
    whole = WholeLine(spec, world, link_ns=link_ns)
    whole.bench.start()
    opens_ns, closes_ns = (whole.zero_ns + round(s * 1e9) for s in (opened_s, opened_s + lasts_s))

    # Seen by the first scan whose reading lies behind it; its answer is the next write.
    whole.until(opened_s + 0.1)
    saw_ns, status = next((t, s) for t, s in whole.reads if t >= opens_ns)
    assert status.interlocks_opened or not status.bits & StatusBit.INTERLOCKS_CLOSED
    sums.armed[next(s.armed for t, s in reversed(whole.reads) if t < opens_ns)] += 1
    answered_ns = next(t for t, _ in whole.writes if t > saw_ns)
    assert whole.line.state is State.ABORTED
    assert "interlock" in whole.bench.snapshot().first_cause

    if not blink:
        for verb in ("clear", "reset", "start", "unhold"):
            assert whole.say(verb), f"{verb} was accepted while {name} was open"
        sums.clear_refused += 1
    whole.bench.run_until(max(closes_ns, whole.bench.now_ns) + 150_000_000)
    assert whole.state is State.ABORTED, "it went on by itself as the interlock closed"
    assert whole.say("start") and whole.say("reset")
    restart_ns = whole.bench.now_ns
    safe = [enable_of(command) for t, command in whole.writes if t >= answered_ns]
    assert safe and not any(safe), "enable was high after the interlock had been seen open"
    for verb, state in (("clear", State.STOPPED), ("reset", State.IDLE), ("start", State.EXECUTE)):
        assert whole.state is not State.EXECUTE
        assert not whole.say(verb)
        whole.on(0.03)
        assert whole.state is state
    whole.on(0.3)
    whole.bench.stop()

    released = whole.released_tokens()
    after = [t for t in released.values() if opens_ns < t < restart_ns]
    if 1 not in rules_off:
        assert not after, "an I/O side that keeps its rules released with an interlock open"
    assert not [t for t in after if t > answered_ns], "a mark after the write that should have stopped it"
    whole.assert_sound(off_product=0)
    done = whole.events(RequestDone)
    assert {e.token for e in done if e.fate is Fate.MARKED} == released.keys()
    assert not whole.line.book.sent, "stopped with an order whose end is not known"

    sums.released_after_open += len(after)
    sums.worst_after_open = max(sums.worst_after_open, max((t - opens_ns for t in after), default=0))
    sums.fates.update(str(e.reason or e.fate) for e in done)
    sums.blinks += blink
    sums.marks += len(released)
    sums.marks_after_restart += sum(t > restart_ns for t in released.values())


@pytest.mark.long
@pytest.mark.parametrize("batch", range(BATCHES))
def test_nothing_is_released_once_an_open_interlock_has_been_seen(batch: int) -> None:
    rules_off = [1] if batch % 2 else []
    sums = Sums(Counter(), Counter())
    for number in range(batch * RUNS // BATCHES, (batch + 1) * RUNS // BATCHES):
        one_run(number, rules_off, sums)
    print(
        f"\n{RUNS // BATCHES} runs, rules off {rules_off}: {sums.blinks} blinks, armed as it opened "
        f"{dict(sorted(sums.armed.items()))}, fates {dict(sums.fates)}, released between opening and our write "
        f"{sums.released_after_open} (latest {sums.worst_after_open / 1e6:.2f} ms after), clear refused "
        f"{sums.clear_refused} times, {sums.marks} marks, {sums.marks_after_restart} of them after the restart"
    )
    assert sums.blinks > 20 and sums.clear_refused > 20 and sums.marks_after_restart > 100
    assert sums.armed.total() - sums.armed[0] > 30, "too few runs had a target armed"
