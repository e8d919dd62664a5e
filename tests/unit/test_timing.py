"""What the loop measures of itself."""

from hypothesis import given
from hypothesis import strategies as st

from controller.timing import LATE_NS, Parts, Timing

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


def test_an_overrun_says_what_took_longest_and_only_the_worst_are_kept() -> None:
    timing = Timing(5 * MS)
    for late_ms in (1, 7, 3, 2, 12):
        timing.overran(late_ms * MS, Parts(exchange=MS, decision=late_ms * MS))
    figures = timing.as_dict()
    assert timing.overruns == 5
    assert figures["worst_overruns"] == [
        {"late_ms": float(late_ms), "what": f"{late_ms:.1f} ms in the decision"} for late_ms in (12, 7, 3)
    ]


def test_what_began_late_or_was_passed_over_is_behind() -> None:
    timing = Timing(5 * MS)
    for late_ns in (0, LATE_NS, LATE_NS + 1):
        timing.begun(Parts(woke_late=late_ns))
    assert (timing.behind, timing.overruns) == (1, 0)
    timing.overran(11 * MS, Parts())  # late itself, and two more have passed
    assert timing.behind == 4


def test_a_collection_that_holds_a_period_up_is_said_so() -> None:
    timing = Timing(5 * MS)
    timing.begun(Parts(woke_late=10_000, tidying=3 * MS))
    assert timing.as_dict()["worst_overruns"] == [{"late_ms": 3.01, "what": "3.0 ms collecting garbage"}]
