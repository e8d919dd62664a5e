"""Acceptance on arrays: pass, fail and not proven, what would settle it, and in which words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from controller.commissioning.accept import Acceptance, Reason, Verdict, judge, marks_wanted, outside_limit
from controller.commissioning.accept_words import end_text, needs_text, verdict_texts
from controller.commissioning.trial_data import Marks, Setup
from controller.units import Display

SETUP = Setup(30.0, 400.0, 0.0, 0.0, 1000.0, 1.5)
SPEEDS = np.repeat([200.0, 600.0, 1000.0], 8)
SHOWN = Display("mm", "m/min")


def marks(
    a: float = 0.0, tau: float = 0.0, sd: float = 0.2, seed: int = 1, speeds: np.ndarray = SPEEDS,
    lengths: np.ndarray | None = None,
) -> Marks:  # fmt: skip
    places = 30.0 + a + tau * speeds + np.random.default_rng(seed).normal(0.0, sd, len(speeds))
    return Marks(speeds, places, lengths, None, 0.01, 0.01)


def said(found: Acceptance) -> str:
    return " | ".join([*verdict_texts(found, SETUP, SHOWN), needs_text(found, SETUP, SHOWN)])


def test_a_line_in_order_passes_and_says_of_what() -> None:
    found = judge(marks(), SETUP)
    assert (found.verdict, found.reasons, found.more, found.outside) == (Verdict.PASS, (), None, ())
    assert found.mean_within and [e.speed_mm_s for e in found.ends] == [0.0, 1000.0]
    assert all(e.outside < e.outside_most <= 0.05 for e in found.ends)
    assert "95 % of the marks within ± 1.5 mm at every speed from 0 m/min to 60 m/min" in said(found)
    assert "single marks −" in end_text(found.ends[0], SETUP, SHOWN)


@pytest.mark.parametrize(("a", "tau"), [(4.0, 0.0), (-4.0, 0.0), (0.0, 0.004), (2.0, -0.004)])
def test_a_mean_far_off_at_either_end_fails_and_is_for_the_settings(a: float, tau: float) -> None:
    found = judge(marks(a, tau), SETUP)
    assert found.verdict is Verdict.FAIL and found.reasons == (Reason.OUTSIDE,) and not found.mean_within
    assert "settings mend that" in said(found) and found.outside


def test_a_mean_that_is_right_only_where_it_was_measured_does_not_pass_at_standstill() -> None:
    """1.8 mm at standstill, none at the middle of the range: the marks from 200 mm/s on would do, the line not."""
    found = judge(marks(1.8, -0.003, sd=0.05), SETUP)
    assert abs(found.ends[0].mean.value) > 1.5 and found.verdict is not Verdict.PASS


def test_scatter_alone_fails_too_and_no_setting_mends_it() -> None:
    found = judge(marks(sd=2.0, seed=5), SETUP)
    assert found.verdict is Verdict.FAIL and "no setting mends that" in said(found)


def test_near_the_limit_it_is_not_proven_and_says_how_many_more() -> None:
    found = judge(marks(sd=0.8), SETUP)
    assert found.verdict is Verdict.NOT_PROVEN and found.reasons == (Reason.TOO_FEW,)
    assert found.more is not None and found.more.towards is Verdict.PASS
    assert found.more.speeds_mm_s == pytest.approx((200.0, 600.0, 1000.0))
    assert f"{found.more.each} more marks at each of 12 m/min, 36 m/min, 60 m/min" in said(found)
    twice = marks(sd=0.8)
    twice = replace(twice, speed_mm_s=np.tile(SPEEDS, 2), position_mm=np.tile(twice.position_mm, 2))
    assert judge(twice, SETUP).ends[1].outside_most < found.ends[1].outside_most


def test_a_good_mean_with_few_marks_is_not_proven() -> None:
    found = judge(marks(speeds=np.repeat([200.0, 1000.0], 2), sd=0.3), SETUP)
    assert found.verdict is Verdict.NOT_PROVEN and found.more is not None


@pytest.mark.parametrize("speeds", [[600.0], [200.0, 700.0], [500.0, 1000.0]])
def test_speeds_that_do_not_cover_the_line_prove_nothing_of_it(speeds: list[float]) -> None:
    found = judge(marks(speeds=np.repeat(speeds, 12), sd=0.05), SETUP)
    assert found.verdict is Verdict.NOT_PROVEN
    assert (Reason.ONE_SPEED if len(speeds) == 1 else Reason.NOT_COVERED) in found.reasons
    assert "needs" not in said(found) and "more marks at each of" in said(found)


def test_one_speed_may_prove_that_it_fails() -> None:
    assert judge(marks(4.0, speeds=np.full(8, 600.0)), SETUP).verdict is Verdict.FAIL


def test_no_mark_is_left_out_to_make_the_line_pass() -> None:
    given = marks()
    given.position_mm[5] += 6.0
    found = judge(given, SETUP)
    assert found.verdict is Verdict.NOT_PROVEN and found.reasons == (Reason.OUTLIERS,) and found.more is None
    assert "mark 6 does not belong" in said(found) and found.outside == (5,)


def test_what_does_not_go_straight_proves_nothing() -> None:
    given = marks(sd=0.05)
    given.position_mm[8:16] += 0.6
    found = judge(given, SETUP)
    assert Reason.NOT_STRAIGHT in found.reasons and found.verdict is Verdict.NOT_PROVEN


def test_two_speeds_pass_and_say_what_was_not_measured() -> None:
    found = judge(marks(speeds=np.repeat([200.0, 1000.0], 12), sd=0.1), SETUP)
    assert found.verdict is Verdict.PASS and "a third speed would show it" in said(found)


def test_marks_cut_off_fail_though_their_places_are_right() -> None:
    lengths = np.where(SPEEDS > 900.0, 12.0, 18.0) + np.random.default_rng(2).normal(0.0, 0.05, len(SPEEDS))
    found = judge(marks(lengths=lengths), replace(SETUP, design_length_mm=18.0))
    assert found.verdict is Verdict.FAIL and found.reasons == (Reason.CUT_OFF,)
    assert "too slow for its window" in said(found)


def test_another_distance_than_the_lines_accepts_nothing() -> None:
    with pytest.raises(ValueError, match="another distance"):
        judge(replace(marks(), distance_mm=np.full(len(SPEEDS), 650.0)), SETUP)
    assert judge(replace(marks(), distance_mm=np.full(len(SPEEDS), 400.0)), SETUP).verdict is Verdict.PASS


def test_more_of_the_marks_may_be_asked_for() -> None:
    assert judge(marks(sd=0.5), SETUP, 0.8).verdict is Verdict.PASS
    assert judge(marks(sd=0.5), SETUP, 0.9999).verdict is not Verdict.PASS


def test_scatter_that_differs_between_speeds_is_each_ends_own() -> None:
    given = marks(sd=0.05)
    given.position_mm[16:] = 30.0 + (given.position_mm[16:] - 30.0) * 12.0
    found = judge(given, SETUP)
    assert found.trial.unequal and found.ends[1].marks.half_width > 3.0 * found.ends[0].marks.half_width


def test_limits_that_are_very_far_off_are_no_trouble() -> None:
    assert outside_limit(1e9, 22.0, 0.1, 0.975) == 0.0
    assert outside_limit(-1e9, 22.0, 0.1, 0.975) == 1.0


def test_so_many_marks_as_are_proposed_pass_a_line_that_is_right_more_often_than_not() -> None:
    proposed = marks_wanted(SETUP, 0.3)
    assert proposed is not None and proposed.speeds_mm_s == pytest.approx((200.0, 600.0, 1000.0))
    speeds = np.repeat(proposed.speeds_mm_s, proposed.each)
    passed = sum(judge(marks(sd=0.3, seed=n, speeds=speeds), SETUP).verdict is Verdict.PASS for n in range(40))
    assert passed >= 20
    assert marks_wanted(SETUP, 0.1).each < proposed.each  # type: ignore[union-attr]
    assert marks_wanted(SETUP, 2.0) is None


def test_marks_at_speeds_of_their_own_tell_the_scatter_with_their_neighbours() -> None:
    found = judge(marks(speeds=np.linspace(200.0, 1000.0, 24)), SETUP)
    assert found.verdict is Verdict.PASS and found.ends[0].scatter_mm == pytest.approx(0.2, rel=0.8)
