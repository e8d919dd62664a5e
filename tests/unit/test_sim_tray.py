"""The tray of scrap: what a ruler says, of marks at a steady speed only."""

from __future__ import annotations

import io
from typing import Any

import numpy as np
import pytest

from controller.units import Display
from sim.tray import READING_SD_MM, STEADY_MM, Tray


def mark(position_mm: float, speed_mm_s: float, from_lead_mm: float | None = 30.0) -> dict[str, Any]:
    truth = {"position_mm": position_mm, "speed_mm_s": speed_mm_s}
    return {"mark": {"truth": truth, "from_lead_mm": from_lead_mm}}


def test_marks_are_read_to_the_rulers_step_and_scatter_as_a_person_reads() -> None:
    file = io.StringIO()
    tray = Tray(file, Display("mm", "m/min"), seed=3)
    for n in range(400):
        tray.tell(mark(1000.0 + 100.0 * n, 500.0))
        tray.tell({"progress": {}})
    header, *rows = file.getvalue().splitlines()
    assert header == "speed [m/min],position [mm]"
    assert len(rows) == 395 and all(row.startswith("30.0,") for row in rows)
    places = np.array([float(row.split(",")[1]) for row in rows])
    assert places == pytest.approx(np.round(places, 1), abs=1e-9)
    assert places.mean() == pytest.approx(30.0, abs=0.03)
    assert places.std() == pytest.approx(READING_SD_MM, rel=0.2)


def test_what_was_made_as_the_speed_changed_or_on_no_product_is_no_scrap() -> None:
    file = io.StringIO()
    tray = Tray(file, Display("in", "ft/min"), seed=3)
    tray.tell(mark(0.0, 500.0))
    tray.tell(mark(STEADY_MM, 500.0))
    tray.tell(mark(STEADY_MM + 100.0, 500.0, None))
    for n in range(10):
        tray.tell(mark(STEADY_MM + 200.0 + 10.0 * n, 510.0 + 5.0 * n))
    tray.tell(mark(10_000.0, 555.0))
    header, *rows = file.getvalue().splitlines()
    assert header == "speed [ft/min],position [in]"
    assert [row.split(",")[0] for row in rows] == ["98.4", "109.3"]
    assert float(rows[0].split(",")[1]) == pytest.approx(30.0 / 25.4, abs=0.02)
