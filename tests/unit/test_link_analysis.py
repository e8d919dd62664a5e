"""From exchanges to figures: on records made by hand, of which everything is known."""

from __future__ import annotations

import random

import numpy as np
import pytest

from controller.link_analysis import Record, about_before, analyse, own_scan

PERIOD_NS = 5_000_000


def record(exchanges: int, *, drift_ppm: float = 0.0, clock: bool = True, seed: int = 1) -> tuple[Record, list[float]]:
    """Exchanges of 0.2 to 0.4 ms there and 0.2 to 0.6 ms back; also the true ways out in s."""
    chance, made, outs = random.Random(seed), Record(), []
    for n in range(exchanges):
        sent_ns = 7_000_000_000 + n * PERIOD_NS
        out_ns, back_ns = chance.randint(200_000, 400_000), chance.randint(200_000, 600_000)
        sample_ns = sent_ns + out_ns
        made.sent_ns.append(sent_ns)
        made.got_ns.append(sample_ns + back_ns)
        theirs_us = round(sample_ns * (1.0 + drift_ppm * 1e-6)) // 1000 + 4_294_000_000
        made.sample_us.append(theirs_us % (1 << 32) if clock else None)
        made.periodic.append(True)
        made.whole.append(n)
        outs.append(out_ns * 1e-9)
    return made, outs


def test_the_ways_are_told_apart_by_the_io_side_s_clock_over_its_wrap() -> None:
    made, outs = record(2000)
    found = analyse(made)
    assert found.out is not None
    assert found.clocks is not None
    # The offset is known to within what both ways' least times leave: here 0.2 ms each, so nothing is off.
    assert np.abs(found.out - np.array(outs)).max() < found.clocks.tie_s
    assert np.abs(found.out - np.array(outs)).max() < 50e-6
    assert found.clocks.drift_ppm == 0.0
    assert float(np.median(found.gap)) == pytest.approx(0.005, abs=1e-4)
    assert np.array_equal(found.age, found.back)


@pytest.mark.parametrize("drift_ppm", [-300.0, 150.0])
def test_a_clock_that_runs_off_is_told_and_followed(drift_ppm: float) -> None:
    made, outs = record(2000, drift_ppm=drift_ppm)
    found = analyse(made)
    assert found.clocks is not None
    assert found.clocks.drift_ppm == pytest.approx(drift_ppm, abs=found.clocks.drift_off_ppm)
    assert found.out is not None
    assert np.abs(found.out - np.array(outs)).max() < 100e-6


def test_without_a_clock_a_count_is_half_an_exchange_old() -> None:
    found = analyse(record(100, clock=False)[0])
    assert found.out is None and found.back is None and found.clocks is None
    assert np.allclose(found.age, found.exchange / 2)


def test_gaps_are_those_of_periods_that_follow_each_other() -> None:
    made, _ = record(6)
    made.periodic[2] = False
    made.whole[4:] = [5, 6]  # an exchange failed before it
    found = analyse(made)
    assert len(found.gap) == 2  # from 0 to 1, and from 4 to 5
    assert found.largest_gap_s == pytest.approx(0.005, abs=1e-3)


def burst(step_us: int, every_us: int, clock: bool = True) -> list[tuple[int, int | None, int]]:
    """Exchanges every so often of a device that takes its inputs once in a step; 10 counts a millisecond."""
    rows: list[tuple[int, int | None, int]] = []
    for n in range(400):
        now_us = n * every_us
        seen_us = now_us - now_us % step_us if step_us else now_us
        rows.append((now_us * 1000, seen_us if clock else None, seen_us // 100))
    return rows


def test_a_scan_of_its_own_shows_in_samples_that_repeat() -> None:
    step_s, below_s = own_scan(burst(2000, 310))
    assert step_s == pytest.approx(0.002, rel=0.01)
    assert below_s is None


def test_a_scan_of_its_own_shows_in_the_count_of_a_moving_belt() -> None:
    step_s, _ = own_scan(burst(2000, 310, clock=False))
    assert step_s == pytest.approx(0.002, rel=0.2)


def test_a_device_that_samples_at_each_request_is_only_known_to_be_fast() -> None:
    assert own_scan(burst(0, 310)) == (None, pytest.approx(310e-6))


def test_a_standing_belt_without_a_clock_tells_nothing() -> None:
    assert own_scan([(n * 300_000, None, 17) for n in range(100)]) == (None, None)


def test_releases_are_told_about_the_median_of_those_before() -> None:
    chance = np.random.default_rng(5)
    jitter = chance.uniform(-0.2e-3, 0.2e-3, 2000)
    found = about_before(3e-3 + jitter)
    assert found is not None
    # A constant way is learnt; even within ± 0.2 ms, and the least bit more for what is learnt of it.
    assert abs(float(np.median(found))) < 0.03e-3
    assert float(np.quantile(np.abs(found), 0.95)) == pytest.approx(0.19e-3, rel=0.15)


def test_a_way_that_drifts_is_wider_than_its_jitter() -> None:
    drifting = 1e-3 + np.linspace(0.0, 2e-3, 2000)
    found = about_before(drifting)
    assert found is not None
    # What came before reaches back over a quarter; its median lies half of that behind.
    assert float(np.median(found)) == pytest.approx(2e-3 / 8, rel=0.1)


def test_the_less_steady_stretches_count() -> None:
    chance = np.random.default_rng(6)
    steady = chance.uniform(-0.1e-3, 0.1e-3, 4000)
    wild = steady * np.where(np.arange(4000) // 400 % 3 == 0, 4.0, 1.0)
    calm_found, wild_found = about_before(steady), about_before(wild)
    assert calm_found is not None and wild_found is not None
    assert float(np.quantile(np.abs(wild_found), 0.95)) > 3.0 * float(np.quantile(np.abs(calm_found), 0.95))


def test_too_few_releases_say_nothing() -> None:
    assert about_before(np.full(60, 1e-3)) is None
