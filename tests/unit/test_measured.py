"""The record of a measurement beside its line, and what the measured link can serve."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from controller.link_figures import Figure, LinkFigures, assumed
from controller.needs import feasible
from controller.promise import paths
from controller.serving import as_measured, disagreements, refusals
from controller.settings.base import SettingsError
from controller.settings.line import load_line
from controller.settings.measured import (
    Measured,
    Times,
    keep_measured,
    link_digest,
    load_measured,
    measured_path,
)
from controller.spec import Detector, Limits, LineSpec, MarkPlan, ReleasePath, Station
from controller.units import Display

CONFIG = Path(__file__).parents[2] / "config"
TIMES = Times.of(np.array([0.001, 0.002, 0.003]))
MEASURED = Measured(
    line="t", date="2031-02-03T04:05:06+00:00", host="h", address="a:1", bench=True, digest="d", seconds=5.0,
    period_ms=5.0, exchanges=3, failed=0, largest_gap_ms=6.0, exchange=TIMES, age=TIMES, late=TIMES, send_late=None,
    gap=TIMES, out=None, release=None, back=None, io_step_ms=None, io_step_below_ms=None, clock_drift_ppm=None,
    clock_drift_off_ppm=None, clock_tie_ms=None,
)  # fmt: skip
LINE = LineSpec(
    name="t",
    scale_mm=0.04,
    stations=(Station("front", 60.0, MarkPlan()),),
    detector=Detector(least_length_mm=30.0, least_gap_mm=10.0),
    limits=Limits(lease_s=0.5, link_lost_s=0.5),
    top_speed_mm_s=500.0,
)


def link(worst_ms: float, *out_ms: float) -> LinkFigures:
    def figure(name: str, *ms: float) -> Figure:
        return Figure(name, np.array(ms) * 1e-3, True, "measured")

    out = out_ms or (0.2, 0.2)
    return LinkFigures(
        figure("exchange", 0.4, worst_ms), figure("late", 0.0, 0.1), figure("send", 0.0, 0.0),
        figure("out", *out), figure("back", 0.2, 0.2),
    )  # fmt: skip


def test_a_distribution_keeps_its_ends_and_its_middle() -> None:
    figure = TIMES.figure("exchange")
    assert (figure.at(0.0), figure.at(0.5), figure.worst_s) == pytest.approx((0.001, 0.002, 0.003))
    drawn = figure.draw(np.random.default_rng(1), 10_000)
    assert drawn.min() >= 0.001 and drawn.max() <= 0.003
    assert float(np.median(drawn)) == pytest.approx(0.002, rel=0.02)


def test_what_was_not_measured_is_assumed_and_says_so() -> None:
    figures = MEASURED.figures(assumed(LINE, clock=False))
    assert figures.exchange.measured
    assert not figures.send_late.measured
    assert figures.out is None


def test_a_record_comes_back_as_it_was_and_is_never_overwritten(tmp_path: Path) -> None:
    path = measured_path(tmp_path / "line.toml")
    assert load_measured(path) is None
    assert keep_measured(path, MEASURED) is None
    assert load_measured(path) == MEASURED
    newer = MEASURED.model_copy(update={"date": "2031-02-04T00:00:00+00:00"})
    kept = [keep_measured(path, newer), keep_measured(path, newer), keep_measured(path, newer)]
    assert all(old is not None and old.exists() for old in kept)
    assert len(set(kept)) == 3
    assert load_measured(path) == newer
    first = kept[0]
    assert first is not None and load_measured(first) == MEASURED


@pytest.mark.parametrize("text", ["", "{}", '{"format": 2}', "\x00"])
def test_a_file_that_is_no_record_is_said_to_be_none(tmp_path: Path, text: str) -> None:
    path = measured_path(tmp_path / "line.toml")
    path.write_text(text)
    with pytest.raises(SettingsError, match=r"is no measurement of a link; remove it"):
        load_measured(path)


def test_times_that_do_not_rise_are_no_distribution() -> None:
    whole = MEASURED.model_dump()
    whole["exchange"]["ms"][0] = 99.0
    with pytest.raises(ValueError, match="does not rise"):
        Measured.model_validate_json(json.dumps(whole))


def test_the_digest_follows_the_link_and_not_what_is_stated_of_it(tmp_path: Path) -> None:
    text = (CONFIG / "demo-line.toml").read_text().replace('"jobs/', f'"{CONFIG}/jobs/')

    def digest(old: str, new: str) -> str:
        assert old in text
        (tmp_path / "line.toml").write_text(text.replace(old, new))
        return link_digest(load_line(tmp_path / "line.toml").settings)

    same = digest("tea-cartons", "tea-cartons")
    assert digest('worst_exchange = "5 ms"', 'worst_exchange = "6 ms"') == same
    assert digest('scan_period = "5 ms"', 'scan_period = "6 ms"') != same
    assert digest("unit_id = 1", "unit_id = 2") != same


# What the link serves.


def refused(spec: LineSpec, figures: LinkFigures, gap_s: float = 0.006) -> list[tuple[str, float | None]]:
    ways = [way for way in paths(spec, captures=True, samples=True) if way.used]
    return [(r.what, r.up_to_mm_s) for r in refusals(spec, figures, gap_s, ways, Display())]


def test_a_link_as_good_as_stated_is_not_refused() -> None:
    assert refused(LINE, link(4.0)) == []
    assert disagreements(LINE, link(4.0), Display()) == []


def test_a_slow_link_says_up_to_which_speed_it_serves() -> None:
    figures = link(30.0)
    ((what, up_to),) = refused(LINE, figures)
    assert what.startswith('stations#1, "front": distance')
    assert up_to is not None
    # At that speed the distance is just enough, over the measured link.
    slower = replace(as_measured(LINE, figures), top_speed_mm_s=up_to)
    assert feasible(slower).stations[0].least_distance_mm == pytest.approx(60.0, rel=1e-3)
    (text,) = disagreements(LINE, figures, Display())
    assert 'set link.worst_exchange = "33 ms"' in text or 'set link.worst_exchange = "34 ms"' in text


def test_a_lease_that_the_link_cannot_keep_is_refused_at_every_speed() -> None:
    spec = replace(LINE, limits=Limits(lease_s=0.06, link_lost_s=0.5))
    assert [up_to for what, up_to in refused(spec, link(12.0)) if what.startswith("link.lease")] == [None]


def test_a_timed_release_that_its_window_would_not_let_pass_is_refused() -> None:
    spec = replace(LINE, stations=(replace(LINE.stations[0], distance_mm=400.0, release=ReleasePath.TIMED),))
    assert refused(spec, link(4.0)) == []
    ((what, up_to),) = refused(spec, link(4.0, 0.0, 20.0))
    assert "outside the window of 2 mm" in what
    # ± 10 ms evenly: at 200 mm/s as good as all lie within ± 2 mm.
    assert up_to is not None
    assert 150.0 < up_to < 300.0


def test_sampled_edges_that_can_pass_unseen_are_refused() -> None:
    spec = replace(LINE, stations=(replace(LINE.stations[0], distance_mm=400.0),))
    spec = replace(spec, detector=replace(LINE.detector, captured=False))
    ((what, up_to),) = refused(spec, link(4.0), gap_s=0.025)
    assert "a gap of 10 mm can pass unseen" in what
    assert up_to == pytest.approx(10.0 / 0.025)
