"""`beltcue run` with an OPC UA server that cannot be had: one clear line, exit code 2, and no line is begun."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from controller.cli.main import main
from controller.plant.opcua.own import certificate_file, own
from controller.plant.opcua.users import User, Users
from tests.free_ports import free_port
from tests.unit.papers import HASHED
from tests.wire.processes import CONFIG, LOOPBACK


def open_to_others(pki: Path) -> None:
    users = Users(pki / "users.json")
    users.put(User(name="otto", role="operate", password=HASHED))
    users.file.chmod(0o644)


def no_certificate(pki: Path) -> None:
    own(pki, ["packing-3"])
    certificate_file(pki).write_text("tea")


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (open_to_others, "users.json: others can read or change the users; run chmod 600"),
        (no_certificate, "certificate.der: is no certificate; save it as DER or PEM"),
    ],
)
def test_what_keeps_the_server_from_starting_is_said_in_one_line(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], spoil: Callable[[Path], None], said: str
) -> None:
    text = (CONFIG / "demo-line.toml").read_text().replace('"jobs/', f'"{CONFIG}/jobs/')
    line = tmp_path / "line.toml"
    line.write_text(f'{text}\n[plant.opcua]\naddress = "{LOOPBACK}:{free_port()}"\npki = "pki"\n')
    spoil(tmp_path / "pki")
    address, journal = f"{LOOPBACK}:{free_port()}", str(tmp_path / "journal.sqlite")
    assert main(["run", str(line), "--address", address, "--journal", journal, "--for", "5 s"]) == 2
    err = capfd.readouterr().err
    assert said in err
    assert len([text for text in err.splitlines() if text.startswith("beltcue: ")]) == 1
    assert "Traceback" not in err
