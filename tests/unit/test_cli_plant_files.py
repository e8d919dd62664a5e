"""`beltcue users` and `beltcue trust`, as they are typed."""

from __future__ import annotations

import io
import json
import shutil
import sys
from pathlib import Path

import pytest

from controller.certificates import read_certificate
from controller.cli.main import main
from controller.plant.opcua.own import own
from controller.plant.opcua.trust import TrustList
from controller.plant.opcua.users import Users, fits
from tests.unit.papers import PASSWORD, papers

CONFIG = Path(__file__).resolve().parents[2] / "config"


@pytest.fixture
def line(tmp_path: Path) -> str:
    """A line's file with an OPC UA server whose certificates are kept beside it."""
    folder = tmp_path / "config"
    shutil.copytree(CONFIG, folder)
    file = folder / "demo-line.toml"
    file.write_text(file.read_text() + '\n[plant.opcua]\npki = "pki"\n')
    return str(file)


def pki(line: str) -> Path:
    return Path(line).parent / "pki"


def typed(monkeypatch: pytest.MonkeyPatch, text: str) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO(text))


def one_line(capsys: pytest.CaptureFixture[str]) -> str:
    out, err = capsys.readouterr()
    assert out == ""
    assert len(err.splitlines()) == 1
    return err


def test_users_from_the_first_to_none(
    line: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert main(["users", line]) == 0
    assert "no users yet" in capsys.readouterr().out
    typed(monkeypatch, f"{PASSWORD}\n")
    assert main(["users", line, "add", "otto", "--role", "operate", "--password-stdin"]) == 0
    assert capsys.readouterr().out == "added otto, who may operate\n"
    kept = Users(pki(line) / "users.json")
    assert fits(PASSWORD, kept.all()["otto"].password)
    assert main(["users", line, "role", "otto", "view"]) == 0
    assert main(["users", "--json", line]) == 0
    assert json.loads(capsys.readouterr().out.splitlines()[-1])["users"] == {"otto": "view"}
    assert fits(PASSWORD, kept.all()["otto"].password)
    assert main(["users", line, "remove", "otto"]) == 0
    assert kept.all() == {}


@pytest.mark.parametrize(
    ("words", "given", "said"),
    [
        (["add", "otto", "--role", "view", "--password-stdin"], "short\n", "a password has 8 to 256 characters"),
        (["add", "o t", "--role", "view", "--password-stdin"], f"{PASSWORD}\n", "'o t' is no user name"),
        (["add", "otto", "--role", "view"], "", "a password is typed at a terminal"),
        (["remove", "otto"], "", "there is no user 'otto'; known: none"),
        (["role", "otto", "view"], "", "there is no user 'otto'; known: none"),
    ],
)
def test_what_cannot_be_done_with_users_is_one_line(
    line: str,
    words: list[str],
    given: str,
    said: str,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    typed(monkeypatch, given)
    assert main(["users", line, *words]) == 2
    assert said in one_line(capsys)
    assert not (pki(line) / "users.json").exists()


def test_a_password_is_typed_twice(
    line: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    answers = iter([PASSWORD, "another one"])
    monkeypatch.setattr("getpass.getpass", lambda _: next(answers))
    monkeypatch.setattr(sys.stdin, "isatty", lambda: True, raising=False)
    assert main(["users", line, "add", "otto", "--role", "view"]) == 1
    assert "the two passwords differ" in one_line(capsys)
    assert not (pki(line) / "users.json").exists()


def test_a_client_that_was_turned_away_is_accepted_and_removed(
    line: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    own(pki(line), ["packing-3"])
    panel = read_certificate(papers(tmp_path / "clients", "panel").certificate.read_bytes())
    fingerprint = TrustList(pki(line)).keep(panel)
    assert main(["trust", "--json", line]) == 0
    listed = json.loads(capsys.readouterr().out.splitlines()[-1])
    assert [c["subject"] for c in listed["rejected"]] == ["CN=panel"]
    assert [c["application"] for c in listed["ours"]] == ["urn:packing-3:beltcue"]
    assert main(["trust", line, "accept", fingerprint[:8].upper()]) == 0
    assert "accepted CN=panel" in capsys.readouterr().out
    assert TrustList(pki(line)).refusal(panel) is None
    thumbprint = TrustList(pki(line)).trusted()[0].thumbprint
    assert main(["trust", line, "remove", ":".join(thumbprint[i : i + 2] for i in range(0, 40, 2))]) == 0
    assert TrustList(pki(line)).trusted() == []


def test_a_certificate_is_accepted_from_its_file(line: str, tmp_path: Path) -> None:
    files = papers(tmp_path / "clients", "panel")
    assert main(["trust", line, "accept", str(files.certificate)]) == 0
    assert [c.subject for c in TrustList(pki(line)).trusted()] == ["CN=panel"]


def test_what_would_be_turned_away_anyhow_is_not_accepted(
    line: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    for made, said in (
        (papers(tmp_path / "c", "old", days=(-9, -1)), "CN=old was valid until"),
        (papers(tmp_path / "c", "weak", bits=1024), "CN=weak has no RSA key of at least 2048 bits"),
    ):
        assert main(["trust", line, "accept", str(made.certificate)]) == 2
        assert said in one_line(capsys)
    assert not (pki(line) / "trusted").exists()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["accept", "abcd1234"], "no rejected certificate begins with abcd1234"),
        (["accept", "panel"], "'panel' is no file, nor the first 4 or more digits of a fingerprint"),
        (["accept", __file__], "is no certificate; save it as DER or PEM"),
        (["remove", "abcd"], "no certificate begins with abcd"),
    ],
)
def test_what_cannot_be_done_with_clients_is_one_line(
    line: str, words: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["trust", line, *words]) == 2
    assert said in one_line(capsys)


@pytest.mark.parametrize("verb", ["users", "trust"])
def test_a_line_without_such_a_server_has_neither(verb: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([verb, str(CONFIG / "demo-line.toml")]) == 2
    assert "has no [plant.opcua]" in one_line(capsys)
