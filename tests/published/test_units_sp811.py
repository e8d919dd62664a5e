"""Conversion factors of NIST Special Publication 811 (2008), Appendix B.8; the factors are exact there.

Foot a second and inch a second are from memory; they follow from the foot and the inch.
"""

from __future__ import annotations

import pytest

from controller.units import Kind, parse, to_unit


@pytest.mark.parametrize(
    ("text", "kind", "si"),
    [
        ("1 in", Kind.LENGTH, 2.54e-02),
        ("1 ft", Kind.LENGTH, 3.048e-01),
        ("1 ft/min", Kind.SPEED, 5.08e-03),
        ("1 ft/s", Kind.SPEED, 3.048e-01),
        ("1 in/s", Kind.SPEED, 2.54e-02),
    ],
)
def test_factor(text: str, kind: Kind, si: float) -> None:
    assert parse(text, kind) == pytest.approx(si * 1000.0, rel=1e-15)


def test_a_metre_a_second_in_the_units_of_the_trade() -> None:
    # Computed from the factors above: 1 m/s = 60 m/min = 196.8504 ft/min.
    assert to_unit(1000.0, "m/min") == pytest.approx(60.0, rel=1e-15)
    assert to_unit(1000.0, "ft/min") == pytest.approx(196.8504, abs=5e-5)


def test_a_metre_a_second_is_a_millimetre_a_millisecond() -> None:
    assert parse("1 m/s", Kind.SPEED) * parse("1 ms", Kind.TIME) == 1.0
