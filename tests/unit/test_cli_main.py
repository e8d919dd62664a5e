"""The command line as a whole: help, exit codes, and one line for whatever goes wrong."""

from __future__ import annotations

import argparse
import json
import tomllib
from pathlib import Path

import pytest

from controller.cli import main as main_module
from controller.cli.main import main, parser

VERBS = [
    "run", "sim", "bench", "status", "command", "mode", "acknowledge", "reset-counters", "local", "remote", "test-mark",
    "line-clear", "check", "commission", "cable-pull", "measure", "plant-map", "points", "promise", "report", "trust", "users",
    "schema", "job",
]  # fmt: skip


@pytest.fixture(autouse=True)
def runtime(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))


def verbs_of(top: argparse.ArgumentParser) -> dict[str, argparse.ArgumentParser]:
    choices = next(a.choices for a in top._actions if isinstance(a, argparse._SubParsersAction))
    assert isinstance(choices, dict)
    return choices


def test_every_verb_is_there_and_has_help_in_words(capsys: pytest.CaptureFixture[str]) -> None:
    assert set(verbs_of(parser())) == set(VERBS)
    for verb in VERBS:
        with pytest.raises(SystemExit) as ended:
            main([verb, "--help"])
        assert ended.value.code == 0
        text = capsys.readouterr().out
        assert text.startswith(f"usage: beltcue {verb}")
        assert len(text.split("options:")[0].split()) > 8


def test_the_verbs_of_the_simulator_come_from_the_entry_point_that_the_package_declares() -> None:
    project = tomllib.loads(Path("pyproject.toml").read_text())["project"]
    assert project["entry-points"]["beltcue.verbs"] == {"sim": "sim.cli:register"}
    assert set(VERBS) - set(verbs_of(parser(everything=False))) == {"sim", "bench"}


@pytest.mark.parametrize(
    "words",
    [["dance"], [], ["command", "dance"], ["mode", "fast"], ["status", "--jsno"], ["run", "a.toml", "--for", "5 mm"]],
)
def test_bad_words_are_one_line_and_exit_code_2(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(words)
    assert ended.value.code == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert len(err.splitlines()) == 1
    assert err.startswith("beltcue: ")
    assert "--help" in err


@pytest.mark.parametrize(
    "words", [["status"], ["command", "hold"], ["acknowledge"], ["test-mark"], ["status", "--line", "x"]]
)
def test_without_a_controller_every_asking_verb_says_so(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(words) == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert "beltcue run LINE.toml" in err
    assert len(err.splitlines()) == 1


def test_a_defect_is_one_line_with_a_saved_traceback_and_exit_code_70(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def fall_over(_: argparse.Namespace) -> int:
        raise ZeroDivisionError("on\npurpose")

    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr("tempfile.tempdir", None)
    monkeypatch.setattr(main_module.status, "execute", fall_over)
    assert main(["status"]) == 70
    err = capsys.readouterr().err
    assert len(err.splitlines()) == 1
    saved = list(tmp_path.glob("beltcue-error-*.log"))
    assert len(saved) == 1
    assert str(saved[0]) in err
    assert "fall_over" in saved[0].read_text()


def test_an_interrupt_is_one_line(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupt(_: argparse.Namespace) -> int:
        raise KeyboardInterrupt

    monkeypatch.setattr(main_module.status, "execute", interrupt)
    assert main(["status"]) == 130
    assert capsys.readouterr().err == "beltcue: interrupted\n"


@pytest.mark.parametrize("file", ["line", "job", "scenario"])
def test_schemas_are_json(file: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["schema", file]) == 0
    assert json.loads(capsys.readouterr().out)["type"] == "object"


def test_check_says_what_the_line_will_do_and_what_its_link_needs(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "config/demo-line.toml", "--json"]) == 0
    out = capsys.readouterr().out
    assert "30 m/min" in out
    last = json.loads(out.splitlines()[-1])
    assert last["works"] is True
    assert {"orders_per_s", "shortest_lease_s", "stations"} <= last["needs"].keys()


def test_check_describes_and_refuses_a_line_that_its_link_cannot_keep(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = Path("config/demo-line.toml").read_text().replace('distance = "399.994 mm"', 'distance = "20 mm"')
    line = tmp_path / "line.toml"
    line.write_text(text.replace("jobs/", str(Path("config/jobs").resolve()) + "/"))
    assert main(["check", str(line)]) == 2
    out, err = capsys.readouterr()
    assert "at least 36.73 mm" in " ".join(out.split())
    assert len(err.splitlines()) == 1
    assert "distance 20 mm is shorter" in err


def test_report_wants_one_source_and_says_what_is_missing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report"]) == 2
    assert main(["report", "--journal", str(tmp_path / "none.sqlite")]) == 2
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 2
    assert "none.sqlite" in lines[1]
