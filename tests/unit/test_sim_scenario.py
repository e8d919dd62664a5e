"""Scenarios: the files that come with the project, what is refused, and the world that is made of them."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.settings.base import SettingsError
from controller.settings.line import load_line
from controller.spec import Counter, Detector, LineSpec, MarkPlan, Station
from sim.scenario import Scenario, load_scenario
from sim.script import Kind
from sim.world import build_belt, build_device, scheduled_calls, true_markers

ROOT = Path(__file__).resolve().parents[2]
S = 1_000_000_000
SPEC = LineSpec(
    "line", 0.05,
    (Station("flap", 400.0, MarkPlan(), 0.004, 0.05, 0.02), Station("end", 600.0, MarkPlan())),
    Counter(1 << 16, -1), Detector(response_s=0.001), interlocks={0: "guard", 3: "cover"},
)  # fmt: skip
PLAIN = """
name = "plain"
[belt]
segments = [{ kind = "constant", speed = "100 mm/s" }]
[[products]]
length = "50 mm"
pitch = "100 mm"
"""


def load(tmp_path: Path, text: str) -> Scenario:
    file = tmp_path / "s.toml"
    file.write_text(text, encoding="utf-8")
    return load_scenario(file, SPEC)


@pytest.mark.parametrize("name", ["demo", "slow-link", "shift", "web", "delays", "crowded"])
def test_the_scenarios_that_come_along_can_be_built(name: str) -> None:
    line = "web-line" if name == "web" else "demo-line"
    spec = load_line(ROOT / "config" / f"{line}.toml").spec()
    scenario = load_scenario(ROOT / "config" / "bench" / f"{name}.toml", spec)
    device = build_device(spec, scenario)
    assert device.belt.speed_range_mm_s()[1] <= spec.top_speed_mm_s
    device.belt.start(0)
    scheduled_calls(scenario, device.belt)


def test_the_demo_passes_sixty_products_a_minute_at_every_moment() -> None:
    spec = load_line(ROOT / "config" / "demo-line.toml").spec()
    scenario = load_scenario(ROOT / "config" / "bench" / "demo.toml", spec)
    (supply,) = scenario.products
    assert supply.pitch is not None
    slowest_mm_s = build_belt(scenario.belt).speed_range_mm_s()[0]
    assert slowest_mm_s == pytest.approx(10_000 / 60)
    assert slowest_mm_s / (supply.pitch + supply.spread) >= 1.0


def test_the_shift_holds_a_hundred_thousand_products() -> None:
    spec = load_line(ROOT / "config" / "demo-line.toml").spec()
    scenario = load_scenario(ROOT / "config" / "bench" / "shift.toml", spec)
    belt = build_belt(scenario.belt)
    belt.start(0)
    (supply,) = scenario.products
    assert supply.pitch is not None
    assert belt.position_mm(round(scenario.duration * S)) / (supply.pitch / (1 - supply.missing)) > 100_000
    assert belt.backtrack_mm == pytest.approx(80.0)


def test_what_is_not_said_is_as_the_line_configures_it(tmp_path: Path) -> None:
    marker = '[[markers]]\nstation = "end"\ndistance = "601 mm"\nmark_time = "0 ms"\ndepth = 3\n'
    scenario = load(tmp_path, PLAIN + marker)
    flap, end = true_markers(SPEC, scenario)
    assert (flap.distance_mm, flap.response_ns) == (400.0, 4_000_000)
    assert (flap.mark_ns, flap.rearm_ns) == (50_000_000, 20_000_000)
    assert (end.distance_mm, end.response_ns, end.depth) == (601.0, 0, 3)
    device = build_device(SPEC, scenario)
    assert (device.encoder.modulus, device.encoder.sense) == (1 << 16, -1)
    assert device.encoder.mm_per_count == pytest.approx(0.05)
    assert device.spec.interlocks == 0b1001
    assert device.next_event_ns(0) == S + 1_000_000  # the edge at 100 mm, and the response


def test_true_wheel_and_slip(tmp_path: Path) -> None:
    scenario = load(tmp_path, PLAIN + "[encoder]\ncircumference_factor = 1.01\nslip = 0.02\nstart_count = 9\n")
    encoder = build_device(SPEC, scenario).encoder
    assert encoder.mm_per_count == pytest.approx(0.05 * 1.01 / 0.98)
    assert encoder.raw(0) == 9


def test_every_kind_of_segment(tmp_path: Path) -> None:
    text = PLAIN.replace('{ kind = "constant", speed = "100 mm/s" }', """
        { kind = "ramp", to = "100 mm/s", acceleration = "50 mm/s^2" },
        { kind = "constant", speed = "100 mm/s", distance = "300 mm" },
        { kind = "hunting", speed = "100 mm/s", amplitude = "20 mm/s", period = "2 s", duration = "4 s" },
        { kind = "ramp", to = "0 mm/s", duration = "1 s" },
        { kind = "stop", duration = "2 s" },
        { kind = "back_up", speed = "10 mm/s", distance = "20 mm" },
        { kind = "creep", speed = "5 mm/s" },
    """)  # fmt: skip
    belt = build_belt(load(tmp_path, text).belt)
    assert [belt.position_mm(t * S) for t in (2, 5, 9, 10, 12, 14, 16)] == pytest.approx(
        [100.0, 400.0, 800.0, 850.0, 850.0, 830.0, 840.0]
    )


def test_events_and_calls(tmp_path: Path) -> None:
    text = (
        PLAIN
        + """
        [[events]]
        at = "2 s"
        kind = "interlock_open"
        interlock = "cover"
        duration = "1 ms"
        [[events]]
        at_travel = "300 mm"
        kind = "marker_fault"
        station = "end"
        [[calls]]
        at_travel = "400 mm"
        verb = "unhold"
        [[calls]]
        at = "1 s"
        verb = "mode"
        argument = "Maintenance"
    """
    )
    scenario = load(tmp_path, text)
    assert [e.kind for e in scenario.events] == [Kind.INTERLOCK_OPEN, Kind.MARKER_FAULT]
    device = build_device(SPEC, scenario)
    status = device.read(2 * S)
    assert status.interlocks == 0b0001
    status = device.read(3 * S)
    assert (status.interlocks, status.stations[0].fault) == (0b1001, True)
    calls = scheduled_calls(scenario, device.belt)
    assert [(t, c.verb, c.argument) for t, c in calls] == [(S, "mode", "Maintenance"), (4 * S, "unhold", "")]


def test_the_seed_decides(tmp_path: Path) -> None:
    text = PLAIN.replace('pitch = "100 mm"', 'pitch = "100 mm"\nspread = "20 mm"\nvaries = "uniform"')
    scenario = load(tmp_path, text)
    first, again, other = (build_device(SPEC, scenario, seed).read(60 * S) for seed in (1, 1, 2))
    assert first == again
    assert first.captures != other.captures
    assert build_device(SPEC, scenario).read(60 * S) == first


BAD = {
    "kind missing": (PLAIN.replace('kind = "constant", ', ""), "belt.segments#1.kind: is missing"),
    "wrong kind": (PLAIN.replace('"constant"', '"constnat"'), 'did you mean "constant"?'),
    "key of another kind": (PLAIN.replace('"100 mm/s" }', '"100 mm/s", to = "5 mm/s" }'), "belt.segments#1.to"),
    "two lengths of time": (
        PLAIN.replace('"100 mm/s" }', '"100 mm/s", duration = "5 s", distance = "5 mm" }'), "one of the two",
    ),
    "never ending": (PLAIN.replace("segments =", "repeat = true\nsegments ="), "only the last segment"),
    "unknown key": (PLAIN + "[encoder]\nslipp = 0.1\n", 'did you mean "slip"?'),
    "unit missing": (PLAIN.replace('"50 mm"', "50"), "products#1.length"),
    "pitch and gap": (PLAIN + 'gap = "5 mm"\n', "give pitch or gap, one of the two"),
    "spread unused": (PLAIN + 'spread = "5 mm"\n', "products#1.spread"),
    "web with length": (PLAIN.replace("[[products]]", '[[products]]\nkind = "web"'), 'does not belong to kind = "web"'),
    "bounce without room": (PLAIN + "[detector]\nbounces = 2\n", "bounce_within or bounce_time"),
    "delays crossed": (PLAIN + '[link]\ndelay_min = "5 ms"\n', "link.delay_max"),
    "no moment": (PLAIN + '[[calls]]\nverb = "hold"\n', "give at or at_travel"),
    "unknown event": (PLAIN + '[[events]]\nat = "1 s"\nkind = "link_dropp"\n', 'did you mean "link_drop"?'),
    "unknown interlock": (
        PLAIN + '[[events]]\nat = "1 s"\nkind = "interlock_open"\ninterlock = "gard"\n', 'did you mean "guard"?',
    ),
    "job missing": (PLAIN + '[[events]]\nat = "1 s"\nkind = "job_loaded"\n', "events#1.job: is missing"),
    "unknown station": (PLAIN + '[[markers]]\nstation = "flop"\n', 'did you mean "flap"?'),
    "which station": (PLAIN + '[[markers]]\nrearm = "1 ms"\n', "markers#1.station: is missing"),
    "rule": (PLAIN.replace('"plain"', '"plain"\nrules_off = [4]'), "4 cannot be switched off; choose of 1, 2, 3, 5"),
}  # fmt: skip


@pytest.mark.parametrize("name", BAD)
def test_bad_scenarios_are_refused_in_one_line(name: str, tmp_path: Path) -> None:
    text, wanted = BAD[name]
    with pytest.raises(SettingsError) as refused:
        load(tmp_path, text)
    line = str(refused.value)
    assert wanted in line
    assert "\n" not in line


def test_a_profile_that_makes_no_sense_is_refused(tmp_path: Path) -> None:
    text = PLAIN.replace('speed = "100 mm/s" }', 'speed = "9 mm/s", duration = "1 s" }, { kind = "ramp", to = "9 mm/s",'
                         ' acceleration = "1 m/s^2" }')  # fmt: skip
    with pytest.raises(ValueError, match="segments#2: a ramp to the speed that the belt has already"):
        build_device(SPEC, load(tmp_path, text))
