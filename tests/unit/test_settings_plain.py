"""A line file with a plain device: what is refused, what is played for it, and what a kept cable-pull test speaks for."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from controller.cli.main import main
from controller.plain_points import PlainMap
from controller.points import Point, Table, WordOrder
from controller.settings.base import SettingsError
from controller.settings.line import load_line
from controller.settings.proof import Proof, digest, keep, load_proof, proof_path
from controller.spec import ReleasePath

CONFIG = Path(__file__).resolve().parents[2] / "config"
LINE = CONFIG / "plain-line.toml"
TEXT = LINE.read_text().replace('"jobs/', f'"{CONFIG}/jobs/').replace('"bench/', f'"{CONFIG}/bench/')
TRIGGER = 'trigger = { table = "coil", address = 8 }'


@pytest.fixture(autouse=True)
def runtime(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))


def written(folder: Path, *changes: tuple[str, str], kept: bool = True, simulated: bool = True) -> Path:
    """The plain line with changes, and a test kept for it as it was before them."""
    path = folder / "line.toml"
    path.write_text(TEXT)
    if kept:
        config = load_line(path)
        assert config.settings.plain is not None
        made = Proof(
            line=config.name, date="2026-03-02 14:10:00+01:00", who="anna", output="enable", dropped_within_s=0.2,
            how="measured by hand", simulated=simulated, digest=digest(config.settings.link, config.settings.plain),
        )  # fmt: skip
        keep(proof_path(path), made)
    text = TEXT
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    path.write_text(text)
    return path


def refused(path: Path) -> str:
    with pytest.raises(SettingsError) as error:
        load_line(path)
    text = str(error.value)
    assert "\n" not in text
    return text


def test_the_line_that_comes_along_may_mark_on_the_bench_by_the_test_kept_beside_it() -> None:
    config = load_line(LINE)
    assert config.dry_only(*config.address) == ""
    assert config.dry_only("127.0.0.1", 40000) == ""
    assert "was made at a test bench" in config.dry_only("192.0.2.10", 502)
    spec = config.spec()
    assert [s.release for s in spec.stations] == [ReleasePath.SCAN]
    assert spec.plain is not None
    assert (spec.plain.requests, spec.plain.stations[0].told, spec.plain.unproven) == (2, True, "")
    assert spec.interlocks == {0: "guard", 1: "cover", 2: "fume_extraction"}
    assert spec.has_drive
    assert config.spec(at=("192.0.2.10", 502)).plain.unproven  # type: ignore[union-attr]


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ([('watchdog = "200 ms"', "")], "names neither watchdog nor one_shot"),
        ([('watchdog = "200 ms"', "one_shot = true")], "the enable output has no watchdog"),
        ([('watchdog = "200 ms"', 'watchdog = "300 ms"')], "was changed after the cable-pull test of 2026-03-02"),
        ([(TRIGGER, TRIGGER.replace("8", "9"))], "was changed after the cable-pull test"),
        ([('"127.0.0.1:15028"', '"127.0.0.1:15029"')], "was changed after the cable-pull test"),
    ],
)  # fmt: skip
def test_a_line_whose_outputs_are_not_proven_to_drop_is_run_dry_only(
    tmp_path: Path, changes: list[tuple[str, str]], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path, *changes)
    config = load_line(path)
    assert words in config.dry_only(*config.address)
    for verb in ("run", "bench"):
        assert main([verb, str(path)]) == 2
        err = capsys.readouterr().err
        assert err.count("\n") == 1
        assert words in err
        assert "--dry" in err
    assert main(["check", str(path)]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "DRY RUN ONLY" in out
    assert words in out


def test_without_a_kept_test_run_says_which_command_makes_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path, kept=False)
    assert main(["run", str(path)]) == 2
    assert f"run beltcue cable-pull {path}" in capsys.readouterr().err


def test_what_does_not_touch_link_or_device_leaves_the_test_standing(tmp_path: Path) -> None:
    path = written(tmp_path, ('distance = "400 mm"', 'distance = "401 mm"'), ('lease = "250 ms"', 'lease = "0.25 s"'))
    config = load_line(path)
    assert config.dry_only(*config.address) == ""


def test_a_real_test_speaks_for_the_lines_own_address_only(tmp_path: Path) -> None:
    own = ('"127.0.0.1:15028"', '"192.0.2.10:502"')
    path = written(tmp_path, own, kept=False)
    config = load_line(path)
    assert config.settings.plain is not None
    made = {
        "line": "x",
        "date": "2026-03-02",
        "who": "anna",
        "output": "enable",
        "dropped_within_s": 0.2,
        "how": "by hand",
    }
    for simulated, others in ((False, ["192.0.2.11"]), (True, ["192.0.2.10", "192.0.2.11"])):
        right = digest(config.settings.link, config.settings.plain)
        keep(proof_path(path), Proof.model_validate({**made, "simulated": simulated, "digest": right}))
        again = load_line(path)
        assert [host for host in ("192.0.2.10", "192.0.2.11") if again.dry_only(host, 502)] == others
        assert again.dry_only("127.0.0.1", 4711) == ""


def test_a_file_that_is_no_record_is_refused(tmp_path: Path) -> None:
    path = written(tmp_path)
    proof_path(path).write_text("{}")
    assert "is no record of a cable-pull test" in refused(path)


def test_a_record_is_read_as_it_was_written(tmp_path: Path) -> None:
    path = written(tmp_path)
    kept = load_proof(proof_path(path))
    assert kept is not None
    assert kept.model_dump() == json.loads(proof_path(path).read_text())
    assert load_proof(tmp_path / "none.json") is None


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ((TRIGGER, 'trigger = { table = "coil", address = 0 }'), "enable and station.0.trigger (coil 0) overlap"),
        ((TRIGGER, 'trigger = { table = "discrete", address = 8 }'), "cannot be written"),
        ((TRIGGER, 'trigger = { table = "holding", address = 8, bit = 1 }'), "of its own"),
        (("address = 0, width = 32", "address = 0, width = 16, bit = 3"), "count (input 0 bit 3) is a number"),
        (("address = 2, bit = 0", "address = 2"), "say which bit of the register"),
        (("[plain.stations.flap]", "[plain.stations.flop]"), "make the two agree"),
        (('kind = "sampled"', 'kind = "captured"'), 'a plain device captures no edges; write kind = "sampled"'),
        (('name = "flap"\n', 'name = "flap"\nrelease = "compare"\n'), "a plain device releases by scan"),
        (("[encoder]", "[points]\nread_gap = 3\n[encoder]"), "and this line has [plain]"),
        (("[encoder]", "[encoder]\ncounter_bits = 16"), "plain.count is 32 bits wide"),
        (('width = "20 ms"', 'width = "1 ms"'), "shorter than the device's own scan"),
        (('window = "5 mm"', 'window = "2 mm"'), "window 2 mm is shorter than the 4.75 mm"),
        (('watchdog = "200 ms"', 'watchdog = "20 ms"'), "cannot be kept over this link; make it 40 ms or more"),
        (("running = ", "runing = "), 'did you mean "running"?'),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_in_one_line_and_exit_code_2(
    tmp_path: Path, change: tuple[str, str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path, change, kept=False)
    assert words in refused(path)
    assert main(["check", str(path)]) == 2
    assert main(["run", str(path), "--dry"]) == 2
    assert "Traceback" not in capsys.readouterr().err


def test_scan_release_without_a_plain_device_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "line.toml"
    text = (CONFIG / "timed-line.toml").read_text().replace('"jobs/', f'"{CONFIG}/jobs/')
    path.write_text(text.replace('release = "timed"', 'release = "scan"'))
    assert "a plain device releases by scan, and nothing else does" in refused(path)


def test_inputs_come_back_from_the_registers_that_carry_them() -> None:
    points = load_line(LINE).plain
    assert points is not None
    blocks = [[0x0001, 0x86A0, 0b0000_0010_0011_1001, 0, 0]]
    inputs = points.decode(points.values(blocks))
    assert (inputs.count, inputs.detector, inputs.drive, inputs.enable_back) == (100_000, True, False, False)
    assert inputs.interlocks == 0b111
    assert (inputs.stations[0].busy, inputs.stations[0].ready, inputs.stations[0].done) == (True, False, None)
    assert [block[:3] for block in points.encode(inputs)] == [blocks[0][:3]]


def test_a_signed_low_word_first_counter_and_the_read_that_brings_it_last() -> None:
    count = Point(Table.HOLDING, 40, 32, signed=True, word_order=WordOrder.LOW_FIRST)
    eye = Point(Table.DISCRETE, 7, 1)
    points = PlainMap({"count": count, "detector": eye}, {"station.0.trigger": Point(Table.HOLDING, 3)}, 1, 36_000)
    assert [request.table for request in points.read_plan] == [Table.DISCRETE, Table.HOLDING]
    assert points.decode(points.values([[1], [0xFFFF, 0xFFFF]])).count == 35_999
    assert points.requests == 3
