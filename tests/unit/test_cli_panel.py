"""What the operator reads: every figure with its unit, and nothing that only colour would say."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from controller.cli.panel import counts_text, rows
from controller.faults import FaultBook
from controller.plant.view import plain
from controller.scan import Line, snapshot
from controller.spec import LineSpec, MarkPlan, Station

SPEC = LineSpec("tea", 0.04, (Station("flap", 400.0, MarkPlan()),), job_name="case")
ABOUT = {"address": "127.0.0.1:502", "display": {"length_unit": "in", "speed_unit": "ft/min"}}


def shown(**changes: Any) -> dict[str, str]:
    view = replace(snapshot(Line(SPEC, 7, 0), 0), **changes)
    return dict(rows(plain(view) | ABOUT))


def test_speeds_and_lengths_are_in_the_units_of_the_line() -> None:
    # NIST SP 811: 1 ft/min = 5.08 mm/s, 1 in = 25.4 mm
    table = shown(speed_mm_s=508.0, unknown_mm=254.0, link_error="", status_age_ns=0, lead_mm=25.4, lead_ms=35.0)
    assert table["speed"] == "100 ft/min"
    assert table["unknown"].startswith("10 in of line")
    assert table["lead"] == "35 ms, 1 in"


def test_a_link_that_is_down_is_told_in_words_with_its_address() -> None:
    assert shown(link_error="no answer")["link"] == "127.0.0.1:502 DOWN: no answer"


def test_a_fault_shows_what_it_is_whether_it_is_still_there_and_what_to_do() -> None:
    book = FaultBook()
    book.update({"interlock_open": "guard"}, 0)
    table = shown(faults=book.views(), first_cause="an interlock is open (guard)")
    assert "interlock_open: an interlock is open (guard); present, not acknowledged; close the guard" in table["fault"]
    assert table["first cause"] == "an interlock is open (guard)"


def test_an_imbalance_is_not_to_be_overlooked() -> None:
    assert "defect" in shown(balanced=False)["BALANCE"]
    assert "BALANCE" not in shown(balanced=True)


@pytest.mark.parametrize(
    ("values", "text"), [({}, "none"), ({"late": 3}, "late 3"), ({"not_ready": 0, "busy": 1}, "not ready 0, busy 1")]
)
def test_counts_read_as_words(values: dict[str, int], text: str) -> None:
    assert counts_text(values) == text
