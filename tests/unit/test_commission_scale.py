"""Scale: each way of measuring, how they are combined, and the classic slips."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.commissioning.scale import Estimate, Kind, of_marks, of_pitch, of_products, taped
from controller.commissioning.scale_combine import SlipKind, against, combine, shift_mm, slip_of
from controller.commissioning.scale_words import needs_text, product_texts, verdict_texts
from controller.commissioning.uncertainty import Spread
from controller.spec import Pacing
from controller.units import Display

K = 0.0375


def normal(scale: float, u: float, kind: Kind = Kind.TAPE) -> Estimate:
    return Estimate(kind, scale, (Spread(u),))


def est(scale: float, part: float = 0.001, kind: Kind = Kind.TAPE) -> Estimate:
    return normal(scale, part * scale, kind)


def test_a_single_pass_is_known_by_what_is_stated() -> None:
    found = taped([5000.0], [5000.0 / K], tape_within_mm=1.5, placing_within_mm=2.0)
    assert found.mm_per_count == pytest.approx(K)
    # Two ends, each evenly within 2 mm; the tape evenly within 1.5 mm; the count's step is far below both.
    assert found.u / K == pytest.approx(math.sqrt(2 * 2.0**2 / 3 + 1.5**2 / 3) / 5000.0, rel=1e-3)


def test_four_passes_or_more_are_known_by_their_scatter_widened_for_so_few() -> None:
    off = np.array([1.0, -1.0, 2.0, -2.0])
    found = taped([5000.0] * 4, (5000.0 + off) / K, tape_within_mm=0.0)
    sd = math.sqrt(float(off @ off) / 3 * 3 / 1)  # the variance of Student's t with 3 degrees of freedom is 3
    assert found.u / K == pytest.approx(sd / math.sqrt(4) / 5000.0, rel=2e-3)
    assert found.n == 4


def test_the_step_of_the_count_does_not_average_out() -> None:
    found = taped([5000.0] * 5, [133333] * 5, tape_within_mm=0.0)
    assert found.u == pytest.approx(found.mm_per_count**2 / math.sqrt(6) / 5000.0)
    alike = of_products(200.0, [5333] * 50, length_within_mm=0.0, edge_within_mm=0.0)
    assert alike.u == pytest.approx(alike.mm_per_count**2 / math.sqrt(6) / 200.0)


@given(st.floats(0.001, 1.0), st.lists(st.floats(500.0, 20000.0), min_size=1, max_size=8))
def test_passes_without_error_give_the_scale_whatever_their_lengths(scale: float, lengths: list[float]) -> None:
    assert taped(lengths, np.array(lengths) / scale).mm_per_count == pytest.approx(scale)


@pytest.mark.parametrize(
    ("lengths", "counts", "words"),
    [
        ([5000.0], [0], "more than 0"),
        ([5000.0], [-133333], "with a wrong sense"),
        ([5000.0, 5000.0], [133333], "each pass needs both"),
        ([], [], "each pass needs both"),
        ([5000.0] * 4, [133333, 133340, 120000, 133330], "pass 3 is \\+11% off the others"),
        ([5000.0, 5000.0, 127000.0], [133333] * 3, "pass 3 .*mm typed for inches"),
    ],
)
def test_passes_that_cannot_be_are_refused(lengths: list[float], counts: list[int], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        taped(lengths, counts)


def test_products_leave_out_what_is_none_of_them() -> None:
    counts = [5333, 5335, 5331, 5334, 10700, 5332, math.nan]
    found = of_products(200.0, counts, length_within_mm=0.0, edge_within_mm=0.0)
    assert found.mm_per_count == pytest.approx(200.0 / 5333.0)
    assert (found.n, found.left_out) == (5, 1)
    known = of_products(200.0, [5333] * 400)
    assert known.u / known.mm_per_count == pytest.approx(math.hypot(0.5, 1.0) / math.sqrt(3) / 200.0, rel=1e-3)
    with pytest.raises(ValueError, match="4 products or more"):
        of_products(200.0, [5333] * 3)
    with pytest.raises(ValueError, match="4 products or more"):
        of_products(200.0, [])


def test_the_pitch_over_many_marks_tells_the_scale_that_made_them() -> None:
    found = of_pitch(K, 50.0, [100], [5100.0])
    assert (found.kind, found.mm_per_count) == (Kind.PITCH, pytest.approx(1.02 * K))
    with pytest.raises(ValueError, match="no scale"):
        of_pitch(K, 0.0, [100], [5100.0])


def test_the_length_of_marks_tells_our_scale_only_where_the_marker_counts_with_us() -> None:
    found = of_marks(K, 30.0, [30.9, 30.9], Pacing.SHARED_COUNT)
    assert found is not None
    assert found.mm_per_count == pytest.approx(1.03 * K)
    for pacing in (Pacing.OWN_ENCODER, Pacing.OWN_TIME_BASE, None):
        assert of_marks(K, 30.0, [30.9, 30.9], pacing) is None
    with pytest.raises(ValueError, match="designed length"):
        of_marks(K, 0.0, [30.0], Pacing.SHARED_COUNT)


def test_estimates_weigh_by_their_uncertainty() -> None:
    found = combine([est(1.0, 0.001), est(1.003, 0.002)])
    assert found.mm_per_count == pytest.approx((1.0 / 1e-6 + 1.003 / 4.024e-6) / (1 / 1e-6 + 1 / 4.024e-6), rel=1e-5)
    assert found.u == pytest.approx(1.0 / math.sqrt(1 / 1e-6 + 1 / (0.002 * 1.003) ** 2))
    assert found.agree
    assert combine([est(K)]).p is None
    with pytest.raises(ValueError, match="nothing measured"):
        combine([])


def test_the_interval_knows_the_shapes_of_what_is_stated() -> None:
    # An even spread has 95 % within 0.95 of its bounds, not within 1.96 / √3 of them.
    even = Estimate(Kind.PRODUCT, K, (Spread.within(0.01 * K),))
    assert combine([even]).half_width == pytest.approx(0.95 * 0.01 * K, rel=0.01)
    assert combine([normal(K, 0.01 * K)]).half_width == pytest.approx(1.96 * 0.01 * K, rel=0.02)
    few = taped([5000.0] * 4, (5000.0 + np.array([1.0, -1.0, 2.0, -2.0])) / K, tape_within_mm=0.0)
    # Student's factor for three degrees of freedom: 3.182 (from memory).
    assert combine([few]).half_width == pytest.approx(3.182 * math.sqrt(10 / 3) / 2 / 5000 * K, rel=0.03)


def test_chi_square_says_whether_they_agree() -> None:
    # Two that are d apart: chi-square d² / (u1² + u2²) with one degree of freedom, 6.635 at p = 0.01 (from memory).
    u = 0.001
    apart = math.sqrt(6.635 * 2) * u
    near, far = normal(1.0 + 0.99 * apart, u), normal(1.0 + 1.01 * apart, u)
    assert combine([normal(1.0, u, Kind.PRODUCT), near]).agree
    wide = combine([normal(1.0, u, Kind.PRODUCT), far])
    assert (wide.agree, wide.apart) == (False, None)
    assert wide.u > apart / 2.0


def test_the_one_that_stands_apart_is_named_and_left_out() -> None:
    found = combine([est(K), est(1.02 * K, kind=Kind.PRODUCT), est(1.0005 * K, kind=Kind.PITCH)])
    assert (found.agree, found.apart, found.used, found.slip) == (True, 1, (0, 2), None)


def test_three_that_all_differ_are_not_trusted() -> None:
    found = combine([est(K), est(1.05 * K), est(1.10 * K)])
    assert (found.agree, found.apart) == (False, None)


def test_of_two_that_differ_neither_is_taken_for_wrong() -> None:
    assert not combine([est(K * math.pi), est(K)]).agree


@pytest.mark.parametrize(
    ("ratio", "gearing", "kind"),
    [
        (1.0, 1.0, None), (1.03, 1.0, None), (0.97, 2.0, None), (1.5, 1.0, None),
        (math.pi, 1.0, SlipKind.CIRCUMFERENCE_FOR_DIAMETER), (0.98 / math.pi, 1.0, SlipKind.DIAMETER_FOR_CIRCUMFERENCE),
        (2.0, 1.0, SlipKind.DECODE), (4.1, 1.0, SlipKind.DECODE), (0.25, 1.0, SlipKind.DECODE), (0.5, 1.0, SlipKind.DECODE),
        (25.4, 1.0, SlipKind.INCHES), (1 / 25.4, 1.0, SlipKind.INCHES),
        (1 / 3.0, 3.0, SlipKind.GEARING_NOT_THERE), (1 / 9.0, 3.0, SlipKind.GEARING_UPSIDE_DOWN),
    ],
)  # fmt: skip
def test_classic_slips_by_their_ratio(ratio: float, gearing: float, kind: SlipKind | None) -> None:
    found = slip_of(ratio, gearing)
    assert (None if found is None else found.kind) is kind


def test_a_setting_that_fits_is_left_alone() -> None:
    verdict = against(K * 1.001, combine([est(K, 0.001)]))
    assert not verdict.wrong
    assert not verdict.correct
    assert product_texts(verdict, 400.0, Display()) == []


def test_a_setting_off_by_a_slip_and_some_wear() -> None:
    verdict = against(K * math.pi * 1.02, combine([est(K)]))
    assert verdict.wrong
    assert verdict.slip is not None
    assert verdict.rest == pytest.approx(0.02)
    assert verdict.correct


def test_a_large_error_that_nothing_explains_is_believed_from_two_only() -> None:
    alone = against(1.5 * K, combine([est(K)]))
    assert (alone.believed, alone.correct) == (False, False)
    assert "a second way" in needs_text(combine([est(K)]), alone)
    both = combine([est(K), est(K, kind=Kind.PRODUCT)])
    assert against(1.5 * K, both).correct


def test_disagreement_is_said_and_corrects_nothing() -> None:
    pair = [est(K), est(1.05 * K, kind=Kind.PRODUCT)]
    found = combine(pair)
    verdict = against(1.2 * K, found)
    assert not verdict.correct
    assert "DISAGREE" in verdict_texts(pair, found, verdict)[0]
    assert "third" in needs_text(found, verdict)


def test_which_way_a_wrong_scale_shows() -> None:
    # Set 2 % too large: too few counts are sent, 400 mm become 392.16 mm of belt: the mark comes too early.
    assert shift_mm(0.02, 400.0) == pytest.approx(400.0 / 1.02 - 400.0)
    early = product_texts(against(1.02 * K, combine([est(K)])), 400.0, Display())[0]
    assert "7.84 mm too near the leading edge" in early
    assert "too short" in early
    late = product_texts(against(0.98 * K, combine([est(K)])), 400.0, Display())[0]
    assert "too near the trailing edge" in late
    assert "too long" in late
