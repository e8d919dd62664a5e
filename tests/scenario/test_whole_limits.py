"""The limits that are worked out beforehand, against a whole line in virtual time just below and just above them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from controller.commissioning.limits import busy, limits
from controller.spec import LineSpec
from controller.units import Display
from tests.scenario.rig import constant, figures, marker, products, run, scene, spec_of, with_station

PITCH_MM = 100.0
MARK_S, REARM_S, WINDOW_MM = 0.08, 0.02, 40.0
"""The worked example: 1.0 m/s by the pitch, 0.5 m/s by the window."""


def example(window_mm: float | None) -> LineSpec:
    spec = replace(spec_of("demo-line.toml"), top_speed_mm_s=1200.0)
    spec = replace(spec, limits=replace(spec.limits, misses_in_a_row=0))
    return with_station(spec, mark_time_s=MARK_S, rearm_s=REARM_S, mark_window_mm=window_mm)


def made(spec: LineSpec, speed_mm_s: float) -> dict[str, Any]:
    true = marker(mark_time=MARK_S, rearm=REARM_S)
    supply = products(length=60.0, pitch=PITCH_MM)
    result = run(spec, scene([constant(speed_mm_s)], [supply], markers=[true]), 60.0)
    assert result["requests"]["created"] > 250, figures(result)
    return result


def missed(result: dict[str, Any], reason: str) -> float:
    requests = result["requests"]
    # What the stop at the end leaves is neither the marker's nor the speed's doing.
    ended = requests["marked"] + sum(n for why, n in requests["missed"].items() if why in ("busy", "too_fast"))
    return float(requests["missed"].get(reason, 0) / ended)


@pytest.mark.parametrize(("share", "lost"), [(0.99, 0.0), (1.01, 0.5)])
def test_regular_products_are_all_marked_up_to_the_pitchs_limit_and_every_second_above(
    share: float, lost: float
) -> None:
    spec = example(None)
    least = limits(spec, Display(), PITCH_MM).least
    assert least is not None and (least.name, least.speed_mm_s) == ("pitch", pytest.approx(1000.0))
    (expected,) = busy(spec, share * least.speed_mm_s, PITCH_MM)
    assert expected.regular == lost
    assert missed(made(spec, share * least.speed_mm_s), "busy") == pytest.approx(lost, abs=0.01)


@pytest.mark.parametrize(("share", "lost"), [(0.99, 0.0), (1.01, 1.0)])
def test_no_mark_is_made_that_its_window_would_cut_off(share: float, lost: float) -> None:
    spec = example(WINDOW_MM)
    least = limits(spec, Display(), PITCH_MM).least
    assert least is not None and (least.name, least.speed_mm_s) == ("window", pytest.approx(500.0))
    assert missed(made(spec, share * least.speed_mm_s), "too_fast") == lost


def late(share_of_limit: float) -> int:
    """Marks late on a line whose marker stands close to the eye, over a link as slow as it states."""
    spec = replace(with_station(example(None), mark_time_s=0.0, rearm_s=0.0, distance_mm=60.0), exchange_s=0.005)
    limit = next(x.speed_mm_s for x in limits(spec, Display(), PITCH_MM).limits if x.name == "lead")
    supply = products(length=60.0, pitch=PITCH_MM)
    scenario = scene([constant(share_of_limit * limit)], [supply], markers=[marker()], delays_s=(0.0, 0.0024))
    result = run(replace(spec, top_speed_mm_s=10.0 * limit), scenario, 60.0)
    assert result["requests"]["created"] > 250, figures(result)
    return int(result["requests"]["missed"].get("late", 0))


def test_no_mark_is_late_up_to_the_leads_limit() -> None:
    """The limit keeps room for a computer that is late itself, which virtual time is not: only far beyond are marks."""
    assert late(1.0) == 0
    assert late(4.0) > 100
