"""Travel: any counter unwrapped in both senses, what is not the belt's doing, and the speed."""

from __future__ import annotations

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from controller.spec import Counter
from controller.travel import JUMP_SLACK_COUNTS, WINDOW, IdleStretch, Step, Travel

PERIOD_NS, EXCHANGE_NS = 5_000_000, 300_000
moduli = st.one_of(st.sampled_from([1 << 16, 1 << 32, 1 << 8, 36_000]), st.integers(32, 1 << 31).map(lambda n: 2 * n))
senses = st.sampled_from([1, -1])


def fastest(modulus: int) -> float:
    """The top speed in counts/s at which a 5 ms scan is still unambiguous."""
    return (modulus / 2 - JUMP_SLACK_COUNTS - 1) / 1.25 / ((PERIOD_NS + EXCHANGE_NS) * 1e-9)


class Follower:
    """A travel that is shown one raw count each scan."""

    def __init__(self, counter: Counter, top_counts_s: float) -> None:
        self.travel = Travel(counter, top_counts_s, PERIOD_NS * 1e-9)
        self.n = 0

    def show(self, raw: int, after: int = 1, us: int | None = None) -> Step:
        self.n += after
        return self.travel.update(raw, us, self.n * PERIOD_NS, self.n * PERIOD_NS + EXCHANGE_NS)


@given(moduli, senses, st.data())
def test_unwraps_any_even_modulus(modulus: int, sense: int, data: st.DataObject) -> None:
    follower = Follower(Counter(modulus, sense), fastest(modulus))
    raw = data.draw(st.integers(0, modulus - 1))
    most = modulus // 2 - 2
    steps = data.draw(st.lists(st.integers(-most, most), max_size=30))
    assert follower.show(raw) is Step.FIRST
    assert follower.travel.counts == 0
    true = 0
    for step in steps:
        true += step
        here = (raw + sense * true) % modulus
        assert follower.show(here) is Step.GOOD
        assert follower.travel.counts == true
        assert follower.travel.raw_of(true) == here
        assert follower.travel.travel_of(here) == true


@given(moduli, senses, st.data())
def test_raw_of_and_travel_of_are_each_others_inverse(modulus: int, sense: int, data: st.DataObject) -> None:
    follower = Follower(Counter(modulus, sense), fastest(modulus))
    follower.show(data.draw(st.integers(0, modulus - 1)))
    ahead = data.draw(st.integers(-(modulus // 2), modulus // 2 - 1))
    assert follower.travel.travel_of(follower.travel.raw_of(ahead)) == ahead
    raw = data.draw(st.integers(0, modulus - 1))
    assert follower.travel.raw_of(follower.travel.travel_of(raw)) == raw


@given(st.sampled_from([1 << 16, 1 << 32]), senses)
def test_exactly_half_the_range_is_flagged_and_not_guessed(modulus: int, sense: int) -> None:
    follower = Follower(Counter(modulus, sense), fastest(modulus))
    follower.show(5)
    assert follower.show((5 + modulus // 2) % modulus) is Step.JUMP
    assert follower.travel.counts == 0


@pytest.mark.parametrize("bits", [16, 32])
@pytest.mark.parametrize("sense", [1, -1])
def test_wraps_many_times(bits: int, sense: int) -> None:
    modulus = 1 << bits
    step = modulus // 2 - 100
    follower = Follower(Counter(modulus, sense), fastest(modulus))
    follower.show(modulus - 1)
    for n in range(1, 41):
        assert follower.show((modulus - 1 + sense * n * step) % modulus) is Step.GOOD
    assert follower.travel.counts == 40 * step > 19 * modulus


def test_forward_counting_down_stands_for_minus_count_minus_one() -> None:
    """Field block rule 8: count c stands for travel [-c-1, -c), so that no count is lost at the wrap."""
    follower = Follower(Counter(1 << 16, -1), 10_000.0)
    follower.show(0xFFFF)  # count -1: travel 0
    follower.show(0xFFFF - 5)
    assert follower.travel.counts == 5
    assert follower.travel.raw_of(5) == -6 % (1 << 16)
    for count in (-1, -2, -30, 0, 7):
        assert follower.travel.travel_of(count % (1 << 16)) == -count - 1


def test_forward_counting_up_stands_for_the_count_itself() -> None:
    follower = Follower(Counter(1 << 16, 1), 10_000.0)
    follower.show(0)
    for count in (0, 1, 30, -1, -7):
        assert follower.travel.travel_of(count % (1 << 16)) == count


@given(st.integers(-(1 << 30), 1 << 30), senses)
def test_a_jump_changes_the_offset_never_the_travel(jump: int, sense: int) -> None:
    assume(abs(jump) > 200)
    follower = Follower(Counter(1 << 32, sense), 10_000.0)
    follower.show(1000)
    follower.show((1000 + sense * 40) % (1 << 32))
    there = (1000 + sense * (40 + jump)) % (1 << 32)
    assert follower.show(there) is Step.JUMP
    assert follower.travel.counts == 40
    assert follower.travel.raw_of(40) == there
    assert follower.travel.speed_counts_s == 0.0
    assert follower.show((there + sense * 3) % (1 << 32)) is Step.GOOD
    assert follower.travel.counts == 43


def test_a_restart_near_zero_is_a_jump() -> None:
    follower = Follower(Counter(), 10_000.0)
    follower.show(3_000_000)
    assert follower.show(2) is Step.JUMP


def test_after_a_gap_in_which_the_counter_may_have_wrapped_it_is_ambiguous() -> None:
    follower = Follower(Counter(1 << 16), 10_000.0)
    follower.show(100)
    assert follower.show(160, after=100) is Step.GOOD  # 0.5 s: 6250 counts at most
    assert follower.show(170, after=600) is Step.AMBIGUOUS  # 3 s: 37 500 counts
    assert follower.travel.counts == 60


def test_the_bound_is_the_top_speed_with_its_margin() -> None:
    elapsed_s = (PERIOD_NS + EXCHANGE_NS) * 1e-9
    bound = int(10_000.0 * 1.25 * elapsed_s + JUMP_SLACK_COUNTS)
    for step, expected in ((bound, Step.GOOD), (-bound, Step.GOOD), (bound + 1, Step.JUMP), (-bound - 1, Step.JUMP)):
        follower = Follower(Counter(), 10_000.0)
        follower.show(50_000)
        assert follower.show(50_000 + step) is expected


def test_a_first_count_of_zero_is_a_count() -> None:
    follower = Follower(Counter(), 10_000.0)
    assert follower.show(0) is Step.FIRST
    assert follower.show(0) is Step.GOOD
    assert follower.show(7) is Step.GOOD
    assert follower.travel.counts == 7


def test_furthest_stays_when_the_belt_backs_up() -> None:
    follower = Follower(Counter(), 10_000.0)
    for raw in (0, 30, 60, 20):
        follower.show(raw)
    assert (follower.travel.counts, follower.travel.furthest) == (20, 60)


def test_constant_speed_is_exact() -> None:
    follower = Follower(Counter(), 100_000.0)
    for n in range(40):
        follower.show(5 * n)
        if n:
            assert follower.travel.speed_counts_s == pytest.approx(1000.0)


@pytest.mark.parametrize("periods", [1, 8], ids=["at the period", "over a slower link"])
@pytest.mark.parametrize("with_clock", [True, False])
def test_speed_on_a_ramp_is_exact(with_clock: bool, periods: int) -> None:
    """x = n² counts at dt a sample: v = 2n / dt, a = 2 / dt²; a mean speed is that of the interval's middle."""
    dt = periods * PERIOD_NS * 1e-9
    follower = Follower(Counter(), 200_000.0)
    wrap = (1 << 32) - 40_000  # the I/O side's clock wraps on the way
    for n in range(30):
        us = (wrap + 5000 * periods * n) % (1 << 32)
        follower.show(n * n, after=periods, us=us if with_clock else None)
    middle = (29 + 29 - WINDOW // 2 + 1) / 2
    assert follower.travel.speed_counts_s == pytest.approx(2 * middle / dt)
    for later in (29, 35, 60):  # after later² − 29² more counts the speed is that of sample `later`
        distance = later * later - 29 * 29
        assert follower.travel.speed_after(distance, 1e9) == pytest.approx(2 * later / dt)


def test_the_predicted_change_of_speed_is_bounded_by_the_greatest_acceleration() -> None:
    follower = Follower(Counter(), 200_000.0)
    for n in range(30):
        follower.show(n * n)
    mean = follower.travel.speed_counts_s
    age_s = (WINDOW // 2 - 1) / 2 * PERIOD_NS * 1e-9
    now = mean + 1000.0 * age_s
    assert follower.travel.speed_after(500, 1000.0) == pytest.approx((now * now + 2 * 1000.0 * 500) ** 0.5)


def test_exchanges_made_at_once_do_not_shorten_the_window() -> None:
    travel = Travel(Counter(), 100_000.0, PERIOD_NS * 1e-9)
    for n in range(20):
        for again in range(3):
            sent_ns = n * PERIOD_NS + again * EXCHANGE_NS
            travel.update(5 * n, None, sent_ns, sent_ns + EXCHANGE_NS)
    assert travel.speed_counts_s == pytest.approx(5 * 1e9 / PERIOD_NS)


@given(
    st.lists(st.integers(-40, 40), min_size=1, max_size=40),
    st.integers(1, 40),
    senses,
    st.integers(0, (1 << 16) - 1),
    st.booleans(),
)
def test_an_idle_stretch_gives_what_single_scans_give(
    steps: list[int], taken: int, sense: int, start: int, clock: bool
) -> None:
    single, skipping = (Follower(Counter(1 << 16, sense), 10_000.0) for _ in range(2))
    for each in (single, skipping):
        each.show(start, us=0 if clock else None)
    raws, raw = [], start
    for step in steps:
        raw = (raw + sense * step) % (1 << 16)
        raws.append(raw)
    us = [5000 * n for n in range(1, len(raws) + 1)] if clock else None
    taken = min(taken, len(raws))
    ahead = skipping.travel.look(IdleStretch(raws, us, 2 * PERIOD_NS, PERIOD_NS, EXCHANGE_NS))
    for n, each_raw in enumerate(raws[:taken]):
        single.show(each_raw, us=us[n] if us else None)
        assert (ahead.travels[n], ahead.speed(n)) == (single.travel.counts, single.travel.speed_counts_s)
    skipping.travel.follow(ahead, taken)
    for name in ("counts", "furthest", "moved_ns", "speed_counts_s"):
        assert getattr(skipping.travel, name) == getattr(single.travel, name), name
    assert skipping.travel.change_counts_s2(1e9) == single.travel.change_counts_s2(1e9)


@pytest.mark.parametrize(("modulus", "sense"), [(3, 1), (2, 1), (65_535, 1), (0, 1), (65_536, 0), (65_536, 2)])
def test_an_impossible_counter_is_refused(modulus: int, sense: int) -> None:
    with pytest.raises(ValueError, match=r"modulus|sense"):
        Counter(modulus, sense)
