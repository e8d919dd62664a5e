"""Sense, contact and scale as a technician finds them at simulated lines in virtual time, the truth hidden."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest

from controller.commissioning.contact import Repeats, Turn, once_a_turn, repeats
from controller.commissioning.scale import Estimate, of_marks, of_products, taped
from controller.commissioning.scale_combine import against, combine
from controller.commissioning.sense import Moving, advise, judge
from controller.commissioning.watched import Look, Watched, watched
from controller.registers import Command, Status, StatusBit
from controller.spec import LineSpec, Pacing
from sim.belt import Belt, Steady
from sim.encoder import Encoder
from sim.scenario import BeltSection, SegmentSection
from sim.world import build_device
from tests.scenario.rig import constant, encoder, hunting, products, scene, spec_of, stop

LINE = "demo-line.toml"
LINES = 800
PASSES, PRODUCTS = 5, 12
TAPE_MM, PRODUCT_MM, SPEED_MM_S = 3000.0, 200.0, 400.0


def look_of(status: Status, t_s: float) -> Look:
    return Look(
        t_s, status.belt_count, status.sample_us, bool(status.bits & StatusBit.DRIVE_RUNNING), status.capture_total,
        status.captures, bool(status.bits & StatusBit.DETECTOR_BLOCKED),
    )  # fmt: skip


def looked_at(
    spec: LineSpec, segments: list[SegmentSection], seconds: float, step_s: float, **truth: Any
) -> Watched:  # fmt: skip
    """Looks at a line's I/O side as nobody, evenly spaced in virtual time."""
    supply = [products(length=PRODUCT_MM, pitch=PRODUCT_MM + 100.0, first=150.0)]
    scenario = scene(segments, supply, seed=1, encoder=encoder(**truth))
    at_once = BeltSection.model_construct(starts="at once", repeat=False, segments=segments)
    device = build_device(spec, scenario.model_copy(update={"belt": at_once}))
    looks = []
    for n in range(round(seconds / step_s) + 1):
        t_ns = round(n * step_s * 1e9)
        device.write(Command(), t_ns)
        looks.append(look_of(device.read(t_ns), n * step_s))
    return watched(looks, spec)


def test_a_sense_wired_the_wrong_way_is_found_wherever_the_count_wraps() -> None:
    spec = spec_of("narrow-counter-line.toml")
    segments = [stop(2.0), constant(SPEED_MM_S)]
    wrong = "counts down" if spec.counter.sense > 0 else "counts up"
    for start in (0, 1, 30_000, 65_535):
        right = judge(looked_at(spec, segments, 8.0, 0.05, start_count=start).series)
        assert right.moving is Moving.FORWARD
        turned = judge(looked_at(spec, segments, 8.0, 0.05, start_count=start, forward=wrong).series)
        assert turned.moving is Moving.BACKWARD
        assert advise(turned, ran_forward=True, wired_as_drawn=True).turn
        assert turned.rest_noise_counts == 0
        mended = replace(spec, counter=replace(spec.counter, sense=-spec.counter.sense))
        again = judge(looked_at(mended, segments, 8.0, 0.05, start_count=start, forward=wrong).series)
        assert again.moving is Moving.FORWARD


def test_a_dirty_wheel_shows_once_a_turn_and_a_clean_one_does_not() -> None:
    spec = spec_of(LINE)
    turn_mm = 8000 * spec.scale_mm
    for uneven, segments in (
        (0.0, [constant(SPEED_MM_S)]),
        (0.0, [hunting(SPEED_MM_S, 0.01 * SPEED_MM_S, 1.7, 60.0)]),
        (0.01, [constant(SPEED_MM_S)]),
        (0.03, [hunting(SPEED_MM_S, 0.01 * SPEED_MM_S, 1.7, 60.0)]),
    ):
        truth = {"uneven": uneven, "turn": turn_mm if uneven else None}
        found = once_a_turn(looked_at(spec, segments, 15.0, 0.02, **truth).series, 8000.0)
        assert isinstance(found, Turn), found
        assert found.shows == (uneven > 0.0), found
        if uneven:
            assert found.share == pytest.approx(uneven, rel=0.1)


def test_repeated_products_show_no_slip_where_there_is_none() -> None:
    spec = spec_of(LINE)
    segments = [constant(SPEED_MM_S, 4.0), stop(1.0), constant(0.5 * SPEED_MM_S, 4.0), constant(SPEED_MM_S)]
    seen = looked_at(spec, segments, 15.0, 0.02)
    found = repeats(seen.series, seen.leads)
    assert isinstance(found, Repeats), found
    assert found.stops == 1
    assert found.mean_counts == pytest.approx((PRODUCT_MM + 100.0) / spec.scale_mm, abs=1.0)
    assert found.lost is not None
    assert abs(found.lost[0]) <= found.lost[1]


def measured(chance: random.Random, wheel: Encoder, lengths: Sequence[float]) -> list[Estimate]:
    """A tape and products at a line, with every fault that is stated: of the tape, of both ends, of rule and eye."""
    tape_mm = TAPE_MM + chance.uniform(-0.9, 0.9)  # the same in every pass
    passes = []
    for _ in range(PASSES):
        begin_mm = chance.uniform(0.0, 1000.0)
        end_mm = begin_mm + tape_mm + chance.uniform(-1.0, 1.0) + chance.uniform(-1.0, 1.0)
        passes.append(wheel.travel_of_mm(end_mm) - wheel.travel_of_mm(begin_mm))
    told_mm = PRODUCT_MM + chance.uniform(-0.5, 0.5) + chance.uniform(-1.0, 1.0)
    return [taped([TAPE_MM] * PASSES, passes), of_products(told_mm, lengths)]


def test_a_hidden_wheel_is_found_within_what_is_stated() -> None:
    spec, inside, told = spec_of(LINE), 0, 0
    for number in range(LINES):
        chance = random.Random(f"{number}/scale")
        wheel = Encoder(Belt([Steady(SPEED_MM_S)]), spec.scale_mm * (1.0 + chance.uniform(-0.03, 0.03)))
        edges = [chance.uniform(0.0, 1000.0) for _ in range(PRODUCTS)]
        lengths = [wheel.travel_of_mm(edge + PRODUCT_MM) - wheel.travel_of_mm(edge) for edge in edges]
        found = combine(measured(chance, wheel, lengths))
        inside += abs(found.mm_per_count - wheel.mm_per_count) <= found.half_width
        verdict = against(spec.scale_mm, found)
        too_small = spec.scale_mm < wheel.mm_per_count
        told += (verdict.error < 0.0) == too_small if verdict.wrong else abs(verdict.error) <= verdict.half_width
    assert 0.93 <= inside / LINES <= 0.97, f"{inside} of {LINES} within 95 %"
    assert told / LINES >= 0.99, f"{told} of {LINES} told the right way"


@pytest.mark.parametrize("factor", [0.97, 0.995, 1.0, 1.01, 1.03])
def test_products_that_pass_a_real_eye_tell_the_wheel(factor: float) -> None:
    spec = spec_of(LINE)
    seconds = (150.0 + (PRODUCTS + 0.9) * (PRODUCT_MM + 100.0)) / SPEED_MM_S
    seen = looked_at(spec, [constant(SPEED_MM_S)], seconds, 0.1, circumference_factor=factor)
    assert seen.captures_lost == 0
    found = of_products(PRODUCT_MM, seen.lengths, length_within_mm=0.0, edge_within_mm=0.0)
    assert found.n >= PRODUCTS
    assert found.mm_per_count == pytest.approx(spec.scale_mm * factor, abs=3.0 * found.u)
    assert found.u < 2e-4 * found.mm_per_count


@pytest.mark.parametrize("factor", [0.97, 1.03])
@pytest.mark.parametrize("pacing", list(Pacing))
def test_the_length_of_marks_has_the_right_owner(factor: float, pacing: Pacing) -> None:
    spec, design_mm = spec_of(LINE), 30.0
    real_mm = design_mm * (factor if pacing is Pacing.SHARED_COUNT else 1.0)
    found = of_marks(spec.scale_mm, design_mm, [real_mm] * 8, pacing)
    if pacing is not Pacing.SHARED_COUNT:
        assert found is None
        return
    assert found is not None
    both = combine([found, taped([5000.0], [5000.0 / (spec.scale_mm * factor)])])
    verdict = against(spec.scale_mm, both)
    assert both.agree
    assert (verdict.error < 0.0) == (factor > 1.0)
    assert abs(verdict.error - (1.0 / factor - 1.0)) <= verdict.half_width
