"""The list of clients that are trusted."""

from __future__ import annotations

import os
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.serialization import Encoding

from controller.certificates import read_certificate
from controller.plant.opcua.trust import EXPIRED, KEPT, UNKNOWN, Client, TrustList, client_of
from tests.unit.papers import papers


@pytest.fixture(scope="module")
def panel(tmp_path_factory: pytest.TempPathFactory) -> Client:
    file = papers(tmp_path_factory.mktemp("clients"), "panel").certificate
    return client_of(file, read_certificate(file.read_bytes()))


def test_accepted_and_removed(tmp_path: Path, panel: Client) -> None:
    trust = TrustList(tmp_path / "pki")
    assert trust.refusal(panel.certificate) == UNKNOWN
    assert trust.keep(panel.certificate) == panel.fingerprint
    assert [c.fingerprint for c in trust.rejected()] == [panel.fingerprint]
    trust.accept(trust.rejected()[0])
    assert trust.rejected() == []
    assert trust.refusal(panel.certificate) is None
    trust.remove(trust.trusted()[0])
    assert trust.trusted() == []
    assert trust.refusal(panel.certificate) == UNKNOWN


def test_one_list_sees_what_another_changed(tmp_path: Path, panel: Client) -> None:
    server, person = TrustList(tmp_path), TrustList(tmp_path)
    assert server.refusal(panel.certificate) == UNKNOWN
    person.accept(panel)
    assert server.refusal(panel.certificate) is None
    person.remove(panel)
    assert server.refusal(panel.certificate) == UNKNOWN


@pytest.mark.parametrize("encoding", [Encoding.DER, Encoding.PEM])
def test_a_file_put_there_by_hand(tmp_path: Path, panel: Client, encoding: Encoding) -> None:
    (tmp_path / "trusted").mkdir()
    (tmp_path / "trusted" / "the panel.crt").write_bytes(panel.certificate.public_bytes(encoding))
    assert TrustList(tmp_path).refusal(panel.certificate) is None
    TrustList(tmp_path).remove(panel)
    assert list((tmp_path / "trusted").iterdir()) == []


def test_trusted_only_while_it_is_valid(tmp_path: Path, panel: Client) -> None:
    trust, now = TrustList(tmp_path), datetime.now(UTC)
    trust.accept(panel)
    assert trust.refusal(panel.certificate, now + timedelta(days=31)) == EXPIRED
    assert trust.refusal(panel.certificate, now - timedelta(days=2)) == EXPIRED
    assert trust.refusal(panel.certificate, now) is None


def test_the_rejected_are_bounded_and_the_oldest_go(tmp_path: Path, panel: Client) -> None:
    folder = tmp_path / "rejected"
    folder.mkdir()
    for number in range(KEPT):
        (folder / f"{number:02}.der").write_bytes(b"")
        os.utime(folder / f"{number:02}.der", (1000 + number, 1000 + number))
    TrustList(tmp_path).keep(panel.certificate)
    assert sorted(f.name for f in folder.iterdir()) == sorted(
        [f"{number:02}.der" for number in range(1, KEPT)] + [f"{panel.fingerprint}.der"]
    )


def test_what_is_no_certificate_or_weak_is_passed_over_and_told(tmp_path: Path, panel: Client) -> None:
    told: list[tuple[str, str]] = []
    trust = TrustList(tmp_path, lambda file, why: told.append((file.name, why)))
    folder = tmp_path / "trusted"
    folder.mkdir()
    (folder / "a.der").write_text("tea")
    (folder / "b.der").write_bytes(papers(tmp_path / "weak", "weak", bits=1024).certificate.read_bytes())
    (folder / "c").mkdir()
    trust.accept(panel)
    assert [c.fingerprint for c in trust.trusted()] == [panel.fingerprint]
    assert told == [
        ("a.der", "is no certificate, DER or PEM"),
        ("c", "Is a directory"),
        ("b.der", "has no RSA key of at least 2048 bits"),
    ]
