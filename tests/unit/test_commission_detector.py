"""The eye's study: products out of bouncing edges, polarity, filters that suit, and what speed tells of the response."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.commissioning.detector import AtSpeed
from controller.commissioning.detector_study import EyeStudy, study
from controller.commissioning.eye_edges import EyeEdges
from controller.commissioning.eye_products import apart_of, products_of
from controller.detect import EdgeSeen, Eye
from controller.registers import Edge
from controller.spec import Detector

MM = 0.05
NOW = (0.0, 0.0, 0.0)
Span = tuple[float, float]


def told(spans: list[Span], speeds: list[float] | None = None, *, broken: tuple[int, ...] = ()) -> EyeEdges:
    """Blocked stretches in mm, at speeds in mm/s; before edges of these numbers some were lost."""
    mm = np.array([place for span in spans for place in span])
    v = np.repeat(np.array([100.0] * len(spans) if speeds is None else speeds), 2)
    t = np.cumsum(np.diff(mm, prepend=0.0) / v)
    breaks = np.isin(np.arange(len(mm)), broken)
    return EyeEdges(t, np.arange(len(mm)) % 2 == 0, np.floor(mm / MM) + 0.5, v / MM, breaks)


def row(count: int, length: float = 40.0, pitch: float = 70.0) -> list[Span]:
    return [(50.0 + n * pitch, 50.0 + n * pitch + length) for n in range(count)]


def bouncing(spans: list[Span], step: float = 0.4) -> list[Span]:
    """Each edge of each product with two more pulses."""
    out: list[Span] = []
    for a, b in spans:
        out += [(a, a + step), (a + 2 * step, a + 3 * step), (a + 4 * step, b - 4 * step)]
        out += [(b - 3 * step, b - 2 * step), (b - step, b)]
    return out


def value(found: EyeStudy, name: str) -> float:
    wanted = next(f for f in found.filters if f.name == name).value_mm
    assert wanted is not None
    return wanted


def test_clean_products_are_themselves_and_nothing_bounces() -> None:
    found = products_of(told(row(12)))
    assert len(found.lengths) == 10, "the first and the last may not have been seen whole"
    assert found.lengths * MM == pytest.approx([40.0] * 10, abs=1.01 * MM)
    assert found.gaps * MM == pytest.approx([30.0] * 11, abs=1.01 * MM)
    assert (len(found.pulses), len(found.breaks), len(found.lead_bounces), found.odd) == (0, 0, 0, 0)


def test_a_bounce_is_joined_and_measured() -> None:
    found = products_of(told(bouncing(row(12))))
    assert found.lengths * MM == pytest.approx([40.0] * 10, abs=1.01 * MM)
    assert found.lead_bounces * MM == pytest.approx([1.6] * 10, abs=1.01 * MM)
    assert found.trail_bounces * MM == pytest.approx([1.6] * 10, abs=1.01 * MM)
    assert found.lead_bounces_s == pytest.approx([0.016] * 10, abs=0.001)


def test_looking_that_begins_within_a_bounce_shortens_no_product() -> None:
    found = products_of(told(bouncing(row(12))[1:-1]))
    assert found.lengths * MM == pytest.approx([40.0] * 10, abs=1.01 * MM)


def test_a_stray_pulse_in_a_gap_is_no_product_and_the_gap_stays_whole() -> None:
    spans = row(12)
    spans.insert(5, (spans[4][1] + 12.0, spans[4][1] + 15.0))
    found = products_of(told(spans))
    assert len(found.lengths) == 10
    assert found.gaps.min() * MM == pytest.approx(30.0, abs=1.01 * MM)
    assert found.pulses * MM == pytest.approx([3.0], abs=1.01 * MM)
    assert value(study(told(spans), MM, NOW), "least_length") >= 6.0


def test_a_window_is_told_from_a_gap_only_with_the_products_length() -> None:
    spans = [part for a, b in row(12) for part in ((a, a + 20.0), (a + 25.0, b))]
    assert products_of(told(spans)).lengths.max() * MM < 21.0
    found = products_of(told(spans), 40.0 / MM)
    assert found.lengths * MM == pytest.approx([40.0] * 10, abs=1.01 * MM)
    assert found.breaks * MM == pytest.approx([5.0] * 10, abs=1.01 * MM)


def test_lost_edges_cut_the_row_and_join_nothing() -> None:
    spans = row(12)
    found = products_of(told(spans[:6] + spans[8:], broken=(12,)))
    assert found.gaps.max() * MM == pytest.approx(30.0, abs=1.01 * MM)
    assert len(found.lengths) == 6


def test_an_edge_twice_is_counted_and_cuts_too() -> None:
    whole = told(row(12))
    keep = np.arange(len(whole)) != 11
    parts = (a[keep] for a in (whole.t_s, whole.blocked, whole.travel, whole.speed_counts_s, whole.broken))
    found = products_of(EyeEdges(*parts))
    assert found.odd == 1
    assert found.lengths.max() * MM == pytest.approx(40.0, abs=1.01 * MM)


def test_nothing_and_little_is_said_as_that() -> None:
    for spans in ([], row(1), row(4)):
        found = study(told(spans), MM, NOW)
        assert (found.filters, found.response, found.inverted) == ([], None, None)


def test_polarity_by_the_products_length_or_by_a_person() -> None:
    edges = told(row(12))
    assert study(edges, MM, NOW).inverted is None
    assert study(edges, MM, NOW, product_mm=40.0).inverted is False
    turned = study(edges, MM, NOW, product_mm=30.0)
    assert turned.inverted is True
    assert turned.products.lengths * MM == pytest.approx([30.0] * 9, abs=1.01 * MM)
    assert study(edges, MM, NOW, clear_at_start=True).inverted is False
    assert study(edges, MM, NOW, clear_at_start=False).inverted is True
    assert study(edges, MM, NOW, product_mm=30.0, clear_at_start=True).inverted is None, "they contradict each other"
    alike = told(row(12, 35.0, 70.0))
    assert "both" in study(alike, MM, NOW, product_mm=35.0).inverted_why
    assert "neither" in study(alike, MM, NOW, product_mm=90.0).inverted_why


def test_a_slower_trailing_edge_shows_as_length_that_grows_with_speed() -> None:
    chance = np.random.default_rng(5)
    speeds = [100.0] * 20 + [400.0] * 20
    spans, at = [], 50.0
    for v in speeds:
        lead = at + chance.uniform(0.0, 1.0)
        spans.append((lead, lead + 40.0 + 0.003 * v + chance.normal(0.0, 0.1)))
        at += 90.0
    found = study(told(spans, speeds), MM, NOW)
    assert found.response is not None
    assert found.response.low_s < 0.003 < found.response.high_s
    assert found.response.high_s - found.response.low_s < 0.001
    low, high = found.speeds
    assert isinstance(low, AtSpeed)
    assert (low.products, high.products) == (19, 19)
    assert high.length_mm - low.length_mm == pytest.approx(0.9, abs=0.15)
    assert low.sd_mm is not None
    assert 0.05 < low.sd_mm < 0.2


def test_one_speed_tells_no_response() -> None:
    found = study(told(row(30)), MM, NOW)
    assert found.response is None
    assert len(found.speeds) == 1


def test_a_single_product_at_another_speed_tells_no_response() -> None:
    found = study(told(row(30), [100.0] * 2 + [200.0] * 28), MM, NOW)
    assert [at.products for at in found.speeds] == [1, 27]
    assert found.response is None


def test_no_value_is_proposed_where_none_suits() -> None:
    spans = row(12, 40.0, 60.0)
    broken = [part for a, b in spans for part in ((a, a + 6.0), (a + 12.0, b))]
    found = study(told(broken), MM, NOW, product_mm=40.0)
    gap = next(f for f in found.filters if f.name == "least_gap")
    assert gap.value_mm is None
    assert not gap.suits


@given(st.lists(st.floats(1.0, 1e6), min_size=2, max_size=30))
def test_two_kinds_of_lengths_are_cut_between_them(lengths: list[float]) -> None:
    cut = apart_of(np.array(lengths))
    assert cut == 0.0 or min(lengths) < cut < max(lengths)


@given(
    st.lists(st.tuples(st.floats(30.0, 45.0), st.floats(12.0, 60.0)), min_size=8, max_size=25),
    st.floats(0.1, 0.5),
)
def test_the_proposed_filters_let_the_line_see_what_was_there(drawn: list[tuple[float, float]], step: float) -> None:
    spans, at = [], 50.0
    for length, gap in drawn:
        spans.append((at, at + length))
        at += length + gap
    edges = told(bouncing(spans, step))
    found = study(edges, MM, NOW)
    assert found.products.lengths * MM == pytest.approx([b - a for a, b in spans[1:-1]], abs=1.01 * MM)
    names = ("least_length", "least_gap", "hold_off")
    eye = Eye(Detector(True, 0.0, *(value(found, name) for name in names)), MM)
    assert len(_products(eye, edges)) == len(spans)


def _products(eye: Eye, edges: EyeEdges) -> list[float]:
    """What the line itself makes of these edges, scan by scan."""
    eye.start(False, 0)
    seen, last = [], 0
    for blocked, place in zip(edges.blocked, edges.travel, strict=True):
        travel = int(place)
        eye.settle(max(last, travel - 1), False)
        began = eye.see(EdgeSeen(Edge.BLOCKED if blocked else Edge.CLEARED, False, travel, float(place)), 0.0)
        if began is not None:
            seen.append(began)
        last = travel
    eye.settle(last + 100_000, False)
    return [product.lead for product in seen if product.confirmed]
