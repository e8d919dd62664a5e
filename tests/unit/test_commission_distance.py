"""The jogged distance: passes that tell something and those that do not, and what is made of them."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.commissioning.contact import NotTold
from controller.commissioning.distance import PLACING_MM, Distance, Known, inch_slip, measure
from controller.commissioning.distance_pass import Pass, jogged
from controller.commissioning.distance_words import found_texts, response_text, verdict_texts
from controller.commissioning.uncertainty import Spread
from controller.commissioning.watched import Look
from controller.registers import RING_SIZE, Capture, Edge
from controller.spec import Counter, Detector, LineSpec, MarkPlan, Station
from controller.units import Display

SCALE_MM = 0.05
SHOW = Display()
STEP_S = 0.02
KNOWN = Known(Spread.within(PLACING_MM), Spread.within(0.001), 0.0, Spread.within(0.0005))


def line(captured: bool = True, modulus: int = 1 << 16) -> LineSpec:
    return LineSpec(
        "line", SCALE_MM, (Station("head", 100.0, MarkPlan()),), Counter(modulus),
        Detector(captured, least_length_mm=5.0, least_gap_mm=1.0, hold_off_mm=5.0),
    )  # fmt: skip


def looks_at(
    places: Sequence[int], products: Sequence[tuple[int, int]] = ((1000, 1600),), *, start: int = 65_000,
    running: Sequence[bool] | None = None, captured: bool = True,
) -> list[Look]:  # fmt: skip
    """Looks as the belt goes through these counts; products are from count to count, at the eye when the belt is."""
    total, ring, looks = 0, [Capture(0, 0)] * RING_SIZE, []
    edges = sorted([(lead, Edge.BLOCKED) for lead, _ in products] + [(trail, Edge.CLEARED) for _, trail in products])
    before = places[0]
    for n, place in enumerate(places):
        for at, edge in edges:
            if captured and before < at <= place:
                ring[total % RING_SIZE] = Capture(int(edge), (start + at) % (1 << 16))
                total += 1
        before = place
        looks.append(
            Look(
                n * STEP_S, (start + place) % (1 << 16), round(n * STEP_S * 1e6),
                None if running is None else running[n], total, tuple(ring),
                any(lead <= place < trail for lead, trail in products),
            )
        )  # fmt: skip
    return looks


REST = [0] * 20


def went(to: int, step: int = 50, begin: int = 0) -> list[int]:
    return [*range(begin, to, step), to]


def told(found: Pass | NotTold) -> Pass:
    assert isinstance(found, Pass), found
    return found


def test_the_travel_is_from_the_captured_edge_to_where_the_belt_stands_over_the_counters_wrap() -> None:
    found = told(jogged(looks_at([*REST, *went(3000), *[3000] * 20]), line()))
    assert (found.counts, found.edge_within, found.stops) == (2000.0, 0.5, 0)
    assert found.speed_counts_s == pytest.approx(50 / STEP_S)


def test_a_sampled_edge_lies_within_what_passed_between_two_looks() -> None:
    looks = looks_at([*REST, *went(3000), *[3000] * 20], ((1010, 1600),), captured=False)
    found = told(jogged(looks, line(captured=False)))
    assert abs(found.counts - (3000 - 1010)) <= found.edge_within
    assert found.edge_within == pytest.approx(25.5)


@given(st.integers(1010, 1090), st.integers(10, 90))
def test_the_edge_is_always_within_what_is_stated(lead: int, step: int) -> None:
    way = [*REST, *went(3000, step), *[3000] * 20]
    for captured in (True, False):
        looks = looks_at(way, ((lead, lead + 500),), captured=captured)
        found = told(jogged(looks, line(captured)))
        # The belt at rest lies anywhere in its count too.
        assert abs(found.counts - (3000.5 - lead)) <= found.edge_within + 0.5


def test_stops_on_the_way_are_counted_and_those_before_the_eye_and_at_the_end_are_not() -> None:
    way = [*REST, *went(500), *[500] * 30, *went(2000, begin=550), *[2000] * 30, *went(3000, begin=2050), *[3000] * 30]
    assert told(jogged(looks_at(way), line())).stops == 1


@pytest.mark.parametrize(
    ("way", "products", "says"),
    [
        ([*REST, *went(3000)], (), "saw no product"),
        ([*REST, *went(3000)], ((1000, 1050),), "no product by the line's filters"),
        ([*REST, *went(3000)], ((1000, 1500), (2000, 2500)), "saw 2 products"),
        ([*REST, *went(3000)], ((0, 600),), "before the eye as the pass began"),
        ([3000] * 20 + went(3000)[::-1], ((1000, 1600),), "went backward"),
        ([0] * 60, ((1000, 1600),), "hardly moved"),
        ([*REST, *went(3000), *went(2900, -20, 2980)], ((1000, 1600),), "ran back by 100 counts"),
        ([*REST, *went(2000), 20_000, 20_000], ((1000, 1600),), "jumped"),
        ([0], ((1000, 1600),), "not read often enough"),
    ],
)
def test_a_pass_that_tells_nothing_says_why(way: list[int], products: tuple[tuple[int, int], ...], says: str) -> None:
    for captured in (True, False):
        found = jogged(looks_at(way, products, captured=captured), line(captured))
        if not captured and "filters" in says:
            says = "saw no product"  # it was too short to be told apart from none
        assert isinstance(found, NotTold)
        assert says in found.why
        assert found.needs


def test_a_belt_that_runs_back_before_the_product_is_at_the_eye_does_no_harm() -> None:
    way = [*REST, *went(800), *went(600, -20, 780), *went(3000, begin=650)]
    assert told(jogged(looks_at(way), line())).counts == 2000.0


def test_a_wheel_that_stands_while_the_drive_runs_is_told_and_one_that_stands_with_it_is_not() -> None:
    way = [*REST, *went(2000), *[2000] * 50, *went(3000, begin=2050), *[3000] * 20]
    moving = [n > 0 and way[n] != way[n - 1] for n in range(len(way))]
    assert told(jogged(looks_at(way, running=moving), line())).stops == 1
    found = jogged(looks_at(way, running=[True] * (len(way) - 20) + [False] * 20), line())
    assert isinstance(found, NotTold)
    assert "the count stood" in found.why


def test_lost_edges_are_no_pass() -> None:
    products = tuple((at, at + 4) for at in range(1000, 1100, 10))
    found = jogged(looks_at([*REST, 0, 900, 1400, *went(3000, begin=1450)], products), line())
    assert isinstance(found, NotTold)
    assert "faster than they were looked at" in found.why


def distance(counts: Sequence[float], known: Known = KNOWN, speed: float | None = 0.0, **more: object) -> Distance:
    return measure([Pass(each, speed_counts_s=speed, **more) for each in counts], SCALE_MM, known)  # type: ignore[arg-type]


def test_the_eyes_response_at_the_speed_of_the_jog_is_added() -> None:
    known = Known(KNOWN.placing, KNOWN.scale, 0.002, KNOWN.response)
    found = distance([7900.0], known, speed=2000.0)
    assert found.jog_mm_s == pytest.approx(100.0)
    assert found.response_mm == pytest.approx(0.2)
    assert found.mm == pytest.approx(7900 * SCALE_MM + 0.2)
    assert "2 ms is 0.2 mm" in response_text(found, 0.002, SHOW)
    assert "0.1 mm for each ms" in response_text(found, 0.0, SHOW)
    assert "not known" in response_text(distance([7900.0], speed=None), 0.0, SHOW)


def test_placing_does_not_average_out_and_the_scale_stands_apart() -> None:
    one, many = distance([8000.0]), distance([8000.0] * 100)
    assert one.parts[0].u_mm == many.parts[0].u_mm == pytest.approx(PLACING_MM / math.sqrt(3.0))
    assert many.half_width_mm >= 1.9 * many.parts[0].u_mm
    assert many.length_half_width_mm > many.half_width_mm
    assert many.scale_u_mm == pytest.approx(400.0 * 0.001 / math.sqrt(3.0))


def test_scatter_counts_from_four_passes_on_with_its_degrees_of_freedom() -> None:
    counts = [7990.0, 8000.0, 8010.0]
    assert all(part.name != "scatter of the passes" for part in distance(counts).parts)
    part = next(p for p in distance([*counts, 8000.0]).parts if p.name == "scatter of the passes")
    assert part.u_mm == pytest.approx(float(np.std([*counts, 8000.0], ddof=1)) * SCALE_MM / 2.0)
    assert part.dof == 3.0


def test_the_stated_interval_covers_the_true_distance() -> None:
    chance, hits = np.random.default_rng(4), 0
    for _ in range(1000):
        common = chance.uniform(-1.0, 1.0)  # whoever looks at it does so from one side
        counts = (400.0 + common + chance.normal(0.0, 0.2, 5)) / SCALE_MM
        found = distance([float(each) for each in np.floor(counts + chance.random(5))])
        hits += abs(found.mm - 400.0) <= found.half_width_mm
    assert hits >= 930


def test_passes_that_disagree_propose_nothing_and_say_so() -> None:
    found = distance([8000.0, 8080.0])
    assert not found.agree
    says = verdict_texts(found, 410.0, PLACING_MM, SHOW)
    assert len(says) == 1
    assert "nothing is proposed" in says[0]


def test_slip_in_stops_shows_in_passes_with_more_of_them() -> None:
    passes = [Pass(8000.0 - 20.0 * stops + (n % 2), stops=stops) for n, stops in enumerate([0, 0, 1, 1, 2, 2])]
    found = measure(passes, SCALE_MM, KNOWN)
    assert found.each_stop is not None
    assert found.each_stop[0] == pytest.approx(-1.0, abs=0.1)
    assert found.slips
    assert any("SLIPS in stops" in text for text in verdict_texts(found, 400.0, PLACING_MM, SHOW))
    assert measure(passes[:2], SCALE_MM, KNOWN).each_stop is None


@pytest.mark.parametrize(("setting", "says"), [(406.0, "6 mm later"), (394.0, "6 mm earlier"), (400.4, "agrees")])
def test_the_verdict_says_which_way_the_setting_moves_the_mark(setting: float, says: str) -> None:
    found = distance([8000.0])
    assert any(says in text for text in verdict_texts(found, setting, PLACING_MM, SHOW))
    assert "± 1.1 mm" in found_texts(found, SHOW)[0]


def test_mm_typed_for_inches_is_noticed() -> None:
    assert inch_slip(400.0, 15.75)
    assert inch_slip(400.0, 10_160.0)
    assert not inch_slip(400.0, 406.0)
    assert not inch_slip(400.0, 0.0)
    assert any("inches" in text for text in verdict_texts(distance([8000.0]), 15.75, PLACING_MM, SHOW))


@pytest.mark.parametrize("counts", [[], [0.0], [8000.0, -10.0]])
def test_passes_that_cannot_be_are_refused(counts: list[float]) -> None:
    with pytest.raises(ValueError, match="pass"):
        distance(counts)
