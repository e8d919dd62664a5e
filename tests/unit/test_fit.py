"""The fit of count against time, the tie of the two clocks, and the outbound delay."""

from __future__ import annotations

from math import floor

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from controller.fit import DELAYS, LEAST_DELAYS, LEAST_SAMPLES, SAMPLES, ClockTie, Fit, Outbound

PERIOD_NS = 5_000_000
LIMIT = 60_000.0


def followed(place, *, samples: int = SAMPLES, offset_ns: int = 0, clock: bool = True, start_us: int = 0) -> Fit:  # type: ignore[no-untyped-def]
    """A fit over evenly spaced samples of `place(t_s)`; each exchange takes 300 us and samples in its middle."""
    fit = Fit(LIMIT, PERIOD_NS * 1e-9)
    for n in range(samples):
        ours_ns = n * PERIOD_NS
        us = (start_us + (ours_ns - offset_ns) // 1000) % (1 << 32) if clock else None
        fit.take(floor(place(ours_ns * 1e-9)), us, ours_ns - 150_000, ours_ns + 150_000)
    return fit


def test_it_knows_nothing_before_enough_samples() -> None:
    fit = followed(lambda t: 8000 * t, samples=LEAST_SAMPLES - 1)
    assert not fit.ready
    assert fit.crossing(1e6) is None
    assert fit.between_looks() is None
    with pytest.raises(ValueError, match="samples"):
        fit.place_at(0.0)
    assert followed(lambda t: 8000 * t, samples=LEAST_SAMPLES).ready


def left_by_steps(t_s: float) -> tuple[float, float]:
    """How far a least-squares parabola can be off where each count is off by half of one: place and speed at a time."""
    times_s = np.arange(SAMPLES) * PERIOD_NS * 1e-9
    solves = np.linalg.pinv(np.vander(times_s, 3, increasing=True))
    place = np.array([1.0, t_s, t_s * t_s]) @ solves
    speed = np.array([0.0, 1.0, 2.0 * t_s]) @ solves
    return 0.5 * float(np.abs(place).sum()), 0.5 * float(np.abs(speed).sum())


@example(speed=1099.0, accel=-17451.0, clock=False, start_us=0)
@example(speed=200.0, accel=0.0, clock=False, start_us=0)
@given(
    speed=st.floats(200.0, 20_000.0),
    accel=st.floats(-30_000.0, 30_000.0),
    clock=st.booleans(),
    start_us=st.integers(0, (1 << 32) - 1),
)
def test_a_belt_that_changes_its_speed_evenly_is_met_within_what_whole_counts_leave(
    speed: float, accel: float, clock: bool, start_us: int
) -> None:
    def place(t: float) -> float:
        return 1000.0 + speed * t + 0.5 * accel * t * t

    last_s = (SAMPLES - 1) * PERIOD_NS * 1e-9
    then_s = last_s + 0.01
    if speed + accel * then_s < 50.0:
        return  # it comes to a stand or turns back within what is looked at
    fit = followed(place, clock=clock, start_us=start_us)
    date_ns = fit.crossing(place(then_s))
    if date_ns is None:
        # Braked hard and slow by then, it may by whole counts seem to stop short of it: no shorter than they leave.
        furthest = max(fit.place_at(last_s * 1e9 + each_ns) for each_ns in range(0, 100_000_000, 100_000))
        assert accel < 0.0
        assert place(then_s) - left_by_steps(then_s)[0] - 0.01 < furthest < place(then_s)
        return
    found_s = fit.clock.ours(date_ns) * 1e-9
    assert fit.place_at(date_ns) == pytest.approx(place(then_s), abs=1e-3)
    place_off, speed_off = left_by_steps(found_s)
    # A clock in whole us shifts a sample by that much belt.
    assert abs(place(found_s) - place(then_s)) <= place_off + 1e-5 * speed
    assert abs(fit.speed_at(date_ns) - (speed + accel * found_s)) <= speed_off + 1e-3 * speed
    assert left_by_steps(then_s)[0] < 3.0


def test_the_change_of_speed_is_held_to_what_the_drive_can_do() -> None:
    fit = followed(lambda t: 0.5 * 4 * LIMIT * t * t)
    date_ns = fit.crossing(fit.place_at(50e6) + 100)
    assert date_ns is not None
    assert fit.speed_at(date_ns + 1e7) - fit.speed_at(date_ns) == pytest.approx(LIMIT * 0.01)


def test_a_belt_that_stands_or_stops_short_crosses_nothing() -> None:
    assert followed(lambda _: 500.0).crossing(600.0) is None
    slowing = followed(lambda t: 1000 * t - 10_000 * t * t / 2)  # stands after 0.1 s and 50 counts
    assert slowing.crossing(45.0) is not None
    assert slowing.crossing(60.0) is None
    assert followed(lambda t: -1000 * t).crossing(10.0) is None


def test_what_was_sampled_before_the_count_was_lost_is_forgotten() -> None:
    fit = followed(lambda t: 8000 * t)
    fit.restart()
    assert not fit.ready
    assert fit.crossing(0.0) is None


def test_a_device_that_has_not_sampled_anew_adds_nothing() -> None:
    fit = followed(lambda t: 8000 * t)
    before = fit.crossing(1000.0)
    for n in range(3):
        again_ns = (SAMPLES - 1) * PERIOD_NS + n * 1_000_000
        fit.take(360, (SAMPLES - 1) * PERIOD_NS // 1000, again_ns - 150_000, again_ns + 150_000)
    assert fit.crossing(1000.0) == before


def test_exchanges_between_two_periods_do_not_shorten_what_is_fitted() -> None:
    fit = Fit(LIMIT, PERIOD_NS * 1e-9)
    for n in range(200):
        t_ns = n * 500_000
        fit.take(floor(8000 * t_ns * 1e-9), t_ns // 1000, t_ns - 150_000, t_ns + 150_000)
    dates = [date for date, _ in fit._samples]
    assert dates[-1] - dates[0] > (SAMPLES - 3) * PERIOD_NS // 2


@given(
    offset_ns=st.integers(-(10**12), 10**12),
    ways_ns=st.lists(
        st.tuples(st.integers(50_000, 20_000_000), st.integers(50_000, 20_000_000)), min_size=1, max_size=80
    ),
    start_us=st.integers(0, (1 << 32) - 1),
)
def test_the_clocks_are_tied_within_the_bounds_of_every_exchange(
    offset_ns: int, ways_ns: list[tuple[int, int]], start_us: int
) -> None:
    """Our clock runs `offset_ns` ahead; each exchange takes a way there and a way back, as it likes."""
    tie = ClockTie()
    truth_ns = None
    for n, (there_ns, back_ns) in enumerate(ways_ns):
        sampled_ns = n * 40_000_000
        us = (start_us + sampled_ns // 1000) % (1 << 32)
        date_ns = tie.date(us, offset_ns + sampled_ns - there_ns, offset_ns + sampled_ns + back_ns)
        truth_ns = offset_ns + sampled_ns - date_ns
    assert truth_ns is not None
    middle_ns, half_ns = tie.tie
    assert abs(truth_ns - middle_ns) <= half_ns + 1001
    assert half_ns <= (ways_ns[-1][0] + ways_ns[-1][1]) // 2 + 1


def test_a_clock_that_was_set_is_tied_anew() -> None:
    tie = ClockTie()
    for n in range(20):
        tie.date(n * 5000, n * PERIOD_NS, n * PERIOD_NS + 300_000)
    date_ns = tie.date(20 * 5000 + 2_000_000, 20 * PERIOD_NS, 20 * PERIOD_NS + 300_000)
    assert tie.ours(date_ns) == 20 * PERIOD_NS + 150_000


def test_without_a_clock_the_middle_of_the_exchange_dates_a_sample() -> None:
    tie = ClockTie()
    assert tie.date(None, 1_000_000, 3_000_000) == 2_000_000
    assert tie.tie == (0, 1_000_000)
    assert tie.ours(2_000_000) == 2_000_000


def test_the_outbound_delay_is_half_an_exchange_until_releases_show_it() -> None:
    outbound = Outbound(0.010)
    assert outbound.delay_ns == 5_000_000
    for took_ns in (300_000, 400_000, 9_000_000):
        outbound.exchanged(took_ns)
    assert outbound.delay_ns == 200_000
    for _ in range(LEAST_DELAYS):
        outbound.released(1_250_000.0)
    outbound.exchanged(8_000_000)
    assert outbound.delay_ns == 1_250_000
    for _ in range(DELAYS):
        outbound.released(2_000_000.0)
    assert outbound.delay_ns == 2_000_000
    outbound.released(-5.0)
    outbound.released(1e12)
    assert outbound.delay_ns == 2_000_000
