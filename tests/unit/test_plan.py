"""The mark plan: where on a product the marks go, each reckoned from its own k."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.detect import Product
from controller.plan import Marks, trailing_dues
from controller.spec import MarkPlan, PlanEdge, Station

SCALE = 299.7 / 8000


def marker(distance_mm: float = 400.0, **plan: object) -> Station:
    return Station("flap", distance_mm, MarkPlan(**plan))  # type: ignore[arg-type]


def marks_of(product: Product, of: Station, travel: int, scale_mm: float = 1.0) -> list[float]:
    """The dues of all marks known to fit with the belt at `travel`."""
    marks, dues = Marks(product, 0, of, scale_mm), []
    while not marks.exhausted and marks.fits(travel):
        dues.append(marks.due_counts(marks.k))
        marks.k += 1
    return dues


def test_a_leading_mark_is_due_at_edge_distance_offset_and_pitch() -> None:
    station = marker(100.0, offset_mm=15.0, pitch_mm=40.0, count=3)
    assert marks_of(Product(1, 7.5), station, 0) == [122.5, 162.5, 202.5]


def test_the_scale_turns_mm_into_counts() -> None:
    assert marks_of(Product(1, 7.5), marker(100.0, offset_mm=-10.0), 0, 0.5) == [187.5]


@pytest.mark.parametrize("pitch_mm", [50.0, 33.3, 12.7])
def test_the_hundred_thousandth_mark_has_no_accumulated_error(pitch_mm: float) -> None:
    station = marker(400.0, offset_mm=120.0, pitch_mm=pitch_mm, count=None)
    marks = Marks(Product(1, 1234.5), 0, station, SCALE)
    for k in (0, 1, 99_999, 100_000, 1_000_000):
        exact = Fraction(1234.5) + (Fraction(400) + 120 + k * Fraction(pitch_mm)) / Fraction(SCALE)
        assert abs(marks.due_counts(k) - exact) < 1e-5
        assert abs(round(marks.due_counts(k)) - exact) <= Fraction(1, 2) + Fraction(1, 10**5)


def test_continuous_marks_come_as_the_belt_shows_that_they_fit() -> None:
    station = marker(100.0, offset_mm=10.0, pitch_mm=20.0, count=None)
    product = Product(1, 0.0)
    assert marks_of(product, station, 9) == []
    assert marks_of(product, station, 10) == [110.0]
    assert marks_of(product, station, 55) == [110.0, 130.0, 150.0]
    product.trail = 49.0
    assert marks_of(product, station, 500) == [110.0, 130.0]


def test_a_mark_kept_on_the_product_waits_until_all_of_it_fits() -> None:
    station = marker(100.0, offset_mm=10.0, pitch_mm=20.0, count=3, length_mm=8.0, keep_on_product=True)
    product = Product(1, 0.0)
    assert marks_of(product, station, 17) == []
    assert marks_of(product, station, 18) == [110.0]
    product.trail = 38.0
    assert marks_of(product, station, 500) == [110.0, 130.0]


def test_without_protection_a_counted_mark_does_not_wait_for_the_product() -> None:
    product = Product(1, 0.0, trail=5.0)
    assert marks_of(product, marker(100.0, offset_mm=10.0, pitch_mm=20.0, count=2), 0) == [110.0, 130.0]


def test_skipping_goes_on_in_phase() -> None:
    marks = Marks(Product(1, 0.0), 0, marker(100.0, offset_mm=10.0, pitch_mm=20.0, count=None), 1.0)
    marks.skip_to(151.0)
    assert (marks.k, marks.due_counts(marks.k)) == (3, 170.0)
    marks.skip_to(0.0)
    assert marks.k == 3


def test_a_grid_gives_its_marks_ahead_and_ends_with_the_material() -> None:
    product = Product(1, 0.0)
    station = marker(100.0, offset_mm=5.0, pitch_mm=20.0, count=None, length_mm=4.0)
    marks = Marks(product, 0, station, 1.0, origin=1000.0, ahead=50.0)
    assert marks.endures
    assert marks.known_at() == 955.0
    assert not marks.fits(954)
    assert marks.fits(955)
    product.trail = 910.0  # the end comes under the marker at 1010
    assert marks.fits(955)
    marks.k += 1
    assert not marks.fits(5000)
    assert marks.exhausted


def trailing(trail: float, **plan: object) -> list[tuple[int, float]]:
    product = Product(1, 0.0, trail=trail)
    return trailing_dues(product, marker(100.0, edge=PlanEdge.TRAILING, **plan), 1.0)


def test_from_the_trailing_edge_offset_and_pitch_count_forward_in_due_order() -> None:
    assert trailing(60.0, offset_mm=5.0, pitch_mm=10.0, count=3) == [(2, 135.0), (1, 145.0), (0, 155.0)]


def test_a_trailing_mark_in_front_of_the_leading_edge_is_not_made() -> None:
    assert [k for k, _ in trailing(24.0, offset_mm=5.0, pitch_mm=10.0, count=3, keep_on_product=True)] == [1, 0]
    assert [k for k, _ in trailing(24.0, offset_mm=5.0, pitch_mm=10.0, count=None)] == [1, 0]
    assert trailing(4.0, offset_mm=5.0, pitch_mm=10.0, count=None) == []
    assert [k for k, _ in trailing(25.0, offset_mm=5.0, pitch_mm=10.0, count=None)] == [2, 1, 0]


def test_a_trailing_mark_that_would_run_off_the_trailing_edge_is_not_made() -> None:
    plan = {"offset_mm": 5.0, "pitch_mm": 10.0, "count": 3, "length_mm": 8.0, "keep_on_product": True}
    assert [k for k, _ in trailing(60.0, **plan)] == [2, 1]


def test_trailing_needs_a_trailing_edge_and_a_trailing_plan() -> None:
    with pytest.raises(ValueError, match="not known"):
        trailing_dues(Product(1, 0.0), marker(edge=PlanEdge.TRAILING), 1.0)
    with pytest.raises(ValueError, match="leading edge"):
        trailing_dues(Product(1, 0.0, trail=3.0), marker(), 1.0)


@given(
    st.floats(0.0, 1e7), st.floats(0.0, 500.0), st.floats(0.0, 100.0), st.floats(0.5, 100.0), st.integers(1, 8),
    st.floats(0.0, 30.0), st.floats(0.005, 2.0),
)  # fmt: skip
def test_marks_kept_on_the_product_are_on_it_from_either_edge(
    lead: float, length_mm: float, offset_mm: float, pitch_mm: float, count: int, mark_mm: float, scale_mm: float
) -> None:
    product = Product(1, lead, trail=lead + length_mm / scale_mm)
    plan = {"offset_mm": offset_mm, "pitch_mm": pitch_mm, "count": count, "length_mm": mark_mm, "keep_on_product": True}
    ahead = marks_of(product, marker(100.0, **plan), 10**9, scale_mm)
    behind = [due for _, due in trailing_dues(product, marker(100.0, edge=PlanEdge.TRAILING, **plan), scale_mm)]
    assert behind == sorted(behind)
    assert len(ahead) <= count
    for due in (*ahead, *behind):
        place_mm = (due - lead) * scale_mm - 100.0
        assert place_mm >= -1e-3
        assert place_mm + mark_mm <= length_mm + 1e-3
