"""What the loop measures of itself."""

from hypothesis import given
from hypothesis import strategies as st

from controller.timing import Timing

MS = 1_000_000


def test_an_exchange_longer_than_the_period_is_link_limited_and_one_as_long_is_not() -> None:
    timing = Timing(5 * MS)
    assert [timing.exchanged(t) for t in (5 * MS, 5 * MS + 1, 1)] == [False, True, False]
    assert (timing.exchanges, timing.link_limited) == (3, 1)


def test_the_scan_is_the_greater_of_period_and_median_exchange() -> None:
    fast, slow = Timing(5 * MS), Timing(5 * MS)
    for _ in range(3):
        fast.exchanged(1 * MS)
        slow.exchanged(20 * MS)
    assert fast.as_dict()["scan_ms"] == 5.0
    assert 20.0 <= slow.as_dict()["scan_ms"] <= 20.01


def test_before_the_first_exchange_all_figures_are_zero() -> None:
    figures = Timing(5 * MS).as_dict()
    assert figures["exchange_median_ms"] == figures["exchange_worst_ms"] == 0
    assert figures["scan_ms"] == 5.0


@given(st.lists(st.integers(0, 10**10), min_size=1, max_size=200), st.sampled_from([0.5, 0.99, 1.0]))
def test_a_quantile_is_the_ordered_sample_to_a_hundredth_of_a_ms(took: list[int], share: float) -> None:
    timing = Timing(5 * MS)
    for t in took:
        timing.exchanged(t)
    need = share * len(took)
    exact = next(t for n, t in enumerate(sorted(took), start=1) if n >= need)
    assert exact / 1e6 <= timing.exchange.quantile_ns(share) / 1e6 <= exact / 1e6 + 0.0101
