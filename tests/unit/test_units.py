from __future__ import annotations

import math
import subprocess
import sys
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.units import (
    SHOWN,
    Display,
    Kind,
    parse,
    parse_accel_mm_s2,
    parse_duration_s,
    parse_length_mm,
    parse_speed_mm_s,
    show,
    to_unit,
)


@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [
        ("35 mm", Kind.LENGTH, 35.0),
        ("0.5 in", Kind.LENGTH, 12.7),
        ("0.1in", Kind.LENGTH, 2.54),
        (" 2 ft ", Kind.LENGTH, 609.6),
        ("-3.5 mm", Kind.LENGTH, -3.5),
        ("0 mm", Kind.LENGTH, 0.0),
        ("1e2 um", Kind.LENGTH, 0.1),
        ("50 ft/min", Kind.SPEED, 254.0),
        ("50 fpm", Kind.SPEED, 254.0),
        ("30 m/min", Kind.SPEED, 500.0),
        ("20 m / min", Kind.SPEED, 1000 / 3),
        ("5 ms", Kind.TIME, 0.005),
        ("5 µs", Kind.TIME, 5e-6),
        ("2 h", Kind.TIME, 7200.0),
        ("0.5 m/s^2", Kind.ACCELERATION, 500.0),
        ("0.5 m/s²", Kind.ACCELERATION, 500.0),
        ("0.5 m/s**2", Kind.ACCELERATION, 500.0),
        ("2 m/s/s", Kind.ACCELERATION, 2000.0),
        ("100 kHz", Kind.FREQUENCY, 100_000.0),
    ],
)
def test_a_quantity_is_read_to_the_last_bit(text: str, kind: Kind, value: float) -> None:
    assert parse(text, kind) == value


@pytest.mark.parametrize(
    ("value", "says"),
    [
        ("35", "has no unit"),
        (35, "35 has no unit"),
        (0, "0 has no unit"),
        (3.5, "has no unit"),
        (True, "is not a quantity"),
        (None, "is not a quantity"),
        (["35 mm"], "is not a quantity"),
        ("", "does not begin with a number"),
        ("mm", "does not begin with a number"),
        ("ten mm", "does not begin with a number"),
        ("nan mm", "not a finite number"),
        ("-inf mm", "not a finite number"),
        ("infinity", "not a finite number"),
        ("0,5 in", "comma"),
        ("1/2 in", "no unit that is known"),
        ("3 mm mm", "no unit that is known"),
        ("3 mm^9^9^9", "no unit that is known"),
        ("3 furlnog", "no unit that is known"),
        ("5 ms", "is a time, a length is wanted"),
        ("5 m/s", "is a speed, a length is wanted"),
        ("5 m/s^2", "is an acceleration, a length is wanted"),
        ("5 kg", "measures something else"),
        ("5 degC", "measures something else"),
        ("35 MM", 'did you mean "mm"?'),
        ("35 Mm", 'more than any line has (did you mean "mm"?)'),
        ("1e99 mm", "more than any line has"),
        ("1e999999999 mm", "no unit that is known"),
        ("9" * 5000 + " mm", "no unit that is known"),
    ],
)
def test_what_is_no_length_is_refused_with_the_reason_and_an_example(value: object, says: str) -> None:
    with pytest.raises(ValueError) as caught:
        parse_length_mm(value)
    text = str(caught.value)
    assert says in text
    assert '"35 mm"' in text
    assert "\n" not in text
    assert len(text) < 300


def test_each_reader_wants_its_own_kind() -> None:
    readers = {
        Kind.LENGTH: parse_length_mm,
        Kind.SPEED: parse_speed_mm_s,
        Kind.TIME: parse_duration_s,
        Kind.ACCELERATION: parse_accel_mm_s2,
    }
    for kind, reader in readers.items():
        reader(kind.example)
        for other in Kind:
            if other is not kind:
                with pytest.raises(ValueError, match="is wanted"):
                    reader(other.example)


def test_the_units_shown_are_those_of_the_library() -> None:
    for unit, (kind, size) in SHOWN.items():
        assert parse(f"1 {unit}", kind) == float(size), unit
    assert SHOWN["ft/min"][1] == Fraction(508, 100)


@given(value=st.floats(min_value=-9.9e5, max_value=9.9e5), unit=st.sampled_from(sorted(SHOWN)))
def test_what_is_shown_in_full_reads_back_the_same(value: float, unit: str) -> None:
    value = 0.0 if abs(value) < 1e-9 else value  # smaller than anything on a line
    back = parse(show(value, unit, digits=17), SHOWN[unit][0])
    assert math.isclose(back, value, rel_tol=1e-14, abs_tol=0.0)


@given(value=st.floats(min_value=1e-6, max_value=9.9e5), unit=st.sampled_from(sorted(SHOWN)))
def test_what_is_shown_rounded_is_off_by_no_more_than_its_digits(value: float, unit: str) -> None:
    assert math.isclose(parse(show(value, unit, digits=6), SHOWN[unit][0]), value, rel_tol=6e-6)


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (35.0, "mm", "35 mm"),
        (25.4, "in", "1 in"),
        (0.0, "mm", "0 mm"),
        (-0.0, "mm", "0 mm"),
        (254.0, "ft/min", "50 ft/min"),
        (1234567.0, "mm", "1234570 mm"),
        (0.00001234, "mm", "0.00001234 mm"),
        (0.005, "ms", "5 ms"),
        (float("nan"), "mm", "nan mm"),
        (float("inf"), "mm/s", "inf mm/s"),
    ],
)
def test_a_figure_goes_out_with_its_unit_and_no_exponent(value: float, unit: str, text: str) -> None:
    assert show(value, unit) == text


def test_display_shows_each_kind_in_the_chosen_unit() -> None:
    metric, trade = Display(), Display("in", "ft/min")
    assert metric.length(12.7) == "12.7 mm"
    assert trade.length(12.7) == "0.5 in"
    assert metric.speed(500.0) == "30 m/min"
    assert trade.speed(254.0) == "50 ft/min"
    assert metric.acceleration(500.0) == "0.5 m/s²"
    assert trade.acceleration(254.0) == "10 in/s²"
    assert metric.time(0.005) == "5 ms"
    assert metric.time(1.5) == "1.5 s"
    assert metric.belt(5e6) == "5000 m"
    assert trade.belt(3048.0) == "10 ft"
    assert to_unit(500.0, "m/min") == 30.0


def test_showing_figures_does_not_load_the_library() -> None:
    code = "import sys; from controller.units import Display; Display().speed(1.0); sys.exit('pint' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
