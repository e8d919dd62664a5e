"""A marker's test marks: times within their bounds, what is out of order, and what is proposed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.commissioning.marker import Fits, Settings, Study, study
from controller.commissioning.marker_marks import Between, Looks, Mark, Times, Wrong, mark_of
from controller.commissioning.marker_words import figure_text, verdict_texts
from controller.units import Display

SHOW = Display()
SCAN_S, EXCHANGE_S = 0.005, 0.001
SET = Settings(0.0, 0.06, 0.02)


@dataclass(frozen=True)
class Truth:
    """When a marker's signals change, in s after its trigger; None: never."""

    busy_on: float | None = 0.0
    busy_off: float | None = 0.08
    done: float | None = 0.06
    ready_off: float | None = 0.0
    ready_on: float | None = 0.08
    fault: float | None = None
    released: bool = True


def seen(truth: Truth, phase_s: float = 0.0, missed: Sequence[int] = (), end_s: float = 0.3) -> Looks:
    """Looks every scan at a marker that is triggered `phase_s` before the look that shows it, some of them missed."""
    trigger_s = 10 * SCAN_S - phase_s
    kept = [n for n in range(round(end_s / SCAN_S)) if n not in missed]
    t = np.array([n * SCAN_S for n in kept])

    def since(at: float | None) -> np.ndarray:
        on: np.ndarray = np.zeros(len(t), bool) if at is None or not truth.released else t >= trigger_s + at - 1e-12
        return on

    return Looks(
        t_s=t,
        triggered=since(0.0),
        ordered=np.array([n >= 10 for n in kept]),
        next_to=np.array([n - 1 in kept for n in kept]),
        fault=since(truth.fault),
        ready=~since(truth.ready_off) | since(truth.ready_on),
        busy=since(truth.busy_on) & ~since(truth.busy_off),
        done=since(truth.done).astype(np.int64),
    )


@given(
    st.floats(0.0, EXCHANGE_S), st.floats(0.0, 0.02), st.floats(0.001, 0.1), st.floats(0.0, 0.05),
    st.lists(st.integers(1, 40), max_size=8),
)  # fmt: skip
def test_every_time_lies_within_its_bounds_whatever_looks_are_missed(
    phase: float, response: float, mark: float, rearm: float, missed: list[int]
) -> None:
    done, ready = response + mark, response + mark + rearm
    truth = Truth(busy_on=response, busy_off=ready, done=done, ready_on=ready)
    found = mark_of(seen(truth, phase, missed), EXCHANGE_S).times
    true = {Times.READY_OFF: 0.0, Times.RESPONSE: response, Times.MARK: done, Times.BUSY: ready - response,
            Times.REARM: rearm, Times.CYCLE: ready}  # fmt: skip
    for name, between in found.items():
        assert between.low - 1e-9 <= true[name] <= between.high + 1e-9, name


def test_the_exchange_that_carried_the_order_bounds_the_trigger() -> None:
    found = mark_of(seen(Truth(), EXCHANGE_S), EXCHANGE_S).times[Times.MARK]
    assert found.high - found.low == pytest.approx(SCAN_S + EXCHANGE_S)
    far = mark_of(seen(Truth(), EXCHANGE_S, missed=[8, 9]), EXCHANGE_S).times[Times.MARK]
    assert far.high - far.low == pytest.approx(4 * SCAN_S), "the order may have gone out in a look that was missed"


def test_a_device_with_a_scan_of_its_own_widens_the_bounds() -> None:
    plain = mark_of(seen(Truth()), EXCHANGE_S).times[Times.MARK]
    slow = mark_of(seen(Truth()), EXCHANGE_S, late_s=0.002).times[Times.MARK]
    assert (slow.low, slow.high) == (pytest.approx(plain.low - 0.004), pytest.approx(plain.high))


@pytest.mark.parametrize(
    ("truth", "wrong"),
    [
        (Truth(), []),
        (Truth(released=False), [Wrong.NOT_RELEASED]),
        (Truth(done=None), [Wrong.NEVER_DONE]),
        (Truth(busy_on=None), [Wrong.NEVER_BUSY]),
        (Truth(busy_off=None), [Wrong.STAYED_BUSY]),
        (Truth(ready_off=None), [Wrong.READY_STAYED]),
        (Truth(ready_on=None), [Wrong.NEVER_READY]),
        (Truth(ready_off=0.012), [Wrong.READY_LATE]),
        (Truth(ready_off=0.004), []),
        (Truth(ready_on=0.03), [Wrong.READY_EARLY]),
        (Truth(fault=0.02, done=None, ready_on=None), [Wrong.FAULT, Wrong.NEVER_READY, Wrong.NEVER_DONE]),
    ],
)
def test_what_is_out_of_order_is_named(truth: Truth, wrong: list[Wrong]) -> None:
    assert list(mark_of(seen(truth), EXCHANGE_S).wrong) == wrong


def test_done_that_counts_twice_is_named() -> None:
    looks = seen(Truth())
    assert looks.done is not None
    assert mark_of(replace(looks, done=2 * looks.done), EXCHANGE_S).wrong == (Wrong.DONE_TWICE,)


def test_signals_that_a_line_has_not_are_neither_timed_nor_out_of_order() -> None:
    found = mark_of(replace(seen(Truth()), ready=None, busy=None, done=None), EXCHANGE_S)
    assert found == Mark({}, ())


def marks(truth: Truth, n: int = 5) -> list[Mark]:
    return [mark_of(seen(truth, phase * EXCHANGE_S), EXCHANGE_S) for phase in np.linspace(0.0, 1.0, n)]


def of(truth: Truth, settings: Settings = SET) -> Study:
    return study(marks(truth), settings)


def test_a_marker_as_it_is_set_is_good() -> None:
    found = of(Truth())
    assert found.good
    assert {figure.fits for figure in found.figures.values()} == {None, Fits.FITS}
    assert verdict_texts(found, None, 500.0, SCAN_S, SHOW)[-1] == "every mark was in order, and the settings fit"


def test_a_slower_marker_is_given_the_longest_times_that_all_marks_allow() -> None:
    found = of(Truth(done=0.0905, busy_off=0.13, ready_on=0.1305))
    assert found.figures[Times.MARK].fits is Fits.LONGER
    assert found.figures[Times.CYCLE].fits is Fits.LONGER
    assert 0.0905 <= found.proposed.mark_s <= 0.0905 + SCAN_S
    assert 0.04 <= found.proposed.rearm_s <= 0.04 + 2 * SCAN_S
    assert found.proposed.response_s == 0.0, "nothing says that busy comes with the mark"
    says = verdict_texts(found, 20.0, 500.0, SCAN_S, SHOW)
    assert any("limits" in text for text in says)
    assert any("CUT OFF" in text for text in says)
    assert any("every speed" in text for text in verdict_texts(found, 80.0, 500.0, SCAN_S, SHOW))


def test_a_faster_marker_may_be_used_sooner() -> None:
    found = of(Truth(done=0.03, busy_off=0.04, ready_on=0.04))
    assert found.figures[Times.MARK].fits is Fits.SHORTER
    assert 0.03 <= found.proposed.mark_s <= 0.03 + 2 * SCAN_S


def test_busy_tells_the_response_only_where_it_comes_with_the_mark() -> None:
    truth = Truth(busy_on=0.012, busy_off=0.072, done=0.072, ready_on=0.092)
    assert of(truth).proposed.response_s == 0.0
    found = of(truth, replace(SET, busy_marks=True))
    assert found.proposed.response_s == pytest.approx(0.012, abs=0.5 * SCAN_S + EXCHANGE_S)
    assert found.figures[Times.BUSY].fits is Fits.FITS
    assert found.proposed.mark_s == SET.mark_s


def test_times_that_differ_from_mark_to_mark_are_not_taken_for_one() -> None:
    both = [*marks(Truth()), *marks(Truth(done=0.1, busy_off=0.12, ready_on=0.12))]
    figure = study(both, SET).figures[Times.MARK]
    assert figure.same is None
    assert figure.longest_s == figure.at_most_s >= 0.1
    assert figure.sd_s is not None
    assert figure.sd_s > 0.015
    assert "differs from mark to mark" in figure_text(figure, SHOW)


def test_without_done_the_rearm_is_told_from_the_whole_cycle() -> None:
    found = of(Truth(done=None, busy_off=0.1, ready_on=0.1))
    assert Times.MARK not in found.figures
    assert 0.04 <= found.proposed.rearm_s <= 0.04 + 2 * SCAN_S
    assert found.wrong == {Wrong.NEVER_DONE: 5}
    assert "in 5 of 5 marks done never came" in verdict_texts(found, None, 500.0, SCAN_S, SHOW)[0]


def test_one_mark_has_no_scatter_and_none_is_refused() -> None:
    figure = study(marks(Truth(), 1), SET).figures[Times.MARK]
    assert (figure.n, figure.sd_s) == (1, None)
    assert figure.same == Between(figure.at_least_s, figure.at_most_s)
    with pytest.raises(ValueError, match="no test mark"):
        study([], SET)
