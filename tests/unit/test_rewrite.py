"""Writing settings into a TOML file as it stands: only what differs changes, and it reads back as what was wanted."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.settings.base import check
from controller.settings.job import JobSettings
from controller.settings.rewrite import RewriteError, job_file_text, quantity_text
from controller.units import Display, Kind, parse

MM, IN = Display("mm", "m/min"), Display("in", "ft/min")
HERE = Path("job.toml")

ONE = """\
# The name people know it by.
name = "A"
number = 1   # as the marker knows it

[[plans]]
offset = "12 mm"  # from the edge
length = "18 mm"
"""
TWO_INLINE = """\
name = "B"
plans = [
  { station = "flap", offset = "12 mm" },  # the first
  { station = "side", edge = "trailing", offset = "20 mm", pitch = "50 mm", count = 3, length = "10 mm" },
]
"""
WEB = 'name = "C"\nmaterial = "web"\ngrid = "phase"\n[[plans]]\npitch = "50 mm"\ncount = "continuous"\n'
TWO = 'name = "D"\n[[plans]]\nstation = "flap"\n[[plans]]\nstation = "side"\nkeep_on_product = true\n'
TEXTS = [ONE, TWO_INLINE, WEB, TWO]


def job(text: str) -> JobSettings:
    return check(HERE, tomllib.loads(text), JobSettings)


@pytest.mark.parametrize("old", TEXTS)
@pytest.mark.parametrize("wanted", TEXTS)
@pytest.mark.parametrize("display", [MM, IN])
def test_any_job_becomes_any_other(old: str, wanted: str, display: Display) -> None:
    new = job_file_text(old, job(old), job(wanted), display)
    assert job(new) == job(wanted)
    if old == wanted:
        assert new == old


@pytest.mark.parametrize("wanted", TEXTS)
def test_a_job_is_written_anew_where_there_is_no_file(wanted: str) -> None:
    assert job(job_file_text(None, None, job(wanted), MM)) == job(wanted)


def test_only_what_differs_changes_and_comments_stay() -> None:
    wanted = ONE.replace('"12 mm"', '"12.7 mm"')
    assert job_file_text(ONE, job(ONE), job(wanted), MM) == wanted
    assert job_file_text(ONE, job(ONE), job(wanted), IN) == ONE.replace('"12 mm"', '"0.5 in"')


def test_line_ends_of_another_system_stay() -> None:
    old, wanted = ONE.replace("\n", "\r\n"), ONE.replace("number = 1", "number = 2")
    assert job_file_text(old, job(old), job(wanted), MM) == wanted.replace("\n", "\r\n")


def test_a_form_that_cannot_be_changed_is_said() -> None:
    with pytest.raises(RewriteError, match="by hand"):
        job_file_text("name = ", job(ONE), job(TWO), MM)


@pytest.mark.parametrize(
    ("value", "kind", "display", "text"),
    [
        (399.994, Kind.LENGTH, MM, "399.994 mm"),
        (399.994, Kind.LENGTH, IN, "399.994 mm"),
        (12.7, Kind.LENGTH, IN, "0.5 in"),
        (0.06, Kind.TIME, MM, "60 ms"),
        (20.0, Kind.TIME, MM, "20 s"),
        (0.0, Kind.LENGTH, IN, "0 in"),
        (254.0, Kind.SPEED, IN, "50 ft/min"),
        (250.0, Kind.SPEED, MM, "15 m/min"),
    ],
)
def test_quantities_are_written_as_people_do(value: float, kind: Kind, display: Display, text: str) -> None:
    assert quantity_text(value, kind, display) == text


@given(
    st.floats(0, 1e6, allow_subnormal=False).filter(lambda x: x == 0 or x > 1e-20),
    st.sampled_from([Kind.LENGTH, Kind.SPEED, Kind.TIME]),
    st.sampled_from([MM, IN]),
)
def test_what_is_written_means_that_very_value(value: float, kind: Kind, display: Display) -> None:
    assert parse(quantity_text(value, kind, display), kind) == value
