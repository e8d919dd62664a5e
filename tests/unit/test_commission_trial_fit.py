"""The trial's judgement on arrays: what is found, what is left unsaid, what is proposed, and in which words."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from controller.commissioning.mark_length import Owner, look
from controller.commissioning.trial import analyse
from controller.commissioning.trial_data import Marks, Setup, Term, Trial, Why
from controller.commissioning.trial_words import outcome, unknowns, verdict
from controller.spec import Pacing
from controller.units import Display

SETUP = Setup(30.0, 400.0, 0.0, 0.0, 1000.0, 1.5, 30.0, Pacing.SHARED_COUNT)
SPEEDS = np.repeat([200.0, 500.0, 1000.0], 8)
SHOWN = Display("mm", "m/min")


def marks(
    a: float, tau: float, *, s: float = 0.0, sd: float = 0.1, seed: int = 1, speeds: np.ndarray = SPEEDS,
    distances: np.ndarray | None = None, lengths: np.ndarray | None = None,
) -> Marks:  # fmt: skip
    reach = (np.full(len(speeds), 400.0) if distances is None else distances) + 30.0
    places = 30.0 + a + tau * speeds + s * reach + np.random.default_rng(seed).normal(0.0, sd, len(speeds))
    return Marks(speeds, places, lengths, distances, 0.01, 0.01)


def said(trial: Trial, setup: Setup = SETUP) -> str:
    return " | ".join(verdict(trial, setup, SHOWN))


def test_the_synthetic_trial_comes_out_as_it_was_made() -> None:
    """e(v) = a + v·τ, a 4.0 mm, τ 6 ms: 5.2, 7.0, 10.0, 16.0 mm at 0.2, 0.5, 1.0, 2.0 m/s (computed)."""
    given = Marks(np.array([200.0, 500.0, 1000.0, 2000.0]), 30.0 + np.array([5.2, 7.0, 10.0, 16.0]))
    trial = analyse(given, SETUP)
    assert trial.terms[Term.DISTANCE].value == pytest.approx(4.0, abs=1e-6)
    assert trial.terms[Term.DELAY].value == pytest.approx(0.006, abs=1e-9)
    assert trial.standstill is not None and trial.standstill.value == pytest.approx(4.0, abs=1e-6)
    assert [p.now.value for p in trial.predicted] == pytest.approx([4.0, 10.0], abs=1e-6)
    assert [p.after.value for p in trial.predicted] == pytest.approx([0.0, 0.0], abs=1e-6)
    assert trial.within_tolerance is False and trial.within_after is True
    assert trial.outliers == []


def test_a_line_in_order_is_left_alone() -> None:
    trial = analyse(marks(0.0, 0.0, sd=0.2), SETUP)
    assert trial.correction is not None and not trial.correction.any
    assert trial.within_tolerance and "nothing shows that is wrong" in said(trial)


def test_a_delay_alone_changes_the_response_and_a_distance_alone_the_distance() -> None:
    delay, distance = analyse(marks(0.0, 0.006, seed=4), SETUP), analyse(marks(3.0, 0.0, seed=4), SETUP)
    assert delay.correction is not None and delay.correction.delay_s == pytest.approx(0.006, abs=2e-4)
    assert abs(delay.correction.distance_mm) < 0.15
    assert distance.correction is not None and distance.correction.delay_s == 0.0
    assert distance.correction.distance_mm == pytest.approx(3.0, abs=0.1)
    assert "as the line speeds up" in said(delay) and "at every speed" in said(distance)


def test_the_mark_in_front_of_its_place_is_towards_the_leading_edge() -> None:
    assert "too far towards the leading edge" in said(analyse(marks(-3.0, 0.0), SETUP))


def test_a_response_can_be_given_back_but_never_below_nothing() -> None:
    configured = replace(SETUP, response_s=0.010)
    some = analyse(marks(2.0, -0.004), configured)
    assert some.correction is not None and some.correction.delay_s == pytest.approx(-0.004, abs=3e-4)
    assert "too much is made up for" in said(some, configured)
    none = analyse(marks(2.0, -0.004), SETUP)
    assert none.correction is not None and none.correction.delay_stays and none.correction.delay_s == 0.0
    # What is left is halved by the distance, and said.
    assert none.within_after is False and "no response is less than 0" in said(none)


def test_one_speed_says_the_error_there_and_no_more() -> None:
    trial = analyse(marks(4.0, 0.006, speeds=np.full(8, 500.0)), SETUP)
    assert trial.terms == {} and trial.correction is None and trial.predicted == []
    assert trial.within_tolerance is None and trial.standstill is None
    assert trial.unknown[Term.DISTANCE] is trial.unknown[Term.DELAY] is Why.ONE_SPEED
    assert "at 30 m/min the marks sit 7" in said(trial)
    texts = {u.what: u for u in unknowns(trial, SETUP, SHOWN)}
    assert "second speed" in texts["delay_ms"].needs and "second speed" in texts["distance_error_mm"].needs


def test_one_distance_says_that_scale_and_distance_cannot_be_told_apart() -> None:
    trial = analyse(marks(4.0, 0.006, s=0.02), SETUP)
    assert trial.unknown == {Term.SCALE: Why.ONE_DISTANCE}
    (text,) = unknowns(trial, SETUP, SHOWN)
    assert text.what == "scale_error_percent"
    assert "scale and distance cannot be told apart" in text.why
    assert "second distance" in text.needs and "length" in text.needs
    assert "wrong distance, or a wrong scale over it" in said(trial)


def test_two_distances_tell_the_scale_and_one_changed_with_the_speed_does_not() -> None:
    told = analyse(marks(4.0, 0.006, s=0.02, distances=np.tile([400.0, 650.0], 12)), SETUP)
    assert told.unknown == {} and told.terms[Term.SCALE].value == pytest.approx(0.02, abs=1e-3)
    assert told.terms[Term.DISTANCE].value == pytest.approx(4.0, abs=0.5)
    assert "2 ± " in said(told) and "more belt than the line says" in said(told)
    together = analyse(marks(4.0, 0.006, s=0.02, speeds=SPEEDS[:16], distances=np.repeat([400.0, 650.0], 8)), SETUP)
    assert set(together.unknown.values()) == {Why.TOGETHER} and together.terms == {}
    assert together.correction is None and together.predicted == []


def test_a_distance_typed_as_it_was_read_is_still_the_line_s_own() -> None:
    typed = analyse(marks(4.0, 0.006, distances=np.full(24, 400.4)), SETUP)
    assert len(typed.predicted) == 2
    elsewhere = analyse(marks(4.0, 0.006, distances=np.full(24, 600.0)), SETUP)
    assert elsewhere.predicted == [] and elsewhere.within_tolerance is None


def test_a_length_tells_the_scale_only_by_the_shared_count() -> None:
    lengths = 30.9 + np.random.default_rng(2).normal(0.0, 0.1, 24)
    given = marks(4.0, 0.006, s=0.03, lengths=lengths)
    ours = analyse(given, SETUP)
    assert ours.terms[Term.SCALE].value == pytest.approx(0.03, abs=2e-3)
    assert ours.correction is not None and ours.correction.scale > 0.0
    for pacing in (Pacing.OWN_ENCODER, Pacing.OWN_TIME_BASE, None):
        other = analyse(given, replace(SETUP, pacing=pacing))
        assert Term.SCALE in other.unknown and other.correction is not None and other.correction.scale == 0.0
        assert re.search(
            r"the marker's own setting: the mark is 3\.0\d ± \S+ % too long", said(other, replace(SETUP, pacing=pacing))
        )


def test_a_scale_and_a_length_that_do_not_agree_are_told() -> None:
    lengths = 28.5 + np.random.default_rng(2).normal(0.0, 0.1, 24)
    trial = analyse(marks(4.0, 0.006, s=0.03, distances=np.tile([400.0, 650.0], 12), lengths=lengths), SETUP)
    assert trial.scales_apart is not None and trial.terms[Term.SCALE].value == pytest.approx(0.03, abs=1e-3)
    assert "do not agree" in said(trial)


@pytest.mark.parametrize("pacing", [Pacing.SHARED_COUNT, Pacing.OWN_ENCODER, None])
def test_marks_short_at_high_speed_only_are_cut_off_and_no_scale(pacing: Pacing | None) -> None:
    lengths = np.where(SPEEDS > 900.0, 24.0, 30.6) + np.random.default_rng(3).normal(0.0, 0.1, 24)
    trial = analyse(marks(1.0, 0.0, s=0.02, lengths=lengths), replace(SETUP, pacing=pacing))
    assert trial.length is not None and trial.length.cut_from_mm_s == pytest.approx(1000.0)
    assert trial.length.error == pytest.approx(0.02, abs=5e-3) and sum(trial.length.whole) == 16
    assert "cut off: from 60 m/min on the marks are only 24 mm long" in said(trial)
    if pacing is Pacing.SHARED_COUNT:
        assert trial.terms[Term.SCALE].value == pytest.approx(0.02, abs=5e-3)


def test_whole_marks_are_called_cut_no_more_often_than_chance() -> None:
    rng = np.random.default_rng(5)
    looks = [look(rng.normal(30.0, 1.0, 24), SPEEDS, 30.0, Pacing.SHARED_COUNT) for _ in range(500)]
    assert sum(f.cut_from_mm_s is not None for f in looks) <= 4  # two looks a trial at 0.001
    assert {f.owner for f in looks} == {Owner.SCALE}


def test_a_length_left_blank_is_no_length() -> None:
    lengths = np.full(24, np.nan)
    lengths[[0, 9, 17, 23]] = [30.9, 30.8, 31.0, 30.9]
    trial = analyse(marks(4.0, 0.006, s=0.03, lengths=lengths), SETUP)
    assert trial.terms[Term.SCALE].value == pytest.approx(0.03, abs=0.006)
    assert analyse(marks(4.0, 0.006, lengths=np.full(24, np.nan)), SETUP).length is None


def test_an_outlier_is_named_and_left_out() -> None:
    given = marks(4.0, 0.006)
    given.position_mm[12] += 9.0
    trial = analyse(given, SETUP)
    assert trial.outliers == [12] and trial.terms[Term.DISTANCE].value == pytest.approx(4.0, abs=0.2)
    assert "mark 13 does not belong" in said(trial)


def test_a_bend_is_told_as_a_lack_of_fit() -> None:
    given = marks(4.0, 0.006)
    given.position_mm[:] += 2e-6 * (SPEEDS - 600.0) ** 2 * 5.0
    trial = analyse(given, SETUP)
    assert trial.lack_of_fit_p is not None and trial.lack_of_fit_p < 1e-6
    assert "does not go straight" in said(trial)


def test_two_speeds_are_enough_and_the_lack_of_fit_is_then_unknown() -> None:
    trial = analyse(marks(4.0, 0.006, speeds=np.repeat([200.0, 1000.0], 4)), SETUP)
    assert trial.terms[Term.DELAY].value == pytest.approx(0.006, abs=5e-4)
    assert trial.lack_of_fit_p is None
    assert [u.what for u in unknowns(trial, SETUP, SHOWN)] == ["scale_error_percent", "lack_of_fit_p"]


def test_unequal_scatter_is_told_and_each_speed_s_own_goes_into_the_intervals() -> None:
    rng = np.random.default_rng(12)
    given = marks(4.0, 0.006, sd=0.0)
    given.position_mm[:] += rng.normal(0.0, 1.0, 24) * np.repeat([0.05, 0.1, 0.9], 8)
    trial = analyse(given, SETUP)
    assert trial.unequal and "not the same at all speeds" in said(trial)
    # Standstill lies by the quiet speeds and is known better than the top speed, where it is loud.
    assert trial.standstill is not None
    assert trial.standstill.half_width < 0.7 * trial.predicted[1].now.half_width


def test_where_one_speed_scatters_eight_times_as_much_the_intervals_still_hold() -> None:
    """With 400 trials within three standard errors of 95 %; nor are the loud speed's marks taken for outliers."""
    rng, held, named = np.random.default_rng(21), np.zeros(3), 0
    for _ in range(400):
        given = Marks(SPEEDS, 34.0 + 0.006 * SPEEDS + rng.normal(0.0, 1.0, 24) * np.repeat([0.05, 0.15, 0.4], 8))
        trial = analyse(given, SETUP)
        top = trial.predicted[1].now
        found = ((trial.terms[Term.DISTANCE], 4.0), (trial.terms[Term.DELAY], 0.006), (top, 10.0))
        held += [i.low <= truth <= i.high for i, truth in found]
        named += bool(trial.outliers)
    assert (held / 400 >= 0.95 - 3.0 * (0.95 * 0.05 / 400) ** 0.5).all(), held / 400
    assert named <= 400 * 0.1


def test_too_much_scatter_is_no_matter_of_settings() -> None:
    assert "no setting mends that" in said(analyse(marks(0.0, 0.0, sd=1.5), SETUP))


@pytest.mark.parametrize(
    ("speeds", "places", "text"),
    [
        ([500.0], [34.0], "too few"),
        ([200.0, 500.0], [34.0, 35.0], "2 marks for 2 unknowns"),
        ([200.0, 500.0, 900.0], [34.0, 34.0, 34.0], "same position"),
    ],
)
def test_what_cannot_be_judged_is_refused_in_one_line(speeds: list[float], places: list[float], text: str) -> None:
    with pytest.raises(ValueError, match=text) as refused:
        analyse(Marks(np.array(speeds), np.array(places)), SETUP)
    assert "\n" not in str(refused.value)


def test_the_outcome_is_said_against_the_tolerance() -> None:
    trial = analyse(marks(4.0, 0.006), SETUP)
    assert "at 60 m/min: +10 mm ± " in outcome(trial.predicted[1], False, SETUP, SHOWN)
    assert "NOT within ± 1.5 mm" in outcome(trial.predicted[1], False, SETUP, SHOWN)
    assert ", within ± 1.5 mm" in outcome(trial.predicted[1], True, SETUP, SHOWN)


@pytest.mark.parametrize(("step_mm", "sd_mm"), [(0.1, 0.01), (0.1, 0.03), (0.5, 0.1), (0.5, 0.15), (0.5, 0.5)])
def test_a_ruler_too_coarse_for_the_scatter_is_no_lack_of_fit_and_its_intervals_hold(
    step_mm: float, sd_mm: float
) -> None:
    """All repeats are then rounded alike: they say nothing of the scatter, and more of them make nothing surer."""
    chance, held, crooked, lines = np.random.default_rng(8), 0, 0, 150
    for _ in range(lines):
        a, tau = chance.uniform(-3.0, 3.0), chance.uniform(0.001, 0.003)
        places = 30.0 + a + tau * SPEEDS + chance.normal(0.0, sd_mm, len(SPEEDS))
        trial = analyse(Marks(SPEEDS, np.round(places / step_mm) * step_mm, None, None, step_mm), SETUP)
        still = trial.standstill
        assert still is not None and trial.lack_of_fit_p is not None
        held += still.low <= a <= still.high
        crooked += trial.lack_of_fit_p < 0.01
    assert held >= 0.90 * lines and crooked <= 0.05 * lines, (held, crooked)
