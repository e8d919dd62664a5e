"""A long run: it balances, nothing is marked twice, errors stay within a count, memory stays flat.

And skipping the idle scans changes nothing: the journal is the same, row for row, as with every scan stepped.
"""

from __future__ import annotations

import gc
import os
import resource
import tracemalloc
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

from controller.spec import Counter, LineSpec, MarkPlan, PlanEdge
from sim.scenario import Scenario
from tests.scenario.rig import (
    WholeLine,
    back_up,
    call,
    constant,
    encoder,
    event,
    eye,
    figures,
    hunting,
    journal_of,
    marker,
    products,
    ramp,
    run,
    scenario_of,
    scene,
    spec_of,
    stop,
    with_station,
)

HOURS = float(os.environ.get("BELTCUE_SHIFT_HOURS", "2"))
"""Of the shift's eight; more by hand."""
DEMO = "demo-line.toml"


def assert_good(result: dict[str, Any]) -> None:
    assert not result["shortfalls"]
    assert result["placement"]["max_abs_mm"] <= result["placement"]["count_mm"]
    assert set(result["requests"]["missed"]) <= {"void"} and result["requests"]["missed"].get("void", 0) < 10
    assert set(result["faults"]) <= {"backing_up"}, "nothing but the belt's backing up is worth a word"


def test_a_quarter_of_an_hour_of_the_shift() -> None:
    result = run(spec_of(DEMO), scenario_of(DEMO, "shift.toml"), 1200.0)
    print(f"\n20 min of the shift: {figures(result)}, scans {result['scans']}")
    assert_good(result)
    assert result["products"]["detected"] > 4_000
    assert result["faults"] == {"backing_up": 2}


@pytest.mark.long
def test_the_shift_for_hours() -> None:
    result = run(spec_of(DEMO), scenario_of(DEMO, "shift.toml"), HOURS * 3600.0)
    print(f"\n{HOURS:g} h: {figures(result)}, scans {result['scans']}")
    assert_good(result)
    assert result["products"]["detected"] > 12_500 * HOURS


# Stepped in full and skipped.

CARTONS = products(
    length=90.0, length_spread=0.8, length_varies="uniform", pitch=150.0, spread=10.0, varies="uniform", missing=0.02
)
PROFILE = [
    ramp(400.0, 500.0), constant(400.0, 6.0), hunting(400.0, 80.0, 2.0, 8.0), ramp(0.0, 500.0), stop(1.5),
    back_up(50.0, 60.0), stop(0.4), constant(30.0, 2.0), stop(0.3),
]  # fmt: skip


@dataclass(frozen=True)
class Case:
    """A line and what happens to it."""

    spec: Callable[[], LineSpec]
    more: dict[str, Any]


def demo() -> LineSpec:
    return spec_of(DEMO)


def several_stations() -> LineSpec:
    """Two markers with plans of their own, the nearer one from the trailing edge."""
    spec = demo()
    ahead = replace(
        spec.stations[0], name="back", distance_mm=250.03,
        plan=MarkPlan(PlanEdge.TRAILING, 20.0, 15.0, 3, 10.0, True), mark_time_s=0.01, rearm_s=0.005,
    )  # fmt: skip
    return replace(spec, stations=(spec.stations[0], ahead))


def commanded(*verbs: str, every_s: float = 1.7) -> list[Any]:
    return [call(verb, at=3.0 + every_s * n) for n, verb in enumerate(verbs)]


RESTART = ("clear", "reset", "start")
CASES = {
    "undisturbed": Case(demo, {}),
    "hold and unhold": Case(demo, {"calls": commanded("hold", "unhold", "hold", "unhold", "suspend", "unsuspend")}),
    "stop and start, complete": Case(
        demo, {"calls": commanded("stop", "reset", "start", "complete", "reset", "start", "stop", every_s=2.5)}
    ),
    "abort and restart": Case(demo, {"calls": commanded("abort", *RESTART, "hold", "abort", *RESTART)}),
    "interlocks": Case(
        demo,
        {
            "events": [event("interlock_open", at=2.3, duration=0.002), event("interlock_open", at=9.1, duration=1.0)],
            "calls": commanded(*RESTART, "acknowledge", *RESTART, *RESTART),
        },
    ),
    "marker fault and not ready": Case(
        demo,
        {
            "events": [
                event("marker_fault", at=2.5, duration=1.0), event("not_ready", at=8.0, duration=0.04),
                event("not_ready", at=11.0, duration=0.5),
            ],
            "calls": commanded("acknowledge", "unhold", "unhold", "unhold", "unhold", "unhold", "unhold", "unhold"),
        },
    ),
    "upstream, downstream, stop requested": Case(
        lambda: replace(demo(), auto_unsuspend=True),
        {
            "events": [
                event("upstream_empty", at=2.5, duration=1.0), event("downstream_blocked", at=6.0, duration=0.7),
                event("stop_requested", at=12.0, duration=0.3),
            ],
            "calls": commanded("reset", "reset", "reset", "reset", "reset", "reset", "reset", "start"),
        },
    ),
    "link drops": Case(
        demo,
        {
            "events": [event("link_drop", at=2.0, duration=0.1), event("link_drop", at=5.0, duration=0.9)],
            "calls": commanded(*("reset", "clear", "reset", "start") * 2),
        },
    ),
    "I/O restart and frozen heartbeat": Case(
        demo,
        {
            "events": [event("io_restart", at=2.0, duration=0.05), event("freeze_heartbeat", at=9.0, duration=0.6)],
            "calls": commanded(*(RESTART * 3)),
        },
    ),
    "another job": Case(
        demo,
        {"events": [event("job_loaded", at=4.0, job=99, duration=2.0)], "calls": commanded(*["unhold"] * 6)},
    ),
    "slow eye and marker": Case(
        lambda: with_station(
            replace(demo(), detector=replace(demo().detector, response_s=0.001)), response_s=0.004
        ),
        {},
    ),
    "bouncing eye": Case(demo, {"detector": eye(bounces=2, bounce_within=1.5)}),
    "sampled eye": Case(lambda: replace(demo(), detector=replace(demo().detector, captured=False)), {}),
    "several stations": Case(several_stations, {"markers": [marker(station="flap"), marker(station="back")]}),
    "short counter, down": Case(
        lambda: replace(demo(), counter=Counter(1 << 14, -1)), {"encoder": encoder(start_count=9)}
    ),
    "busy marker": Case(lambda: replace(demo(), limits=replace(demo().limits, misses_in_a_row=4)), {
        "markers": [marker(mark_time=0.6)], "calls": commanded("hold", *["unhold"] * 8),
    }),
    "busy as it marks": Case(demo, {"markers": [marker(response=0.02, rearm=0.4, busy="while marking")]}),
    "wheel and slip": Case(demo, {"encoder": encoder(circumference_factor=1.003, slip=0.002)}),
    "slip in stops": Case(demo, {"encoder": encoder(slip_starting=0.02, slip_stopping=-0.01)}),
    "dry": Case(lambda: replace(demo(), dry=True), {}),
    "rules off": Case(
        demo, {"rules_off": [1, 2, 3, 5, 6, 7, 9], "calls": commanded("hold", "unhold", "stop", "reset", "start")}
    ),
}  # fmt: skip


def assert_same_stepped_and_skipped(
    tmp_path: Path, spec: LineSpec, scenario: Scenario, duration_s: float, seed: int | None = None
) -> None:
    skipped, rows = journal_of(tmp_path / "skipped", spec, scenario, duration_s, seed=seed, skip=True)
    stepped, all_rows = journal_of(tmp_path / "stepped", spec, scenario, duration_s, seed=seed, skip=False)
    scans = skipped["scans"]
    print(
        f"\n{figures(skipped)}; scans {scans}, stepped in full {stepped['scans']['stepped']} in "
        f"{stepped['wall_s']:.1f} s; rows { ({table: len(r) for table, r in rows.items() if r}) }"
    )
    for table, expected in all_rows.items():
        got = rows[table]
        differing = next((pair for pair in zip(got, expected, strict=False) if pair[0] != pair[1]), None)
        assert differing is None, f"{table}: skipped {differing[0]}, stepped {differing[1]}"
        assert len(got) == len(expected), f"{table}: {len(got)} rows, stepped {len(expected)}"
    apart = ("wall_s", "scans")
    assert {k: v for k, v in skipped.items() if k not in apart} == {k: v for k, v in stepped.items() if k not in apart}
    assert skipped["balanced"]
    assert not skipped["doubles"] or scenario.rules_off
    assert scans["stepped"] + scans["skipped"] <= stepped["scans"]["stepped"]


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("case", CASES)
def test_skipping_what_is_idle_gives_the_same_journal(case: str, seed: int, tmp_path: Path) -> None:
    scenario = scene(PROFILE, [CARTONS], seed=seed, repeat=True, **CASES[case].more)
    assert_same_stepped_and_skipped(tmp_path, CASES[case].spec(), scenario, 30.0)


@pytest.mark.parametrize("line", ["delayed-marker-line.toml", "web-line.toml", "narrow-counter-line.toml"])
def test_skipping_gives_the_same_journal_on_the_lines_that_come_with_it(line: str, tmp_path: Path) -> None:
    scenario = {"web-line.toml": "web.toml", "delayed-marker-line.toml": "delays.toml"}.get(line, "demo.toml")
    assert_same_stepped_and_skipped(tmp_path, spec_of(line), scenario_of(line, scenario), 60.0)


@pytest.mark.long
def test_ten_minutes_of_the_shift_stepped_in_full_give_the_same_journal(tmp_path: Path) -> None:
    assert_same_stepped_and_skipped(tmp_path, spec_of(DEMO), scenario_of(DEMO, "shift.toml"), 600.0)


def test_memory_is_flat() -> None:
    """Over two equal stretches of the shift, after one to warm up, nothing that lives on has become more."""
    whole = WholeLine(spec_of(DEMO), scenario_of(DEMO, "shift.toml"), note="nothing")
    whole.bench.start()
    held: list[dict[str, int]] = []
    tracemalloc.start()
    for end_s in (245.0, 490.0, 735.0):
        whole.until(end_s)
        gc.collect()
        line = whole.line
        held.append({
            "products": len(line.book.products), "pending": line.book.pending, "sent": len(line.book.sent),
            "events": len(line.events) + len(line.book.events) + len(line.faults.events) + len(line.orders.events),
            "near": len(whole.verdict._near), "row": len(whole.device._eye._row), "objects": len(gc.get_objects()),
            "traced_kib": tracemalloc.get_traced_memory()[0] // 1024,
            "most_kib": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss,
        })  # fmt: skip
        print(f"\n{end_s} s, {line.book.counters.detected} products: {held[-1]}")
    tracemalloc.stop()
    first, second = held[1], held[2]
    for name in ("products", "pending", "sent", "near"):
        assert second[name] <= 20
    assert second["events"] == 0 and second["row"] < 10_000
    # The eye forgets its row in blocks of 4,096 transitions, an object each; beyond that nothing is left of a product.
    assert second["objects"] - first["objects"] - (second["row"] - first["row"]) < 100
    assert second["traced_kib"] - first["traced_kib"] < 512
