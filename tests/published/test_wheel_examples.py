"""Wheel and encoder examples printed by others, through our own scale.

Sources: an encoder maker's tutorial (12 in of belt, 8 in wheel, 2000 pulses a turn: 954.93 pulses, printed as 955);
makers' application notes (250 pulses x4 on a 200 mm wheel: 1.59155 counts a mm; 2048 pulses on 628.32 mm: 0.307 mm
a pulse; 1024 pulses x4: 4096 counts a turn; 0.025 in a pulse at 24.25 in/s: 970 pulses a second; a wheel of 1 ft
circumference: turns a minute = feet a minute). That 318.31 counts a metre come of taking a diameter of 200 mm for a
circumference is computed.
"""

from __future__ import annotations

from typing import Any

import pytest

from controller.commissioning.contact import Rate, against_shown
from controller.commissioning.scale_combine import SlipKind, slip_of
from controller.settings.sections import EncoderSection, WheelSection
from controller.units import Kind, parse


def scale_mm(**wheel: Any) -> float:
    return EncoderSection(wheel=WheelSection(**wheel)).scale_mm()


def test_counts_for_a_foot_of_belt() -> None:
    counts = parse("12 in", Kind.LENGTH) / scale_mm(diameter="8 in", counts_per_turn=2000, decode=1)
    assert counts == pytest.approx(954.93, abs=0.005)
    assert round(counts) == 955


def test_counts_a_millimetre_with_both_edges_of_both_channels() -> None:
    assert 1.0 / scale_mm(diameter="200 mm", counts_per_turn=250, decode=4) == pytest.approx(1.59155, abs=5e-6)


def test_millimetres_a_pulse() -> None:
    scale = scale_mm(circumference="628.32 mm", counts_per_turn=2048, decode=1)
    assert scale == pytest.approx(0.30680, abs=5e-6)
    assert round(scale, 3) == 0.307


def test_counts_a_turn() -> None:
    assert 300.0 / scale_mm(circumference="300 mm", counts_per_turn=1024, decode=4) == pytest.approx(4096)


def test_pulse_rate() -> None:
    scale = EncoderSection(mm_per_count="0.025 in").scale_mm()  # type: ignore[arg-type]
    rate = parse("24.25 in/s", Kind.SPEED) / scale
    assert rate == pytest.approx(970.0)
    assert rate * parse("10 ms", Kind.TIME) == pytest.approx(9.7)


def test_turns_a_minute_of_a_one_foot_wheel_are_feet_a_minute() -> None:
    scale = scale_mm(circumference="1 ft", counts_per_turn=1000, decode=1)
    turns_a_minute = parse("50 ft/min", Kind.SPEED) * 60.0 / (scale * 1000)
    assert turns_a_minute == pytest.approx(50.0)


def test_a_diameter_taken_for_a_circumference_is_wrong_by_pi() -> None:
    as_circumference = 1000.0 / scale_mm(circumference="200 mm", counts_per_turn=200, decode=1)
    as_diameter = 1000.0 / scale_mm(diameter="200 mm", counts_per_turn=200, decode=1)
    assert as_circumference == pytest.approx(1000.0)
    assert as_diameter == pytest.approx(318.31, abs=0.005)


def test_the_same_slip_is_named_from_these_counts() -> None:
    # 1000 pulses a metre were reckoned with, 318.31 come: the scale that is set is π times too small.
    reckoned = scale_mm(circumference="200 mm", counts_per_turn=200, decode=1)
    slip = slip_of(reckoned / (1000.0 / 318.31))
    assert slip is not None
    assert slip.kind is SlipKind.DIAMETER_FOR_CIRCUMFERENCE


def test_slip_of_half_a_percent() -> None:
    # 1000 mm commanded, the counter reads 995 (an application note).
    found = against_shown(Rate(995.0, 0.01, 7.0, 10.0), 1.0, 1000.0, 0.1)
    assert found.difference == pytest.approx(-0.005)
    assert found.differs
