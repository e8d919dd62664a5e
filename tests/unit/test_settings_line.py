from __future__ import annotations

from pathlib import Path

import pytest

from controller.settings.base import SettingsError
from controller.settings.line import LineConfig, load_line
from controller.spec import Grid, Material, PlanEdge

CONFIG = Path(__file__).parents[2] / "config"

LINE = """
[line]
name = "test"
job = "job.toml"
scenario = "bench/x.toml"
top_speed = "30 m/min"
greatest_acceleration = "1 m/s^2"

[link]
address = "192.0.2.10"

[encoder]
mm_per_count = "0.05 mm"

[[stations]]
name = "front"
distance = "400 mm"
"""
JOB = 'name = "job"\n[[plans]]\noffset = "10 mm"\n'


def write(tmp_path: Path, line: str = LINE, job: str = JOB) -> Path:
    (tmp_path / "job.toml").write_text(job, encoding="utf-8")
    file = tmp_path / "line.toml"
    file.write_text(line, encoding="utf-8")
    return file


def load(tmp_path: Path, line: str = LINE, job: str = JOB) -> LineConfig:
    return load_line(write(tmp_path, line, job))


def refused(tmp_path: Path, line: str = LINE, job: str = JOB) -> str:
    with pytest.raises(SettingsError) as caught:
        load_line(write(tmp_path, line, job))
    text = str(caught.value)
    assert "\n" not in text
    assert text.startswith(str(tmp_path))
    return text.removeprefix(f"{tmp_path}/")


def test_defaults_of_a_short_line(tmp_path: Path) -> None:
    config = load(tmp_path)
    spec = config.spec()
    assert config.address == ("192.0.2.10", 502)
    assert config.scenario_path == tmp_path / "bench/x.toml"
    assert (spec.name, spec.scale_mm, spec.top_speed_mm_s, spec.period_s) == ("test", 0.05, 500.0, 0.005)
    assert (spec.counter.modulus, spec.counter.sense) == (1 << 32, 1)
    assert (spec.limits.lease_s, spec.limits.link_lost_s) == (0.25, 0.25)
    assert spec.stations[0].plan.offset_mm == 10.0
    assert spec.stations[0].plan.count == 1
    assert spec.detector.captured
    assert not spec.dry
    assert config.spec(dry=True).dry


def test_everything_set_reaches_the_spec(tmp_path: Path) -> None:
    line = LINE.replace(
        'mm_per_count = "0.05 mm"', 'mm_per_count = "0.05 mm"\nforward = "counts down"\ncounter_bits = 16'
    )
    line = line.replace("[link]", "remote = true\nunsuspend_by_itself = true\n[link]")
    line += (
        'response = "4 ms"\nmark_time = "60 ms"\nrearm = "20 ms"\nmax_speed = "25 m/min"\n'
        '[detector]\nkind = "sampled"\nresponse = "1 ms"\nleast_length = "1 in"\nleast_gap = "2 mm"\n'
        'hold_off = "3 mm"\n'
        'jam_length = "1 m"\nsilent_after = "1 min"\n[points]\nbelt_count = { width = 16 }\n'
        '[interlocks]\nguard = 0\ncover = 5\n[limits]\nenable = "2 s"\nstop = "3 s"\norder = "1 s"\nstall = "4 s"\n'
        'least_lead = "3 ms"\nmisses_in_a_row = 0\n[reactions]\njam = "abort"\n'
    )
    job = 'name = "j"\nnumber = 9\n[[plans]]\nstation = "front"\npitch = "20 mm"\ncount = 3\nlength = "4 mm"\n'
    spec = load(tmp_path, line, job).spec()
    station, detector, limits = spec.stations[0], spec.detector, spec.limits
    assert (station.response_s, station.mark_time_s, station.rearm_s) == (0.004, 0.06, 0.02)
    assert station.max_speed_mm_s == pytest.approx(25000 / 60)
    assert (station.plan.pitch_mm, station.plan.count, station.plan.length_mm) == (20.0, 3, 4.0)
    assert (detector.captured, detector.response_s, detector.least_length_mm) == (False, 0.001, 25.4)
    assert (detector.least_gap_mm, detector.hold_off_mm, detector.jam_length_mm) == (2.0, 3.0, 1000.0)
    assert detector.silent_after_s == 60.0
    assert (limits.enable_s, limits.stop_s, limits.order_s, limits.stall_s) == (2.0, 3.0, 1.0, 4.0)
    assert (limits.least_lead_s, limits.misses_in_a_row) == (0.003, 0)
    assert spec.interlocks == {0: "guard", 5: "cover"}
    assert spec.raised_reactions == {"jam": "abort"}
    assert (spec.counter.modulus, spec.counter.sense) == (1 << 16, -1)
    assert (spec.remote, spec.auto_unsuspend, spec.job_number, spec.job_name) == (True, True, 9, "j")


def test_a_web_has_no_jam_and_its_grid(tmp_path: Path) -> None:
    line = LINE + '[detector]\njam_length = "1 m"\nsilent_after = "9 s"\n'
    job = 'name = "web"\nmaterial = "web"\ngrid = "phase"\n[[plans]]\npitch = "50 mm"\ncount = "continuous"\n'
    spec = load(tmp_path, line, job).spec()
    assert (spec.material, spec.grid) == (Material.WEB, Grid.PHASE)
    assert (spec.detector.jam_length_mm, spec.detector.silent_after_s) == (None, None)
    assert spec.stations[0].plan.count is None


def test_several_stations_each_have_their_plan(tmp_path: Path) -> None:
    line = LINE + '[[stations]]\nname = "back"\ndistance = "700 mm"\n'
    job = 'name = "j"\n[[plans]]\nstation = "back"\nedge = "trailing"\n[[plans]]\nstation = "front"\n'
    config = load(tmp_path, line, job)
    assert [s.plan.edge for s in config.spec().stations] == [PlanEdge.LEADING, PlanEdge.TRAILING]
    assert config.points.stations == 1


def test_a_width_of_the_counter_is_that_of_its_point(tmp_path: Path) -> None:
    config = load(tmp_path, LINE + "[points]\nbelt_count = { width = 16 }\n")
    assert config.spec().counter.modulus == 1 << 16


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('"400 mm"', '"-400 mm"', "stations#1.distance: '-400 mm' is negative"),
        ('"400 mm"', '"5 mm"', 'stations#1, "front": distance 5 mm is shorter than the'),
        ('"0.05 mm"', '"0 mm"', "encoder.mm_per_count: '0 mm' is zero"),
        ('mm_per_count = "0.05 mm"', "", "encoder.mm_per_count: give mm_per_count or wheel, one of the two"),
        (
            'mm_per_count = "0.05 mm"',
            'wheel = { diameter = "0 mm", counts_per_turn = 5 }',
            "encoder.wheel.diameter: '0 mm' is zero",
        ),
        (
            'mm_per_count = "0.05 mm"',
            "wheel = { counts_per_turn = 5 }",
            "encoder.wheel.circumference: give circumference or diameter",
        ),
        (
            'mm_per_count = "0.05 mm"',
            'wheel = { diameter = "1 m", counts_per_turn = 5, decode = 3 }',
            "encoder.wheel.decode: 3 is not one of 1, 2 or 4",
        ),
        ("[encoder]", "[encoder]\ncounter_bits = 16", "encoder.counter_bits: 16, but points.belt_count is 32"),
        ("[encoder]", "[encoder]\nmodulus = 65535", "encoder.modulus: 65535 is odd"),
        ("[encoder]", "[encoder]\nmodulus = 600", "encoder: the lead of"),
        ('name = "test"', 'name = "../x"', "line.name: '../x' is no line name"),
        ('"192.0.2.10"', '"a:b:c"', "link.address: 'a:b:c' is no address"),
        ('"192.0.2.10"', '"192.0.2.10:0"', "has a port outside 1 to 65535"),
        ('"192.0.2.10"', '"[::g]:502"', "is no address"),
        ("[link]", '[link]\nlease = "5 ms"', "link.lease: 5 ms cannot be kept over this link; make it"),
        ("[link]", '[link]\nlease = "70 s"', "link.lease: is outside 1 ms to 65535 ms"),
        ("[link]", '[link]\nlost_after = "5 ms"', "link.lost_after: 5 ms would call a slow exchange a lost link"),
        ("[link]", '[link]\ntimeout = "1 ms"', "link.timeout: is shorter than worst_exchange"),
        ("[link]", "[link]\nfunction_32 = true", 'link.function_32: unknown key; did you mean "function_23"?'),
        ("[encoder]", '[reactions]\nlink_lost = "hold"\n[encoder]', "reactions.link_lost: link_lost reacts with"),
        ("[encoder]", '[reactions]\nlink_lots = "hold"\n[encoder]', "reactions.link_lots: no fault is called"),
        ("[encoder]", "[interlocks]\na = 1\nb = 1\n[encoder]", "interlocks.b: bit 1 is another interlock's too"),
        ("[encoder]", "[interlocks]\na = 16\n[encoder]", "interlocks.a: 16 is not accepted"),
        ("[encoder]", "[points]\nboot_id = { address = 0 }\n[encoder]", "points: "),
        ("[encoder]", '[points]\ndrop = ["captures"]\n[encoder]', "detector.kind: captured edges need the points"),
        ('job = "job.toml"', 'job = "jbo.toml"', "jbo.toml: no such file; did you mean"),
        (
            "[[stations]]",
            '[[stations]]\nname = "front"\ndistance = "1 m"\n[[stations]]',
            'stations#2.name: "front" is the name of two stations',
        ),
    ],
)
def test_a_line_that_cannot_be_is_refused(tmp_path: Path, old: str, new: str, says: str) -> None:
    assert old in LINE
    assert says in refused(tmp_path, LINE.replace(old, new))


@pytest.mark.parametrize(
    ("job", "says"),
    [
        (
            '[[plans]]\npitch = "0.01 mm"\ncount = 2',
            'stations#1, "front": the job\'s pitch of 0.01 mm is shorter than one count',
        ),
        ("[[plans]]\ncount = 2", "plans#1.pitch: is missing for count = 2"),
        ('[[plans]]\ncount = "continuous"', "plans#1.pitch: is missing for count = 'continuous'"),
        ('[[plans]]\ncount = "continous"', "plans#1.count: 'continous' is no number of marks"),
        ("[[plans]]\ncount = 0", "plans#1.count: 0 is no number of marks"),
        ("[[plans]]\ncount = true", "plans#1.count: True is no number of marks"),
        ('[[plans]]\ncount = 2\npitch = "5 mm"\nlength = "6 mm"', "plans#1.pitch: is shorter than the mark's length"),
        ('[[plans]]\noffset = "-1 mm"', "plans#1.offset: '-1 mm' is negative"),
        ('[[plans]]\nedge = "trailing"\noffset = "390 mm"', 'stations#1, "front": distance 400 mm is shorter'),
        (
            '[[plans]]\nedge = "trailing"\npitch = "100 mm"\ncount = 5',
            "a plan from the trailing edge (offset, pitches and lead)",
        ),
        (
            '[[plans]]\nedge = "trailing"\npitch = "9 mm"\ncount = "continuous"',
            "continuous marks from the trailing edge need",
        ),
        ('[[plans]]\nedge = "trailing"\nlength = "9 mm"\nkeep_on_product = true', "plans#1.offset: is shorter than"),
        ('[[plans]]\nlength = "395 mm"\nkeep_on_product = true', "keep_on_product (length of the mark and lead)"),
        ('material = "web"\n[[plans]]\nedge = "trailing"', "plans#1.edge: a web has no trailing edge"),
        ('grid = "start"\n[[plans]]', "grid: is for a web"),
        ('[[plans]]\nstation = "frnt"', 'plans#1.station: the line has no station "frnt"; did you mean "front"?'),
        ("[[plans]]\n[[plans]]", "plans#2.station: is a second plan for the same station"),
        ('[[plans]]\n[[plans]]\nstation = "front"', "plans#2.station: is a second plan for the same station"),
        ("plans = []", "plans: [] is not accepted; wanted: at least one"),
        ("plan = 3\n[[plans]]", 'plan: unknown key; did you mean "plans"?'),
    ],
)
def test_a_job_that_cannot_be_is_refused(tmp_path: Path, job: str, says: str) -> None:
    assert says in refused(tmp_path, job=f'name = "j"\n{job}\n')


def test_with_several_stations_each_needs_a_named_plan(tmp_path: Path) -> None:
    line = LINE + '[[stations]]\nname = "back"\ndistance = "700 mm"\n'
    assert "plans#1.station: is missing; the line has several stations" in refused(tmp_path, line)
    job = 'name = "j"\n[[plans]]\nstation = "back"\n'
    assert 'plans: no plan for station "front"' in refused(tmp_path, line, job)


def test_a_bench_may_load_a_line_that_cannot_work(tmp_path: Path) -> None:
    file = write(tmp_path, LINE.replace('"400 mm"', '"5 mm"'))
    assert load_line(file, must_work=False).spec().stations[0].distance_mm == 5.0


@pytest.mark.parametrize(
    ("host", "port", "test"),
    [
        ("127.0.0.1", 502, True),
        ("127.8.9.10", 1, True),
        ("::1", 502, True),
        ("::ffff:127.0.0.1", 502, True),
        ("localhost", 502, True),
        ("192.0.2.77", 502, True),
        ("192.0.2.77", 503, True),
        ("192.0.2.78", 5020, True),
        ("192.0.2.78", 502, False),
        ("Bench.example", 502, True),
        ("2001:db8:0::1", 502, True),
        ("192.0.2.10", 502, False),
        ("127.0.0.1.example", 502, False),
        ("localhost.example", 502, False),
        ("0.0.0.0", 502, False),
    ],
)
def test_only_this_computer_and_listed_addresses_are_test_addresses(
    tmp_path: Path, host: str, port: int, test: bool
) -> None:
    listed = '[link]\ntest_addresses = ["192.0.2.77", "192.0.2.78:5020", "bench.example", "[2001:db8::1]"]'
    assert load(tmp_path, LINE.replace("[link]", listed)).is_test_address(host, port) is test


def test_where_the_journal_is_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    config = load(tmp_path)
    monkeypatch.setenv("HOME", "/home/someone")
    monkeypatch.delenv("XDG_STATE_HOME", raising=False)
    assert config.journal_path == Path("/home/someone/.local/state/beltcue/test.sqlite")
    monkeypatch.setenv("XDG_STATE_HOME", "/var/state")
    assert config.journal_path == Path("/var/state/beltcue/test.sqlite")
    monkeypatch.setenv("XDG_STATE_HOME", "not/absolute")  # to be ignored, says the XDG base directory specification
    assert config.journal_path == Path("/home/someone/.local/state/beltcue/test.sqlite")
    assert load(tmp_path, LINE + '[journal]\npath = "j.sqlite"\n').journal_path == tmp_path / "j.sqlite"
    assert load(tmp_path, LINE + '[journal]\npath = "/x/j.sqlite"\n').journal_path == Path("/x/j.sqlite")


def test_units_of_the_display_reach_the_refusals(tmp_path: Path) -> None:
    line = LINE.replace('"400 mm"', '"0.2 in"') + '[display]\nlength = "in"\nspeed = "ft/min"\n'
    assert "distance 0.2 in is shorter than the" in refused(tmp_path, line)


def test_the_file_to_mend_is_the_one_named(tmp_path: Path) -> None:
    assert refused(tmp_path, job=JOB + 'pich = "3 mm"').startswith(
        'job.toml: plans#1.pich: unknown key; did you mean "pitch"'
    )
    assert refused(tmp_path, LINE + 'rearn = "3 ms"').startswith("line.toml: stations#1.rearn: unknown key")
    assert refused(tmp_path, LINE.replace('"400 mm"', '"5 mm"')).startswith("line.toml: stations#1, ")


@pytest.mark.parametrize("name", ["demo", "slow-link", "web", "narrow-counter"])
def test_the_lines_that_come_with_it_are_good(name: str) -> None:
    config = load_line(CONFIG / f"{name}-line.toml")
    assert config.is_test_address(*config.address)
    assert config.spec().interlocks


def test_the_demo_line_is_as_scripts_rely_on(tmp_path: Path) -> None:
    spec = load_line(CONFIG / "demo-line.toml").spec()
    assert spec.period_s == 0.005
    assert spec.scale_mm <= 0.05
    assert spec.scale_mm * 1000 % 1 != 0
    assert spec.detector.captured
    assert spec.detector.response_s == spec.stations[0].response_s == 0.0
