"""The server's own certificate and key: made on first start, then read and looked at.

The folder `[plant.opcua] pki` holds own/ (certificate and key), trusted/ and rejected/ (clients) and, unless the line
says otherwise, users.json. A certificate of the plant's own may be put into own/ instead of ours.
"""

from __future__ import annotations

import contextlib
import os
import socket
import stat
from dataclasses import dataclass
from datetime import UTC, datetime
from ipaddress import ip_address
from pathlib import Path
from typing import TYPE_CHECKING

from controller.certificates import application_uri, belong_together, read_certificate, read_key
from controller.plant.image import PlantError
from controller.settings.plant import OpcUaServerSection
from controller.settings.sections import split_address
from controller.settings.state import state_folder

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.rsa import RSAPrivateKey
    from cryptography.x509 import Certificate

VALID_DAYS = 3652
"""Ten years: a machine outlives any one who would remember to renew it; the last 60 days are told of at each start."""
WARN_DAYS = 60
_NOBODY = "192.0.2.1"
"""An address for documentation: asking the way there sends nothing, and tells which address of ours would be used."""


@dataclass(frozen=True, slots=True)
class Own:
    """Who the server is to its clients."""

    certificate: Certificate
    key: RSAPrivateKey
    uri: str
    made_now: bool
    """Whether it was made just now, so that no client knows it yet."""


def pki_folder(section: OpcUaServerSection, folder: Path) -> Path:
    """Where certificates are kept; paths in the section start at `folder`. Raises PlantError without a home."""
    try:
        if section.pki is not None:
            return folder / Path(section.pki).expanduser()
        return state_folder() / "pki"
    except RuntimeError:
        raise PlantError(
            'no home directory to keep certificates in; write e.g. pki = "/var/lib/beltcue/pki" in [plant.opcua]'
        ) from None


def certificate_file(pki: Path) -> Path:
    """Where the server's own certificate is, DER; it is what clients are given to trust."""
    return pki / "own" / "certificate.der"


def key_file(pki: Path) -> Path:
    """Where its private key is, PEM, readable by its owner only."""
    return pki / "own" / "key.pem"


def own(pki: Path, hosts: list[str], now: datetime | None = None) -> Own:
    """The server's certificate and key; made for the host names and addresses given where there are none.

    Raises PlantError, one line, where they cannot be read, made or used.
    """
    certificate, key = certificate_file(pki), key_file(pki)
    try:
        pki.mkdir(mode=0o700, parents=True, exist_ok=True)
        certificate.parent.mkdir(mode=0o700, exist_ok=True)
        made_now = not certificate.exists()
        if made_now:
            _make(certificate, key, hosts)
    except OSError as error:
        raise PlantError(f"{error.filename or pki}: {error.strerror}; set pki in [plant.opcua] to a folder") from None
    return _read(certificate, key, made_now, now or datetime.now(UTC))


def own_hosts(section: OpcUaServerSection) -> list[str]:
    """The names and addresses under which clients may reach this computer, the name to show first."""
    host, _ = split_address(section.address)
    name = section.host_name or socket.gethostname()
    found = [name, socket.gethostname(), *_addresses(host), "localhost", "127.0.0.1"]
    return list(dict.fromkeys(found))


def _addresses(host: str) -> list[str]:
    """Of this computer: the one that it listens at, or those that lead out where it listens at all of them."""
    listening = _ip(host)
    if listening is not None and not ip_address(listening).is_unspecified:
        return [listening]
    found = []
    # Suppressed: there may be no way out at all.
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe, contextlib.suppress(OSError):
        probe.connect((_NOBODY, 9))
        found.append(probe.getsockname()[0])
    with contextlib.suppress(OSError):  # the own name is known to nobody
        found += [str(info[4][0]) for info in socket.getaddrinfo(socket.gethostname(), None)]
    return [address for address in found if _ip(address) is not None]


def _ip(text: str) -> str | None:
    try:
        return str(ip_address(text))
    except ValueError:
        return None


def _make(certificate: Path, key: Path, hosts: list[str]) -> None:
    from asyncua.crypto.cert_gen import (
        dump_private_key_as_pem,
        generate_private_key,
        generate_self_signed_app_certificate,
    )
    from cryptography import x509
    from cryptography.hazmat.primitives.serialization import Encoding
    from cryptography.x509.oid import ExtendedKeyUsageOID

    if not key.exists():
        handle = os.open(key, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "wb") as file:
            file.write(dump_private_key_as_pem(generate_private_key()))
    names: list[x509.GeneralName] = [x509.UniformResourceIdentifier(f"urn:{_plain(hosts[0])}:beltcue")]
    for host in hosts:
        address = _ip(host)
        names.append(x509.DNSName(_plain(host)) if address is None else x509.IPAddress(ip_address(address)))
    made = generate_self_signed_app_certificate(
        _key(key), f"beltcue at {hosts[0]}"[:64], {}, names, [ExtendedKeyUsageOID.SERVER_AUTH], VALID_DAYS
    )
    fresh = certificate.with_suffix(".new")
    fresh.write_bytes(made.public_bytes(Encoding.DER))
    fresh.replace(certificate)


def _plain(host: str) -> str:
    """A host name with the characters only that a certificate may carry."""
    return host.encode("idna").decode("ascii") if not host.isascii() else host


def _key(file: Path) -> RSAPrivateKey:
    from cryptography.hazmat.primitives.asymmetric.rsa import RSAPrivateKey

    raw = _bytes(file)
    if stat.S_IMODE(file.stat().st_mode) & 0o077:
        raise PlantError(f"{file}: others can read the private key; run chmod 600 {file}")
    try:
        key = read_key(raw)
    except ValueError:
        raise PlantError(f"{file}: is no private key without a password; save it as PEM or DER") from None
    if not isinstance(key, RSAPrivateKey) or not 2048 <= key.key_size <= 4096:
        raise PlantError(f"{file}: the policies served take an RSA key of 2048 to 4096 bits; make such a one")
    return key


def _read(certificate: Path, key: Path, made_now: bool, now: datetime) -> Own:
    raw = _bytes(certificate)
    try:
        found = read_certificate(raw)
    except ValueError:
        raise PlantError(
            f"{certificate}: is no certificate; save it as DER or PEM, or remove it for a new one"
        ) from None
    until, since = found.not_valid_after_utc, found.not_valid_before_utc
    anew = f"remove {certificate} for a new one, which clients must then be told to trust"
    if until < now:
        raise PlantError(f"{certificate}: was valid until {until:%Y-%m-%d}; {anew}")
    if since > now and not made_now:
        raise PlantError(
            f"{certificate}: is valid from {since:%Y-%m-%d %H:%M} on only; set this computer's clock right"
        )
    private = _key(key)
    if not belong_together(found, private):
        raise PlantError(f"{key}: is not the key of {certificate}; put the right pair there, or {anew}")
    uri = application_uri(found)
    if uri is None:
        raise PlantError(f"{certificate}: names no application (a URI among its alternative names); {anew}")
    return Own(found, private, uri, made_now)


def _bytes(file: Path) -> bytes:
    try:
        return file.read_bytes()
    except OSError as error:
        raise PlantError(f"{file}: cannot be read ({error.strerror}); check the path and its permissions") from None
