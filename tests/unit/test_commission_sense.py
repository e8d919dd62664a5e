"""Sense: what a series of counts says of the direction, wherever the counter stands and however wide it is."""

from __future__ import annotations

import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.commissioning.sense import Advice, Moving, Sense, advise, judge
from controller.commissioning.series import Series, dated, steady, unwrap
from controller.spec import Counter

TOP = 6000.0


def looked(
    travels: list[int], *, start: int = 0, modulus: int = 1 << 32, wired: int = 1, sense: int = 1,
    running: list[bool] | None = None, step_s: float = 0.05,
) -> Series:  # fmt: skip
    """Looks at a counter that is wired up or down, read with a configured sense."""
    raws = [(start + wired * travel) % modulus for travel in travels]
    return unwrap([n * step_s for n in range(len(raws))], raws, Counter(modulus, sense), TOP, running)


RUN = [n * 100 for n in range(60)]
REST = [0] * 40


def test_forward_and_backward_by_the_configured_sense() -> None:
    for wired in (1, -1):
        for sense in (1, -1):
            found = judge(looked(RUN, wired=wired, sense=sense))
            assert found.moving is (Moving.FORWARD if wired == sense else Moving.BACKWARD)
            assert abs(found.counts) == 5900
            assert found.against_counts == 0


@pytest.mark.parametrize(
    ("travels", "moving"),
    [
        (REST, Moving.STILL),
        ([n % 2 for n in range(60)], Moving.NOISE),
        ([0] * 20 + list(range(50)), Moving.TOO_LITTLE),
        ([0, 1], Moving.TOO_LITTLE),
        ([abs(n - 30) * 100 for n in range(61)], Moving.BOTH_WAYS),
        ([abs(n - 20) * 100 for n in range(61)], Moving.BOTH_WAYS),
        (RUN, Moving.FORWARD),
    ],
)  # fmt: skip
def test_what_tells_no_direction_is_said_as_that(travels: list[int], moving: Moving) -> None:
    assert judge(looked(travels)).moving is moving


def test_nothing_to_look_at_is_no_movement() -> None:
    for travels in ([], [7]):
        found = judge(looked(travels))
        assert (found.moving, found.looks, found.rest_noise_counts) == (Moving.STILL, len(travels), None)


@given(
    start=st.integers(0, (1 << 32) - 1),
    modulus=st.sampled_from([1 << 16, 1 << 32, 36000, 1 << 20]),
    wired=st.sampled_from([1, -1]),
    seed=st.integers(0, 999),
)
def test_where_the_counter_stands_and_wraps_changes_nothing(start: int, modulus: int, wired: int, seed: int) -> None:
    chance = random.Random(seed)
    travels = [0]
    for _ in range(80):
        travels.append(travels[-1] + chance.choice([0, 0, 1, -1, 200, 290, 300]))
    usual = judge(looked(travels, start=1000, wired=wired))
    assert judge(looked(travels, start=start % modulus, modulus=modulus, wired=wired)) == usual


def test_noise_at_rest_is_what_the_count_spans_there() -> None:
    travels = [chance % 4 for chance in range(40)] + RUN
    assert judge(looked(travels)).rest_noise_counts == 3
    quiet = judge(looked(REST + RUN))
    assert quiet.rest_noise_counts == 0
    assert quiet.rest_s == pytest.approx(2.0, abs=0.5)
    assert judge(looked(RUN)).rest_noise_counts is None


def test_while_the_drive_runs_or_has_just_stopped_nothing_is_rest() -> None:
    travels = [n % 2 for n in range(100)]
    stood = judge(looked(travels, running=[False] * 100))
    ran = judge(looked(travels, running=[n < 50 for n in range(100)]))
    assert (stood.rest_noise_counts, stood.drive_ran) == (1, False)
    assert ran.drive_ran
    assert 0.0 < ran.rest_s < 0.5 * stood.rest_s


def test_a_jump_tells_no_direction() -> None:
    found = judge(looked([*RUN[:20], 90_000_000, *range(90_000_100, 90_001_100, 100)]))
    assert (found.moving, found.jumps) == (Moving.JUMPED, 1)


def test_a_count_four_times_faster_than_configured_is_still_the_belt() -> None:
    assert judge(looked([n * 1200 for n in range(60)])).moving is Moving.FORWARD


def found(moving: Moving, counts: int = 5000, **more: object) -> Sense:
    given: dict[str, object] = {
        "against_counts": 0, "seconds": 3.0, "looks": 60, "jumps": 0, "rest_noise_counts": None, "rest_s": 0.0,
        "drive_ran": None, **more,
    }  # fmt: skip
    return Sense(moving, counts, **given)  # type: ignore[arg-type]


def said(advice: Advice) -> str:
    return " | ".join(advice.says)


def test_the_sense_is_turned_only_where_the_wiring_is_as_drawn() -> None:
    back = found(Moving.BACKWARD, -5000)
    turn = advise(back, ran_forward=True, wired_as_drawn=True)
    assert (turn.right, turn.turn, turn.needs) == (False, True, "")
    crossed = advise(back, ran_forward=True, wired_as_drawn=False)
    assert (crossed.right, crossed.turn) == (False, False)
    assert "mend the wiring first" in said(crossed)
    unknown = advise(back, ran_forward=True, wired_as_drawn=None)
    assert (unknown.turn, bool(unknown.needs)) == (False, True)


def test_a_right_sense_of_crossed_wires_is_not_left_at_that() -> None:
    good = advise(found(Moving.FORWARD), ran_forward=True, wired_as_drawn=True)
    assert (good.right, good.turn, good.needs) == (True, False, "")
    crossed = advise(found(Moving.FORWARD), ran_forward=True, wired_as_drawn=False)
    assert "mend the wiring first" in said(crossed)
    assert crossed.needs


def test_a_belt_that_did_not_run_forward_says_nothing() -> None:
    for ran in (None, False):
        advice = advise(found(Moving.BACKWARD, -5000), ran_forward=ran, wired_as_drawn=True)
        assert (advice.right, advice.turn) == (None, False)
        assert advice.needs


@pytest.mark.parametrize(
    ("moving", "ran", "words"),
    [
        (Moving.STILL, None, "does the wheel touch it"),
        (Moving.STILL, False, "the drive was not running"),
        (Moving.NOISE, True, "one of the two channels is missing"),
        (Moving.NOISE, False, "vibration"),
        (Moving.TOO_LITTLE, None, "too little"),
        (Moving.BOTH_WAYS, None, "both ways"),
        (Moving.JUMPED, None, "no belt does"),
    ],
)
def test_each_other_verdict_says_why_and_what_is_needed(moving: Moving, ran: bool | None, words: str) -> None:
    advice = advise(found(moving, 5, drive_ran=ran), ran_forward=True, wired_as_drawn=True)
    assert words in said(advice)
    assert (advice.right, advice.turn) == (None, False)
    assert advice.needs


def test_the_steady_stretch_is_the_longest_at_one_speed() -> None:
    ramp = list(np.cumsum(range(0, 100, 4)))
    travels = ramp + [ramp[-1] + n * 100 for n in range(1, 80)]
    series = looked([int(t) for t in travels])
    part = steady(series)
    assert part.counts[-1] == series.counts[-1]
    assert 3.0 < part.seconds < 4.6
    assert len(steady(looked(REST))) == 0


def test_the_io_sides_clock_may_wrap() -> None:
    assert dated([(1 << 32) - 500, 500, 1500]) == pytest.approx([0.0, 0.001, 0.002])


def test_the_same_sample_seen_twice_counts_once() -> None:
    series = unwrap([0.0, 0.0, 0.1], [5, 5, 9], Counter(), TOP)
    assert list(series.counts) == [0.0, 4.0]
    with pytest.raises(ValueError, match="forward in time"):
        unwrap([0.0, -0.1], [5, 5], Counter(), TOP)
