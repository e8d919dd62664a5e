"""The drift chart: what it learns, when it warns and what it says of the change."""

from __future__ import annotations

import math
import random
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.commissioning.drift import (
    LEAST_CHANGE,
    RECENT,
    STEP_SD_COUNTS,
    WARM_UP,
    DriftChart,
    averaged,
    spread_after,
)
from controller.drift_watch import DriftWatch, earlier
from controller.events import ProductDone
from controller.model import ProductFate
from controller.records.journal import Journal
from controller.records.reading import summaries
from controller.spec import LineSpec, MarkPlan, Material, Station
from controller.units import Display

SCALE_MM = 0.04
LENGTH_MM, SPREAD_MM = 90.0, 0.8
"""The demo's cartons: evenly within ± 0.8 mm."""
DISTANCE_MM, TOLERANCE_MM = 400.0, 1.5


def cartons(seed: int, wear: Iterator[float] | float = 0.0) -> Iterator[float]:
    """Lengths in counts; `wear` is by how much the wheel has become smaller, carton by carton."""
    chance = random.Random(seed)
    while True:
        worn = wear if isinstance(wear, float) else next(wear)
        length_mm = LENGTH_MM + chance.uniform(-SPREAD_MM, SPREAD_MM)
        begin = chance.random() * 100.0
        count_mm = SCALE_MM * (1.0 - worn)
        yield math.floor((begin + length_mm) / count_mm) - math.floor(begin / count_mm)


def fed(chart: DriftChart, lengths: Iterator[float], n: int) -> int | None:
    """Feed so many; gives the first product with which a drift began."""
    first = None
    for _ in range(n):
        changed = chart.take(next(lengths), chart.products)
        if changed and first is None and chart.drift is not None:
            first = chart.products
    return first


def test_the_target_is_learnt_from_the_first_products_and_not_from_what_is_none_of_them() -> None:
    chart, lengths = DriftChart(), cartons(1)
    for n in range(WARM_UP):
        # One in fifty is two cartons that touch.
        touching = next(lengths) if n % 50 == 7 else 0.0
        chart.take(next(lengths) + touching, n)
    assert chart.target_counts == pytest.approx(LENGTH_MM / SCALE_MM, abs=4 * 0.46 / SCALE_MM / math.sqrt(WARM_UP))
    assert chart.sd_counts == pytest.approx(SPREAD_MM / math.sqrt(3) / SCALE_MM, rel=0.1)


def test_nothing_is_said_while_it_learns_and_nothing_of_products_that_stay_alike() -> None:
    chart = DriftChart()
    assert fed(chart, cartons(2), WARM_UP) is None and chart.target_counts is not None
    assert fed(chart, cartons(3), 100_000) is None
    assert chart.drift is None


@pytest.mark.parametrize("seed", range(12))
def test_half_a_percent_of_wheel_wear_is_noticed_before_the_mark_moves_by_the_tolerance(seed: int) -> None:
    """The wheel wears by 0.5 % within 40,000 cartons: far quicker than one does."""
    worn = 0.0

    def wearing() -> Iterator[float]:
        nonlocal worn
        for n in range(WARM_UP + 40_000):
            worn = 0.005 * max(0, n - WARM_UP) / 40_000
            yield worn

    chart, lengths = DriftChart(), cartons(seed, wearing())
    while chart.drift is None:
        chart.take(next(lengths), chart.products)
    moved_mm = DISTANCE_MM * worn
    assert 0.0 < moved_mm < TOLERANCE_MM
    # It is seen well before: the mark has moved by no more than two thirds of the tolerance.
    assert moved_mm < 1.0
    assert chart.drift.change == pytest.approx(worn, abs=0.0008)
    assert chart.drift.since_product > WARM_UP


@pytest.mark.parametrize("change", [0.004, -0.004, 0.02])
def test_a_sudden_change_is_sized_and_dated(change: float) -> None:
    sizes, dates = [], []
    for seed in range(20):
        chart = DriftChart()
        fed(chart, cartons(seed), WARM_UP + 3000)
        assert fed(chart, cartons(seed + 100, change), 2000) is not None
        found = chart.drift
        assert found is not None
        sizes.append((found.change - change / (1.0 - change)) / (found.off / 1.96))
        dates.append(found.since_product - (WARM_UP + 3001))
    # The estimate's error is about one of its standard errors, and hardly biased.
    assert 0.3 < math.sqrt(np.mean(np.square(sizes))) < 1.7
    # A change of less than one standard deviation of a length is dated to some dozens of products.
    assert abs(np.median(dates)) <= 25
    # Now and then one is not: where the average had been on its way by chance when the change came.
    assert sum(abs(date) <= 50 for date in dates) >= 18


def test_a_drift_is_over_when_products_measure_as_before() -> None:
    chart = DriftChart()
    fed(chart, cartons(4), WARM_UP)
    assert fed(chart, cartons(5, 0.006), 1000) is not None
    began = chart.products
    lengths = cartons(6)
    while not chart.take(next(lengths), chart.products):
        assert chart.products < began + 3000
    assert chart.drift is None


def test_a_change_that_goes_on_is_not_averaged_away() -> None:
    chart = DriftChart()
    fed(chart, cartons(7), WARM_UP)
    fed(chart, cartons(8, (0.01 * n / 20_000 for n in range(20_000))), 20_000)
    assert chart.drift is not None
    assert chart.drift.change == pytest.approx(0.01, abs=0.0007)
    assert chart.drift.products > 10 * RECENT


def test_single_foreign_products_and_outliers_raise_nothing() -> None:
    chart, lengths = DriftChart(), cartons(9)
    fed(chart, lengths, WARM_UP)
    for n in range(5000):
        if n % 20 == 0:
            assert not chart.take(2.0 * next(lengths), n)
        if n % 200 == 1:
            assert not chart.take(1.1 * next(lengths), n)
        assert not chart.take(next(lengths), n)


def test_products_that_are_all_alike_neither_divide_by_nothing_nor_warn_of_a_hair() -> None:
    chart = DriftChart()
    for n in range(3000):
        assert not chart.take(2250.0, n)
    assert chart.sd_counts == STEP_SD_COUNTS
    assert chart.limit_counts == pytest.approx(LEAST_CHANGE * 2250.0)
    for n in range(3000):
        assert not chart.take(2252.0, n)
    assert any(chart.take(2253.0, n) for n in range(3000))


@given(st.lists(st.floats(2200.0, 2300.0), min_size=1, max_size=300), st.integers(2, 50))
def test_the_chart_is_the_average_and_the_limits_of_its_parts(values: list[float], warm_up: int) -> None:
    chart = DriftChart(0.1, 2.814, warm_up, least_change=0.0)
    for n, value in enumerate(values):
        chart.take(value, n)
    if chart.target_counts is None:
        assert len(values) < warm_up
        return
    average = 0.0
    for value in values[warm_up:]:
        bound = 4.0 * chart.sd_counts
        average = averaged(average, min(bound, max(-bound, value - chart.target_counts)), 0.1)
    assert chart.average_counts == pytest.approx(average, abs=1e-9)
    if n := len(values) - warm_up:
        # The sums of the chart, written out.
        settled = 0.1 / 1.9 * (1.0 - 0.9 ** (2 * n))
        assert spread_after(n, 0.1) == pytest.approx(math.sqrt(settled))


@pytest.mark.parametrize("make", [lambda: DriftChart(0.0), lambda: DriftChart(1.5), lambda: DriftChart(warm_up=1)])
def test_what_makes_no_chart_is_refused(make: object) -> None:
    with pytest.raises(ValueError):
        make()  # type: ignore[operator]


LINE = LineSpec(name="t", scale_mm=SCALE_MM, stations=(Station("front", DISTANCE_MM, MarkPlan(offset_mm=10.0)),))


class Log:
    def __init__(self) -> None:
        self.lines: list[tuple[str, str, dict[str, object]]] = []

    def info(self, event: str, **words: object) -> None:
        self.lines.append(("info", event, words))

    def warning(self, event: str, **words: object) -> None:
        self.lines.append(("warning", event, words))


def done(length_mm: float | None, t_ns: int = 0) -> ProductDone:
    return ProductDone(t_ns, 1, None, length_mm, ProductFate.MARKED, 1, 1)


def watch(spec: LineSpec = LINE) -> tuple[DriftWatch, Log]:
    log = Log()
    return DriftWatch(spec, Display(), lambda t_ns: f"the {t_ns}th ns", log, DriftChart(warm_up=500)), log


def test_the_watch_says_what_a_drift_means_for_the_marks() -> None:
    watching, log = watch()
    lengths = cartons(11)
    for n in range(1100):
        assert watching.take([done(next(lengths) * SCALE_MM, n)])
    assert not watching.take([done(None)]) and watching.text == "" and log.lines == []
    smaller = cartons(12, 0.01)
    for n in range(1100, 2600):
        watching.take([done(next(smaller) * SCALE_MM, n)])
    (line,) = log.lines
    assert line[:2] == ("warning", "wheel or product drift")
    text = watching.text
    assert re.match(
        r"wheel or product drift: \+[01]\.\d\d% \(± 0\.\d\d%\) since the 1[01]\d\dth ns, 1[45]\d\d products", text
    )
    # 410 mm of belt a hundredth short, as well as the first 500 products tell their mean.
    assert "the wheel has become smaller and marks come 4" in text and text.endswith(" mm early")
    summary = watching.summary()
    assert summary["products"] == 2600 and summary["change"] == pytest.approx(0.0101, abs=0.001)
    assert summary["target_mm"] == pytest.approx(LENGTH_MM, abs=0.25)


def learnt(scale_mm: float = SCALE_MM, **changed: object) -> tuple[str, str, dict[str, object]]:
    drift = {"target_mm": 90.0, "scatter_mm": 0.46, "known_from": 1000, "scale_mm": scale_mm, "change": None} | changed
    return "2026-03-01", "", {"drift": drift, "state": "Stopped"}


def test_wear_between_two_runs_is_told_once_the_products_are_learnt() -> None:
    watching, log = watch()
    watching.earlier = earlier([learnt()], LINE)
    lengths = cartons(13, 0.004)
    for n in range(499):
        watching.take([done(next(lengths) * SCALE_MM, n)])
        assert watching.text == ""
    watching.take([done(next(lengths) * SCALE_MM, 500)])
    assert re.match(
        r"wheel or product drift: \+0\.\d\d% \(± 0\.0\d%\) against the run of 2026-03-01; if it is", watching.text
    )
    assert [line[0] for line in log.lines] == ["warning"]


def test_runs_that_agree_say_nothing_and_their_record_is_the_next_ones_reference() -> None:
    watching, log = watch()
    watching.earlier = earlier([learnt()], LINE)
    lengths = cartons(14)
    for n in range(600):
        watching.take([done(next(lengths) * SCALE_MM, n)])
    assert watching.text == "" and log.lines == []
    again = earlier([("later", "", {"drift": watching.summary()})], LINE)
    assert again is not None and again.target_mm == pytest.approx(LENGTH_MM, abs=0.1) and again.since == "later"


def test_only_the_first_run_of_the_same_job_and_scale_is_a_reference() -> None:
    other_job = ("2026-01-01", "cocoa", learnt()[2])
    kept = [other_job, learnt(0.05), learnt(target_mm=None), ("2026-01-02", "", {}), learnt(), learnt(target_mm=95.0)]
    found = earlier(kept, LINE)
    assert found is not None and (found.target_mm, found.since) == (90.0, "2026-03-01")
    assert earlier(kept[:4], LINE) is None


def test_a_web_has_no_products_to_measure() -> None:
    watching, _ = watch(replace(LINE, material=Material.WEB))
    assert not watching.take([done(90.0)])
    assert watching.summary()["target_mm"] is None


def test_summaries_of_earlier_runs_are_read_from_the_journal_the_oldest_first(tmp_path: Path) -> None:
    journal = Journal.open(tmp_path / "line.db", "tea", synchronous="OFF")
    try:
        for n, summary in enumerate((learnt()[2], None, learnt(target_mm=91.0)[2])):
            journal.begin_run(job="", job_number=0, dry=False, config="", mono_ns=0, wall_ns=n * 10**18)
            journal.end_run("its time was over", summary=summary)
        kept = [(info.started_utc, info.job, summary) for info, summary in summaries(journal.path)]
    finally:
        journal.close("the test is over")
    assert [summary["drift"]["target_mm"] for _, _, summary in kept] == [90.0, 91.0]
    found = earlier(kept, LINE)
    assert found is not None and found.target_mm == 90.0 and found.since.startswith("1970")
