"""Contact: rate, unevenness once a turn, and slip from product to product, out of series that are made up."""

from __future__ import annotations

import math

import numpy as np
import pytest

from controller.commissioning.contact import (
    NotTold,
    Rate,
    Repeats,
    Turn,
    against_shown,
    once_a_turn,
    rate,
    repeats,
)
from controller.commissioning.contact_words import repeat_texts, shown_texts, turn_texts
from controller.commissioning.series import Series
from controller.units import Display

N = 2000.0


def rolling(
    seconds: float = 20.0, counts_s: float = 3000.0, *, amplitude: float = 0.0, hunting: float = 0.0, step_s: float = 0.02
) -> Series:  # fmt: skip
    """A belt at one speed, or hunting about it at 0.7 Hz, under a wheel that is ahead and behind once a turn."""
    t = np.arange(0.0, seconds, step_s)
    belt = counts_s * t + hunting * counts_s / (2 * math.pi * 0.7) * np.sin(2 * math.pi * 0.7 * t)
    count = belt.copy()
    for _ in range(20):
        count = belt - amplitude * np.sin(2 * math.pi * count / N)
    return Series(t, np.floor(count))


def turn_of(series: Series) -> Turn:
    found = once_a_turn(series, N)
    assert isinstance(found, Turn), found
    return found


def test_the_rate_of_an_even_belt() -> None:
    found = rate(rolling(counts_s=1234.5))
    assert found is not None
    assert found.counts_s == pytest.approx(1234.5, abs=0.1)
    assert found.u < 1.0
    assert rate(rolling(0.2)) is None
    standing = Series(np.arange(100) * 0.1, np.zeros(100))
    assert rate(standing) is None


def test_against_the_display_within_its_step() -> None:
    found = Rate(1000.0, 0.1, 7.0, 10.0)
    # 37.5 mm/s by the count against 38 mm/s shown in steps of 1 mm/s.
    assert not against_shown(found, 0.0375, 38.0, 1.0).differs
    off = against_shown(found, 0.0375, 38.0, 0.1)
    assert off.differs
    assert off.difference == pytest.approx(37.5 / 38.0 - 1.0)
    assert "slip, a wrong scale, or a display" in shown_texts(found, 0.0375, off, Display())[1]


@pytest.mark.parametrize("amplitude", [5.0, 20.0, 80.0])
def test_an_uneven_wheel_is_found_with_its_size(amplitude: float) -> None:
    for hunting in (0.0, 0.002):
        found = turn_of(rolling(amplitude=amplitude, hunting=hunting))
        assert found.shows
        assert found.counts == pytest.approx(amplitude, abs=0.5 + 0.02 * amplitude)
        assert found.share == pytest.approx(amplitude * 2 * math.pi / N, rel=0.5)


def test_a_wheel_that_is_very_uneven_still_has_a_rate() -> None:
    found = rate(rolling(amplitude=80.0), N)
    assert found is not None
    assert found.counts_s == pytest.approx(3000.0, rel=0.01)


def test_a_backward_count_is_as_uneven() -> None:
    forward = rolling(amplitude=20.0)
    found = turn_of(Series(forward.t_s, -forward.counts))
    assert found.shows
    assert found.counts == pytest.approx(20.0, rel=0.1)


def test_an_even_wheel_on_a_noisy_line_is_rarely_accused() -> None:
    chance = np.random.default_rng(7)
    accused = 0
    for _ in range(300):
        t = np.arange(0.0, 12.0, 0.02)
        drift = np.cumsum(chance.normal(0.0, 0.3, len(t)))  # the belt's own speed wanders
        accused += turn_of(Series(t, np.floor(3000.0 * t + drift))).shows
    # p < 0.01 for a white line; slow wandering is stronger below the wheel's frequency than above it.
    assert accused <= 9


def test_what_cannot_tell_unevenness_says_what_would() -> None:
    for series in (rolling(2.0), rolling(counts_s=60_000.0), Series(np.arange(50) * 0.1, np.zeros(50))):
        found = once_a_turn(series, N)
        assert isinstance(found, NotTold)
        assert "turns" in found.needs
        assert turn_texts(found, 0.04, Display()) == []


def test_unevenness_in_words() -> None:
    said = turn_texts(turn_of(rolling(amplitude=20.0)), 0.04, Display())[0]
    assert "UNEVEN once a turn" in said
    assert "0.8" in said
    assert "nothing repeats" in turn_texts(turn_of(rolling()), 0.04, Display())[0]


def passing(
    speeds: list[float], pitch: float = 5000.0, slip: float = 0.0, lost: float = 0.0
) -> tuple[Series, np.ndarray]:
    """Products a pitch apart, one speed for each interval (0: at 3000 with a stop in it), with slip by speed or by stop."""
    t, c, leads = [0.0], [0.0], [0.0]
    for speed in speeds:
        counts = round(pitch * (1.0 - slip * speed / 3000.0) - (lost if not speed else 0.0))
        run = speed or 3000.0
        steps = 50
        for n in range(steps):
            if not speed and n == steps // 2:
                for _ in range(20):
                    t.append(t[-1] + 0.05)
                    c.append(c[-1])
            t.append(t[-1] + counts / run / steps)
            c.append(leads[-1] + counts * (n + 1) / steps)
        leads.append(leads[-1] + counts)
    return Series(np.array(t), np.array(c)), np.array(leads)


def found_in(speeds: list[float], **more: float) -> Repeats:
    found = repeats(*passing(speeds, **more))
    assert isinstance(found, Repeats), found
    return found


def test_repeated_products_at_one_speed_and_with_one_missing() -> None:
    found = found_in([3000.0] * 8)
    assert (found.intervals, found.mean_counts, found.with_speed, found.lost) == (8, 5000.0, None, None)
    series, leads = passing([3000.0] * 8)
    fewer = repeats(series, np.delete(leads, 4))
    assert isinstance(fewer, Repeats)
    assert (fewer.intervals, fewer.left_out, fewer.mean_counts) == (6, 1, 5000.0)


def test_slip_that_grows_with_speed() -> None:
    found = found_in([1000.0, 2000.0, 3000.0] * 3, slip=0.01)
    assert found.with_speed is not None
    change, half = found.with_speed
    assert change == pytest.approx(-0.0067, abs=0.0005)
    assert change < -half
    none = found_in([1000.0, 2000.0, 3000.0] * 3)
    assert none.with_speed is not None
    assert abs(none.with_speed[0]) <= none.with_speed[1]
    assert "SLIPS with speed" in repeat_texts(found, 0.04, Display())[1]


def test_counts_lost_where_the_belt_stopped() -> None:
    found = found_in([3000.0, 3000.0, 0.0, 3000.0, 3000.0, 0.0, 3000.0, 3000.0], lost=40.0)
    assert found.stops == 2
    assert found.lost is not None
    assert found.lost[0] == pytest.approx(40.0)
    assert found.lost[0] > found.lost[1]
    assert "SLIPS there" in repeat_texts(found, 0.04, Display())[-1]
    fine = found_in([3000.0, 3000.0, 0.0, 3000.0, 3000.0, 3000.0])
    assert fine.lost is not None
    assert abs(fine.lost[0]) <= fine.lost[1]


def test_products_that_tell_nothing_say_what_would() -> None:
    series, leads = passing([3000.0] * 3)
    for few in (repeats(series, leads), repeats(series, np.array([])), repeats(*passing([0.0] * 8))):
        assert isinstance(few, NotTold)
        assert "5 products or more" in few.needs
    series, leads = passing([3000.0] * 8)
    uneven = repeats(series, np.array([0.0, 100.0, 5000.0, 5200.0, 20000.0, 39000.0]))
    assert isinstance(uneven, NotTold)
