"""Serial number arithmetic: RFC 1982 with its worked numbers (as repeated in Twisted's rfc1982 tests).

RFC 1982 is for widths that are powers of two; a counter of N values, N even, follows with N/2 (LShift's note, 2007).
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.registers import serial_ahead
from controller.spec import Counter
from controller.travel import Step, Travel

WIDTHS = [2, 8, 16, 32]
GREATER = {
    2: [(1, 0), (2, 1), (3, 2), (0, 3)],
    8: [
        (1, 0), (44, 0), (100, 0), (100, 44), (200, 100), (255, 200), (0, 255), (100, 255), (0, 200), (44, 200),
    ],
}  # fmt: skip
UNDEFINED = {2: [(2, 0), (1, 3)], 8: [(n, n + 128) for n in range(128)]}
SUMS = {2: [(0, 1, 1), (1, 1, 2), (2, 1, 3), (3, 1, 0)], 8: [(255, 1, 0), (100, 100, 200), (200, 100, 44)]}


@pytest.mark.parametrize(("bits", "a", "b"), [(w, a, b) for w, pairs in GREATER.items() for a, b in pairs])
def test_greater_than(bits: int, a: int, b: int) -> None:
    assert serial_ahead(a, b, bits)
    assert not serial_ahead(b, a, bits)


@pytest.mark.parametrize(("bits", "a", "b"), [(w, a, b) for w, pairs in UNDEFINED.items() for a, b in pairs])
def test_undefined_pairs_are_ahead_neither_way(bits: int, a: int, b: int) -> None:
    assert not serial_ahead(a, b, bits)
    assert not serial_ahead(b, a, bits)


@pytest.mark.parametrize(("bits", "start", "add", "total"), [(w, *row) for w, rows in SUMS.items() for row in rows])
def test_a_sum_is_ahead_of_what_it_was_added_to(bits: int, start: int, add: int, total: int) -> None:
    assert (start + add) % (1 << bits) == total
    assert serial_ahead(total, start, bits)


@given(st.sampled_from(WIDTHS), st.data())
def test_ahead_by_up_to_the_largest_addend_and_no_more(bits: int, data: st.DataObject) -> None:
    """Section 3.1: the largest addend is 2^(bits - 1) - 1."""
    modulus = 1 << bits
    start = data.draw(st.integers(0, modulus - 1))
    add = data.draw(st.integers(0, modulus - 1))
    assert serial_ahead((start + add) % modulus, start, bits) == (1 <= add <= modulus // 2 - 1)


@pytest.mark.parametrize("bits", [8, 16, 32])
@given(data=st.data())
def test_travel_agrees_with_the_serial_rule(bits: int, data: st.DataObject) -> None:
    """The counter's steps are forward exactly where the new count is serially ahead of the old; half is no step.

    Width 2 is left out: a counter of four values has no step that a belt could be told from noise by.
    """
    modulus = 1 << bits
    old = data.draw(st.integers(0, modulus - 1))
    new = data.draw(
        st.one_of(
            st.integers(0, modulus - 1), st.sampled_from([(old + modulus // 2 + d) % modulus for d in (-1, 0, 1)])
        )
    )
    travel = Travel(Counter(modulus), (modulus / 2 - 17) / 1.25, 1.0)
    travel.update(old, None, 0, 0)
    step = travel.update(new, None, 1_000_000_000, 1_000_000_000)
    if (new - old) % modulus == modulus // 2:
        assert step is Step.JUMP
        assert travel.counts == 0
    else:
        assert step is Step.GOOD
        assert (travel.counts > 0) == serial_ahead(new, old, bits)


@pytest.mark.parametrize(("bits", "start", "add", "total"), [(8, *row) for row in SUMS[8]])
def test_the_worked_sums_as_travel(bits: int, start: int, add: int, total: int) -> None:
    for sense in (1, -1):
        travel = Travel(Counter(1 << bits, sense), 80.0, 1.0)
        travel.update(start if sense > 0 else total, None, 0, 0)
        assert travel.update(total if sense > 0 else start, None, 1_000_000_000, 1_000_000_000) is Step.GOOD
        assert travel.counts == add


def test_a_16_bit_count_at_360_counts_a_foot_wraps_every_182_feet() -> None:
    """65 536 / 360 = 182.04 ft (computed; an article prints about 183). Two wraps followed at one foot a sample."""
    travel = Travel(Counter(1 << 16), 400.0, 1.0)
    feet = 0
    travel.update(0, None, 0, 0)
    while travel.counts < 2 * 65_536:
        feet += 1
        travel.update(360 * feet % 65_536, None, feet * 10**9, feet * 10**9)
    assert feet == 365
    assert pytest.approx(182.04, abs=0.005) == 65_536 / 360
