"""Counters that wrap on the way from detector to marker, begin close below their wrap, or count down: all exact.

The marks must land where they land with a plain 32-bit counter from 0, one by one, since nothing else has changed.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.spec import Counter
from tests.scenario.rig import WholeLine, constant, encoder, hunting, products, ramp, scene, spec_of, stop, with_station

DISTANCE_MM = 12_000.02
"""Nearly five wraps of a 16-bit counter lie between detector and marker, and 32 of the shortest one."""

CASES = {
    "16 bits": (1 << 16, 1, 0),
    "16 bits, just below its wrap": (1 << 16, 1, 65_530),
    "16 bits, counting down": (1 << 16, -1, 5),
    "32 bits, just below its wrap": (1 << 32, 1, (1 << 32) - 3),
    "32 bits, counting down through 0": (1 << 32, -1, 3),
    "10,000 counts": (10_000, 1, 9_999),
    "10,000 counts, counting down": (10_000, -1, 0),
}


def marks_of(modulus: int, sense: int, start: int, *, device_clock: bool = True) -> list[tuple[int | None, float]]:
    """Where each product's mark landed: the product's number and the error in mm."""
    spec = with_station(spec_of("demo-line.toml"), distance_mm=DISTANCE_MM)
    spec = replace(spec, counter=Counter(modulus, sense))
    world = scene(
        [
            ramp(160.0, 400.0), constant(160.0, 10.0), ramp(400.0, 25.0), hunting(400.0, 60.0, 3.0, 42.0),
            ramp(0.0, 800.0), stop(None),
        ],
        [products(length=90.0, pitch=150.0, spread=10.0, varies="uniform", first=20.0)],
        seed=4, encoder=encoder(start_count=start),
    )  # fmt: skip
    whole = WholeLine(spec, world, device_clock=device_clock)
    whole.bench.start()
    whole.until(70.0)
    whole.assert_sound()
    assert whole.bench.snapshot().counters.missed == dict.fromkeys(whole.bench.snapshot().counters.missed, 0)
    assert not whole.line.faults.totals
    assert whole.largest_counts() <= 1.0
    wraps = DISTANCE_MM / spec.scale_mm / modulus
    print(f"\n{modulus} counts, sense {sense:+d}, from {start}, own clock {device_clock}: {len(whole.marks)} marks, "
          f"{wraps:.2f} wraps to the marker, largest error {whole.largest_counts():.3f} counts")  # fmt: skip
    return [(m.product, m.error_mm) for m in whole.marks if m.error_mm is not None]


@pytest.fixture(scope="module")
def plain() -> list[tuple[int | None, float]]:
    marks = marks_of(1 << 32, 1, 0)
    assert len(marks) > 15
    return marks


@pytest.mark.parametrize("device_clock", [True, False], ids=["sample_us", "no sample_us"])
@pytest.mark.parametrize("case", CASES)
def test_every_counter_marks_where_a_plain_one_does(
    case: str, device_clock: bool, plain: list[tuple[int | None, float]]
) -> None:
    marks = marks_of(*CASES[case], device_clock=device_clock)
    assert [product for product, _ in marks] == [product for product, _ in plain]
    assert [error for _, error in marks] == pytest.approx([error for _, error in plain], abs=1e-6)
