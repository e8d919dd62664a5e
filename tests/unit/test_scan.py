"""One scan after another over the simulated I/O side: marking, stopping, coming back, and giving the same answer again."""

from __future__ import annotations

import hashlib
import os
import pickle
import random
import subprocess
import sys
from collections import Counter
from itertools import pairwise
from pathlib import Path

import pytest

from controller.events import ProductDone, ProductSeen, StateChanged
from controller.faults import Reaction
from controller.model import Call, ProductFate, State
from controller.registers import OrderKind
from controller.scan import Line, scan
from controller.spec import Counter as BeltCounter
from controller.spec import Detector, Limits, MarkPlan
from sim.belt import Hunting, Ramp, Steady
from sim.detector import EyeSpec
from sim.script import Happening, Kind
from tests.unit.core_kit import MS, SECOND, Rig, line_spec, station

ROOT = Path(__file__).parents[2]
ROW = [(60.0 + 40.0 * n, 20.0) for n in range(40)]


def errors_counts(rig: Rig, distance_mm: float, leads: list[float]) -> list[float]:
    """How far each mark truly lies from where it was wanted, in counts."""
    return [(m.position_mm - lead - distance_mm) / 0.1 for m, lead in zip(rig.marks, leads, strict=True)]


@pytest.mark.parametrize("captured", [True, False])
@pytest.mark.parametrize("counter", [BeltCounter(), BeltCounter(1 << 16, -1), BeltCounter(36_000, 1)])
def test_every_product_is_marked_once_and_in_its_place(counter: BeltCounter, captured: bool) -> None:
    products = [(60.0 + 40.0 * n + 0.037 * n, 20.0) for n in range(30)]
    rig = Rig(
        line_spec(counter=counter, detector=Detector(captured=captured)), products,
        belt=(Steady(100.0, SECOND), Ramp(300.0, 2 * SECOND), Steady(300.0)), start_raw=counter.modulus - 7,
    )  # fmt: skip
    rig.start()
    rig.until(lambda: len(rig.marks) == 30, 8.0)
    rig.run(0.3)
    worst = 1.0 if captured else 1.0 + 300.0 * 0.005 / 0.1 / 2
    assert max(map(abs, errors_counts(rig, 200.0, [lead for lead, _ in products]))) <= worst
    counters = rig.line.book.counters
    assert (counters.detected, counters.products[ProductFate.MARKED], counters.marked) == (30, 30, 30)
    assert rig.line.book.pending == 0
    assert all(e.released_counts == e.target_counts for e in rig.fates)


def test_responses_are_taken_out_at_every_speed() -> None:
    products = [(60.0 + 40.0 * n, 20.0) for n in range(60)]
    rig = Rig(
        line_spec(stations=(station(response_s=0.004),), detector=Detector(response_s=0.001)), products,
        belt=(Steady(100.0, 10 * SECOND), Ramp(400.0, SECOND), Steady(400.0)), eye=EyeSpec(1 * MS),
    )  # fmt: skip
    rig.start()
    rig.until(lambda: len(rig.marks) == 60, 16.0)
    found = errors_counts(rig, 200.0, [lead for lead, _ in products])
    steady = [e for e, m in zip(found, rig.marks, strict=True) if m.speed_mm_s in (100.0, 400.0)]
    assert max(map(abs, steady)) <= 2.0  # one count of rounding, one of the speed's own resolution
    assert max(map(abs, found)) <= 4.0


def test_backing_up_and_stopping_mark_nothing_twice() -> None:
    belt = (
        Steady(100.0, 3 * SECOND),
        Steady(-100.0, SECOND),
        Steady(0.0, SECOND),
        Hunting(80.0, 120.0, 0.7, 20 * SECOND),
    )
    rig = Rig(line_spec(), ROW, belt=belt)
    rig.start()
    rig.run(24.0)
    assert set(Counter(round((m.position_mm - 200.0 - 60.0) / 40.0) for m in rig.marks).values()) == {1}
    assert rig.line.book.counters.detected == len({e.product for e in rig.of(ProductSeen)})
    done = rig.of(ProductDone)
    assert len(done) > 10
    assert all(e.fate is ProductFate.MARKED for e in done)


def test_several_stations_share_one_order_channel() -> None:
    stations = (
        station(150.0, "flap"),
        station(95.0, "lid", plan=MarkPlan(offset_mm=2.0, pitch_mm=6.0, count=3)),
        station(200.0, "side"),
    )
    rig = Rig(line_spec(stations=stations), ROW[:10])
    rig.start()
    rig.until(lambda: len(rig.marks) == 50, 10.0)
    per_station = Counter(m.station for m in rig.marks)
    assert per_station == {0: 10, 1: 30, 2: 10}
    for number, mark in enumerate([m for m in rig.marks if m.station == 1]):
        wanted_mm = 60.0 + 40.0 * (number // 3) + 95.0 + 2.0 + 6.0 * (number % 3)
        assert abs(mark.position_mm - wanted_mm) <= 0.1
    assert rig.line.book.counters.products[ProductFate.MARKED] == 10


def test_after_a_lost_reply_the_same_order_is_repeated_and_acted_on_once() -> None:
    rig = Rig(products=ROW[:12])
    rig.start()
    chance = random.Random(8)
    orders = []
    while len(rig.marks) < 12:
        free = rig.line.orders.free
        lost = "" if free else chance.choice(["", "reply", "reply", "both"])
        command = rig.scan(lost=lost).command
        if command.order_kind:
            orders.append((command.order_token, command.order_kind, command.order_count))
    rig.run(0.2)
    assert len(orders) > 20
    assert len(set(orders)) == 12, "one token, one set of data for each order"
    assert set(Counter(m.token for m in rig.marks).values()) == {1}
    assert rig.line.book.counters.marked == 12


def test_a_new_token_is_never_used_before_the_last_is_answered() -> None:
    rig = Rig(line_spec(max_accel_mm_s2=30_000.0), [(60.0 + 10.0 * n, 5.0) for n in range(60)])
    rig.start()
    rig.run(6.0)
    tokens = [rig.outcomes[0].command.order_token]
    for (image, _), before, after in zip(rig.history[1:], rig.outcomes, rig.outcomes[1:], strict=False):
        if after.command.order_token != tokens[-1]:
            tokens.append(after.command.order_token)
            assert image.status is not None
            if before.command.order_kind:
                assert image.status.ack_token == before.command.order_token
    assert [b - a for a, b in pairwise(tokens)] == [1] * (len(tokens) - 1)


def test_orders_and_outputs_that_drop_do_not_wait_for_the_period() -> None:
    rig = Rig(products=ROW)
    rig.start()
    rig.until(lambda: bool(rig.line.book.sent))
    placed = [o for o in rig.outcomes if o.command.order_kind is OrderKind.ARM or o.command.order_kind]
    assert all(o.at_once for o in placed)
    rig.scan(Call("stop", "ann"))
    assert rig.outcomes[-1].at_once
    assert not rig.enabled


# The same answer again.


def eventful(seed: int) -> Rig:
    """A run with a bit of everything; everything random comes from the seed."""
    chance = random.Random(seed)
    happenings = [
        Happening(Kind.MARKER_FAULT, 2 * SECOND, duration_ns=100 * MS),
        Happening(Kind.UPSTREAM_EMPTY, 3 * SECOND, duration_ns=100 * MS),
        Happening(Kind.INTERLOCK_OPEN, 5 * SECOND, duration_ns=1 * MS),
    ]
    stations = (station(120.0), station(150.0, "lid", plan=MarkPlan(pitch_mm=5.0, count=None), response_s=0.004))
    rig = Rig(
        line_spec(stations=stations, auto_unsuspend=True, limits=Limits(lease_s=0.05)), ROW,
        belt=(Hunting(120.0, 150.0, 0.9, 30 * SECOND),), happenings=happenings, eye=EyeSpec(1 * MS),
    )  # fmt: skip
    rig.start()
    verbs = ["clear", "reset", "start", "unhold", "hold", "suspend", "acknowledge", "nonsense", "line-clear"]
    while rig.now_ns < 7 * SECOND:
        calls = [Call(chance.choice(verbs), "ann")] if chance.random() < 0.05 else []
        rig.scan(*calls, lost=chance.choice(["reply", "both"]) if chance.random() < 0.01 else "")
    return rig


def digest(rig: Rig) -> str:
    """What was decided, to the bit."""
    return hashlib.sha256(repr(rig.outcomes).encode()).hexdigest()


def test_the_same_images_give_the_same_outcomes_to_the_bit_also_from_a_recording() -> None:
    rig = eventful(3)
    assert len(rig.of(StateChanged)) > 15
    recorded = pickle.loads(pickle.dumps(rig.history))
    line = Line(rig.spec, rig.line.owner, 0)
    again = [scan(line, image, image.got_ns, calls) for image, calls in recorded]
    assert again == rig.outcomes
    assert repr(again) == repr(rig.outcomes)


def test_the_outcome_does_not_depend_on_the_process() -> None:
    """Strings hash differently in every process; nothing that is decided may follow from the order of a set."""
    code = "from tests.unit.test_scan import digest, eventful; print(digest(eventful(3)))"
    found = set()
    for seed in ("0", "1", "2"):
        done = subprocess.run(
            [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True,
            env={**os.environ, "PYTHONHASHSEED": seed, "PYTHONPATH": str(ROOT)},
        )  # fmt: skip
        found.add(done.stdout.strip())
    assert found == {digest(eventful(3))}


@pytest.mark.parametrize("seed", range(6))
def test_whatever_happens_no_state_but_three_raises_enable(seed: int) -> None:
    rig = eventful(seed)
    state, high = State.STOPPED, False
    for outcome in rig.outcomes:
        for event in outcome.events:
            if isinstance(event, StateChanged):
                state = event.new
        now = bool(outcome.command.control & 1)
        if now and not high:
            assert state in (State.STARTING, State.UNHOLDING, State.UNSUSPENDING)
        if now:
            assert state in (State.STARTING, State.UNHOLDING, State.UNSUSPENDING, State.EXECUTE, State.COMPLETING)
        high = now
    assert not rig.line.faults.present(Reaction.ABORT) or not rig.enabled
