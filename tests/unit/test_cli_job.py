"""`beltcue job` and what `check` and `run` say of saved jobs: as typed, at a terminal and by a script."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from controller.cli.main import main
from controller.records.store import Placing
from tests.unit.job_kit import NAME, OTHER, LineFolder, line_folder

Typed = Callable[..., tuple[int, str, str]]


@pytest.fixture(autouse=True)
def runtime(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))


@pytest.fixture
def folder(tmp_path: Path) -> LineFolder:
    return line_folder(tmp_path)


@pytest.fixture
def job(folder: LineFolder, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Typed:
    """Type the verb; with `answers` at a terminal where a person gives them, one a question."""

    def typed(*words: str, answers: list[str] | None = None) -> tuple[int, str, str]:
        left = list(answers or [])
        monkeypatch.setattr("sys.stdin.isatty", lambda: answers is not None, raising=False)
        monkeypatch.setattr("builtins.input", lambda _: left.pop(0))
        code = main(["job", str(folder.line), *words])
        assert left == [], "a question was not asked"
        out, err = capsys.readouterr()
        assert len(err.splitlines()) == (code != 0)
        return code, " ".join(out.split()) if "--json" not in words else out, err

    return typed


def said(out: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(out.splitlines()[-1])
    return found


def test_a_line_without_saved_jobs_says_how_to_save_one(job: Typed, folder: LineFolder) -> None:
    code, out, _ = job("list")
    assert code == 0
    assert f"{NAME}, not saved" in out
    assert f"beltcue job {folder.line} save" in out
    code, _, err = job("restore", "--why", "x")
    assert code == 2
    assert "no job of this line has been saved yet" in err


def test_why_is_asked_for_at_a_terminal_and_required_of_a_script(job: Typed, folder: LineFolder) -> None:
    code, _, err = job("save")
    assert (code, "--why" in err) == (2, True)
    assert folder.store.revisions() == []
    assert job("save", answers=["   "])[0] == 2
    assert job("save", "--who", "bert", answers=["accepted at two speeds"])[0] == 0
    (revision,) = folder.store.revisions()
    assert (revision.who, revision.why) == ("bert", "accepted at two speeds")


def test_what_is_not_saved_is_overwritten_only_when_a_person_or_yes_says_so(job: Typed, folder: LineFolder) -> None:
    job("save", "--why", "accepted")
    saved = folder.text
    folder.change(('"399.994 mm"', '"402 mm"'))
    code, out, err = job("restore", "--why", "x")
    assert code == 2
    assert "1 setting differs (stations.flap.distance)" in err
    assert "402 mm → 399.994 mm" in out
    code, _, err = job("restore", "--why", "x", answers=["n"])
    assert (code, "nothing was changed" in err) == (1, True)
    assert folder.text != saved
    code, out, _ = job("restore", answers=["y", "the tape had slipped"])
    assert code == 0
    assert "restored: Tea carton 100 g, flap, revision 1" in out
    assert "as Tea carton 100 g, flap, revision 2" in out
    assert folder.text == saved
    placed = folder.store.last_placing()
    assert placed is not None
    assert (placed.what, placed.why) == ("restore", "the tape had slipped")


def test_nothing_is_asked_where_nothing_would_be_lost(job: Typed, folder: LineFolder) -> None:
    job("save", "--why", "accepted")
    folder.job.write_text(OTHER)
    job("save", "--why", "accepted too")
    code, out, _ = job("load", NAME, "--why", "cartons next")
    assert code == 0
    assert "kept" not in out
    assert folder.config.job.name == NAME


def test_loading_says_which_settings_of_the_machine_are_not_those_of_the_revision(
    job: Typed, folder: LineFolder
) -> None:
    job("save", "--why", "accepted")
    folder.change(('"399.994 mm"', '"402 mm"'))
    job("save", "--why", "taped anew")
    code, out, _ = job("load", NAME, "--revision", "1", "--why", "x")
    assert code == 0
    assert "stations.flap.distance 402 mm, in the revision 399.994 mm" in out


def test_list_and_show_and_diff_give_the_same_to_people_and_to_scripts(job: Typed, folder: LineFolder) -> None:
    job("save", "--why", "accepted", "--who", "anna")
    folder.change(('offset = "12 mm"', 'offset = "0.5 in"'))
    listed = said(job("list", "--json")[1])
    assert (listed["line"], listed["state"]["differs"]) == ("tea-cartons", ["job.plans#1.offset"])
    assert [(j["job"], j["revision"], j["who"], j["in_place"]) for j in listed["jobs"]] == [(NAME, 1, "anna", False)]
    assert said(job("show", "--json")[1])["settings"]["job.plans#1.offset"] == "12.7 mm"
    assert said(job("show", "--revision", "1", "--json")[1])["settings"]["job.plans#1.offset"] == "12 mm"
    changed = said(job("diff", "--json")[1])["changes"]
    assert changed == [{"setting": "job.plans#1.offset", "from": "12 mm", "to": "12.7 mm"}]
    _, out, _ = job("diff")
    assert "-job.plans#1.offset = 12 mm +job.plans#1.offset = 12.7 mm" in out


def test_a_damaged_revision_is_named_in_the_list_and_refused_everywhere(job: Typed, folder: LineFolder) -> None:
    job("save", "--why", "accepted")
    folder.damage(1)
    assert "DAMAGED" in job("list")[1]
    for words in (("show", "--revision", "1"), ("diff",), ("load", NAME, "--why", "x"), ("restore", "--why", "x")):
        code, _, err = job(*words)
        assert (code, "damaged" in err) == (2, True), words


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (("load", "Tea carton", "--why", "x"), f'did you mean "{NAME}"'),
        (("show", "--revision", "9"), "no revision 9; it has 1 to 1"),
        (("save", "--why", "x" * 501), "too long"),
    ],
)
def test_bad_words_are_one_line(job: Typed, words: tuple[str, ...], text: str) -> None:
    job("save", "--why", "accepted")
    code, _, err = job(*words)
    assert (code, text in err) == (2, True), err


def test_files_that_cannot_be_used_are_one_line(job: Typed, folder: LineFolder) -> None:
    job("save", "--why", "accepted")
    folder.job.write_text("name = 3")
    for words in (("save", "--why", "x"), ("show",), ("diff",)):
        code, _, err = job(*words)
        assert (code, str(folder.job) in err) == (2, True), words
    assert "cannot be used" in job("list")[1]
    code, out, _ = job("restore", "--why", "the file was spoilt", "--yes")
    assert (code, ".unreadable" in out) == (0, True)
    folder.line.write_text("[line]")
    code, _, err = job("list")
    assert (code, str(folder.line) in err) == (2, True)


def test_a_store_that_cannot_be_used_is_told_by_job_and_hinders_no_check(
    job: Typed, folder: LineFolder, capsys: pytest.CaptureFixture[str]
) -> None:
    folder.store.path.write_bytes(b"no database at all" * 99)
    assert job("list")[0] == 2
    assert main(["check", str(folder.line)]) == 0
    assert "broken, or none" in " ".join(capsys.readouterr().out.split())


def test_check_tells_what_is_not_saved(job: Typed, folder: LineFolder, capsys: pytest.CaptureFixture[str]) -> None:
    job("save", "--why", "accepted")
    folder.change(('"399.994 mm"', '"402 mm"'))
    assert main(["check", str(folder.line), "--json"]) == 0
    out = capsys.readouterr().out
    assert "revision 1, not saved: 1 setting differs (stations.flap.distance)" in " ".join(out.split())
    assert said(out)["job_state"]["differs"] == ["stations.flap.distance"]


def test_a_line_whose_files_may_be_half_a_job_is_not_run(
    job: Typed, folder: LineFolder, capsys: pytest.CaptureFixture[str]
) -> None:
    job("save", "--why", "accepted")
    folder.store.begin_placing(Placing("load", NAME, 1, 0, "anna", "x"))
    assert main(["run", str(folder.line), "--for", "1 s"]) == 2
    err = capsys.readouterr().err
    assert f"load '{NAME}' --revision 1" in err
    assert job("load", NAME, "--revision", "1", "--why", "again")[0] == 0
    assert "saved" in job("list")[1]
