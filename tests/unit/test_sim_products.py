"""The supply of products: order, chance, touching, missing, endless material."""

from __future__ import annotations

import math
import random
from itertools import islice, pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim.products import Flow, Product, Spacing, Spread, Vary, Web, products


def take(n: int, *flows: Flow | Web, seed: int = 1) -> list[Product]:
    return list(islice(products(flows, random.Random(seed)), n))


def test_fixed_pitch() -> None:
    found = take(4, Flow(Vary(90.0), Vary(150.0)))
    assert [(p.number, p.lead_mm, p.trail_mm) for p in found] == [
        (1, 150.0, 240.0), (2, 300.0, 390.0), (3, 450.0, 540.0), (4, 600.0, 690.0),
    ]  # fmt: skip


def test_gap_counts_from_the_trailing_edge_and_first_is_kept() -> None:
    found = take(3, Flow(Vary(90.0), Vary(10.0), Spacing.GAP, first_mm=-20.0))
    assert [p.lead_mm for p in found] == [-20.0, 80.0, 180.0]


def test_missing_leaves_its_place_empty() -> None:
    for spacing, space_mm in ((Spacing.PITCH, 100.0), (Spacing.GAP, 40.0)):
        found = take(2000, Flow(Vary(60.0), Vary(space_mm), spacing, missing=0.25))
        steps = {round((b.lead_mm - a.lead_mm) / 100.0, 9) for a, b in pairwise(found)}
        assert all(step == int(step) and step >= 1 for step in steps)
        assert found[-1].lead_mm / 100.0 == pytest.approx(2000 / 0.75, rel=0.05)


def test_touching_leaves_no_gap() -> None:
    found = take(1000, Flow(Vary(60.0), Vary(100.0), touching=0.3))
    touching = sum(b.lead_mm == a.trail_mm for a, b in pairwise(found))
    assert touching / 1000 == pytest.approx(0.3, abs=0.05)


def test_exponential_gaps_have_their_mean_and_deviation() -> None:
    found = take(20_000, Flow(Vary(0.0), Vary(50.0, 0.0, Spread.EXPONENTIAL)))
    gaps = [b.lead_mm - a.lead_mm for a, b in pairwise(found)]
    mean = sum(gaps) / len(gaps)
    assert mean == pytest.approx(50.0, rel=0.03)
    assert math.sqrt(sum((g - mean) ** 2 for g in gaps) / len(gaps)) == pytest.approx(50.0, rel=0.04)


def test_flows_follow_one_another_and_a_web_ends_them() -> None:
    found = take(
        9,
        Flow(Vary(10.0), Vary(20.0), count=3),
        Flow(Vary(10.0), Vary(30.0), until_mm=130.0),
        Web(500.0),
    )
    assert [p.lead_mm for p in found] == [20.0, 40.0, 60.0, 90.0, 120.0, 500.0]
    assert found[-1].length_mm == math.inf


def test_the_same_seed_gives_the_same_products() -> None:
    flow = Flow(Vary(90.0, 3.0, Spread.NORMAL), Vary(150.0, 10.0, Spread.UNIFORM), missing=0.1, touching=0.1)
    key = [(p.lead_mm, p.length_mm) for p in take(300, flow, seed=4)]
    assert key == [(p.lead_mm, p.length_mm) for p in take(300, flow, seed=4)]
    assert key != [(p.lead_mm, p.length_mm) for p in take(300, flow, seed=5)]


@settings(max_examples=60, deadline=None)
@given(st.floats(0, 200), st.floats(0, 80), st.floats(1, 200), st.floats(0, 150), st.sampled_from(list(Spread)),
       st.sampled_from(list(Spacing)), st.integers(0, 99))  # fmt: skip
def test_products_never_overlap(
    length: float, dl: float, space: float, ds: float, kind: Spread, spacing: Spacing, seed: int
) -> None:
    flow = Flow(Vary(length, dl, kind), Vary(space, ds, kind), spacing, missing=0.1, touching=0.2)
    found = take(50, flow, seed=seed)
    assert all(p.length_mm >= 0 for p in found)
    assert all(b.lead_mm >= a.trail_mm for a, b in pairwise(found))


def test_a_supply_that_never_moves_on_is_refused() -> None:
    with pytest.raises(ValueError):
        Flow(Vary(10.0), Vary(0.0))
    with pytest.raises(ValueError):
        Flow(Vary(0.0), Vary(0.0), Spacing.GAP)
