"""32-bit counts over 16-bit registers: what tears, and that our plans leave nothing to tear.

Torn values: computed from the definition of the two word orders (two one-register reads around a carry).
The rule to read both words in one request: common practice, from memory.
"""

from __future__ import annotations

import pytest

from controller.packing import StatusDecoder, StatusEncoder
from controller.points import PointMap, WordOrder
from controller.registers import Status
from controller.settings.points import PointsConfig

BEFORE, AFTER = 0x0000FFFF, 0x00010000


@pytest.mark.parametrize(
    ("order", "torn"), [(WordOrder.HIGH_FIRST, 0x00000000), (WordOrder.LOW_FIRST, 0x0001FFFF)], ids=["high", "low"]
)
def test_a_count_read_word_by_word_around_a_carry_is_torn(order: WordOrder, torn: int) -> None:
    points = PointsConfig(word_order=order).resolve()
    encoder, decoder = StatusEncoder(points), StatusDecoder(points)
    (first,), (second,) = (encoder.encode(Status(belt_count=count)) for count in (BEFORE, AFTER))
    halves = first[:14] + second[14:]
    assert decoder.decode([halves]).belt_count == torn
    assert decoder.decode([first]).belt_count == BEFORE
    assert decoder.decode([second]).belt_count == AFTER


@pytest.mark.parametrize("base", [0, 60, 100, 120, 124, 1000])
def test_both_words_of_every_count_are_in_one_request(base: int) -> None:
    points = PointsConfig(status_base=base, command_base=5000, station_base=base + 81).resolve(stations=9)
    for point in points.status.values():
        assert sum(request.holds(point) for request in points.read_plan) == 1


def test_the_default_status_is_one_request_so_that_count_and_clock_belong_together() -> None:
    assert len(PointMap.default().read_plan) == 1
