"""The OPC UA server's own certificate: made once, then read; one line for whatever is wrong with it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from ipaddress import ip_address
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding

from controller.certificates import application_uri
from controller.plant.image import PlantError
from controller.plant.opcua.own import VALID_DAYS, certificate_file, key_file, own, own_hosts, pki_folder
from controller.settings.plant import OpcUaServerSection
from tests.unit.papers import papers

HOSTS = ["packing-3", "192.0.2.7", "2001:db8::7", "localhost"]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    pki = tmp_path_factory.mktemp("made") / "pki"
    own(pki, HOSTS)
    return pki


@pytest.fixture
def pki(made: Path, tmp_path: Path) -> Path:
    """A folder of this test's own with a certificate and its key."""
    for file in (certificate_file(made), key_file(made)):
        copy = tmp_path / file.relative_to(made)
        copy.parent.mkdir(exist_ok=True)
        copy.write_bytes(file.read_bytes())
        copy.chmod(0o600)
    return tmp_path


def test_it_names_the_host_and_is_for_servers(made: Path) -> None:
    certificate = own(made, HOSTS).certificate
    names = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    assert names.get_values_for_type(x509.DNSName) == ["packing-3", "localhost"]
    assert names.get_values_for_type(x509.IPAddress) == [ip_address("192.0.2.7"), ip_address("2001:db8::7")]
    assert application_uri(certificate) == "urn:packing-3:beltcue"
    use = certificate.extensions.get_extension_for_class(x509.ExtendedKeyUsage).value
    assert x509.ExtendedKeyUsageOID.SERVER_AUTH in use
    life = certificate.not_valid_after_utc - certificate.not_valid_before_utc
    assert abs(life - timedelta(days=VALID_DAYS)) < timedelta(minutes=1)


def test_only_the_owner_reads_the_key(made: Path) -> None:
    assert key_file(made).stat().st_mode & 0o777 == 0o600
    assert made.stat().st_mode & 0o777 == 0o700


def test_it_is_made_once(pki: Path) -> None:
    before = certificate_file(pki).read_bytes()
    ours = own(pki, ["another-name"])
    assert not ours.made_now
    assert ours.uri == "urn:packing-3:beltcue"
    assert certificate_file(pki).read_bytes() == before == ours.certificate.public_bytes(Encoding.DER)


def test_a_new_certificate_is_made_for_the_key_that_is_there(pki: Path) -> None:
    key = key_file(pki).read_bytes()
    certificate_file(pki).unlink()
    assert own(pki, HOSTS).made_now
    assert key_file(pki).read_bytes() == key


def test_a_name_that_is_not_ascii_gets_in(tmp_path: Path) -> None:
    uri = own(tmp_path, ["förderband"]).uri
    assert uri.split(":")[1].encode().decode("idna") == "förderband"


def test_expired(pki: Path) -> None:
    with pytest.raises(PlantError, match=r"certificate\.der: was valid until .*remove .* for a new one"):
        own(pki, HOSTS, datetime.now(UTC) + timedelta(days=VALID_DAYS + 1))


def test_not_valid_yet(pki: Path) -> None:
    with pytest.raises(PlantError, match=r"is valid from .*set this computer's clock right"):
        own(pki, HOSTS, datetime.now(UTC) - timedelta(days=1))


def test_no_certificate(pki: Path) -> None:
    certificate_file(pki).write_text("tea")
    with pytest.raises(PlantError, match=r"certificate\.der: is no certificate; save it as DER or PEM"):
        own(pki, HOSTS)


def test_no_key(pki: Path) -> None:
    key_file(pki).write_text("tea")
    with pytest.raises(PlantError, match=r"key\.pem: is no private key without a password"):
        own(pki, HOSTS)


def test_the_key_is_gone(pki: Path) -> None:
    key_file(pki).unlink()
    with pytest.raises(PlantError, match=r"key\.pem: cannot be read \(No such file"):
        own(pki, HOSTS)


def test_another_ones_key(pki: Path) -> None:
    key_file(pki).write_bytes(papers(pki / "other", "other").key.read_bytes())
    with pytest.raises(PlantError, match=r"key\.pem: is not the key of .*certificate\.der"):
        own(pki, HOSTS)


def test_a_key_that_is_too_short(pki: Path) -> None:
    other = papers(pki / "other", "other", bits=1024)
    certificate_file(pki).write_bytes(other.certificate.read_bytes())
    key_file(pki).write_bytes(other.key.read_bytes())
    with pytest.raises(PlantError, match="RSA key of 2048 to 4096 bits"):
        own(pki, HOSTS)


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o620])
def test_a_key_that_others_reach(pki: Path, mode: int) -> None:
    key_file(pki).chmod(mode)
    with pytest.raises(PlantError, match="others can read the private key; run chmod 600"):
        own(pki, HOSTS)


def test_a_plants_own_certificate_is_taken(pki: Path) -> None:
    other = papers(pki / "other", "from-the-plant")
    certificate_file(pki).write_bytes(other.certificate.read_bytes())
    key_file(pki).write_bytes(other.key.read_bytes())
    assert own(pki, HOSTS).uri == "urn:tests:beltcue:client"


def test_a_folder_that_cannot_be(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(PlantError, match=r"file/pki: .*; set pki in"):
        own(tmp_path / "file" / "pki", HOSTS)


def test_where_it_is_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    assert pki_folder(OpcUaServerSection(), tmp_path) == tmp_path / "state" / "beltcue" / "pki"
    assert pki_folder(OpcUaServerSection(pki="here"), tmp_path) == tmp_path / "here"
    assert pki_folder(OpcUaServerSection(pki="/there"), tmp_path) == Path("/there")


def test_the_hosts_are_where_it_listens() -> None:
    fixed = own_hosts(OpcUaServerSection(address="192.0.2.9:4841", host_name="packing-3"))
    assert fixed[0] == "packing-3"
    assert "192.0.2.9" in fixed
    assert not {"0.0.0.0", "::"} & set(own_hosts(OpcUaServerSection(address="0.0.0.0")))
