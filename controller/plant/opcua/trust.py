"""Which clients are trusted: certificates in a folder, accepted one by one by a person.

A client is known by its certificate itself, not by who signed it. One that nobody has accepted is turned away and kept
in rejected/ so that it can be accepted; a bounded number is kept, the oldest go first. Files put into trusted/ by hand
count as well, DER or PEM. What changes in the folders is taken up at the next look.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from controller.certificates import application_uri, read_certificate

if TYPE_CHECKING:
    from cryptography.x509 import Certificate

KEPT = 20
"""So many unknown certificates are kept to be accepted."""
LEAST_KEY_BITS = 2048
UNKNOWN, EXPIRED = "unknown certificate", "expired certificate"


@dataclass(frozen=True, slots=True)
class Client:
    """A certificate as people compare it."""

    file: Path
    certificate: Certificate
    fingerprint: str
    """SHA-256 of the certificate, in hexadecimal digits."""
    thumbprint: str
    """SHA-1 of it: what many clients show, and good enough to tell one's own from another's."""

    @property
    def subject(self) -> str:
        """Whose it is, as the certificate says."""
        return self.certificate.subject.rfc4514_string() or "(no subject)"

    @property
    def uri(self) -> str:
        """The application that it names."""
        return application_uri(self.certificate) or "(none)"

    def unusable(self, now: datetime) -> str | None:
        """Why it cannot be used even if it is trusted; None if it can."""
        from cryptography.hazmat.primitives.asymmetric.rsa import RSAPublicKey

        key = self.certificate.public_key()
        if not isinstance(key, RSAPublicKey) or key.key_size < LEAST_KEY_BITS:
            return f"has no RSA key of at least {LEAST_KEY_BITS} bits"
        return out_of_date(self.certificate, now)


def out_of_date(certificate: Certificate, now: datetime) -> str | None:
    """Why a certificate does not hold now; None if it does."""
    if certificate.not_valid_after_utc < now:
        return f"was valid until {certificate.not_valid_after_utc:%Y-%m-%d}"
    if certificate.not_valid_before_utc > now:
        return f"is valid from {certificate.not_valid_before_utc:%Y-%m-%d %H:%M} on only"
    return None


def client_of(file: Path, certificate: Certificate) -> Client:
    """A certificate with its fingerprints."""
    from cryptography.hazmat.primitives import hashes

    sha256, sha1 = certificate.fingerprint(hashes.SHA256()), certificate.fingerprint(hashes.SHA1())
    return Client(file, certificate, sha256.hex(), sha1.hex())


class TrustList:
    """The two folders, below the pki folder; they need not exist."""

    def __init__(self, pki: Path) -> None:
        self._folder = {name: pki / name for name in ("trusted", "rejected")}
        self._seen: tuple[object, ...] | None = None
        self._trusted: Mapping[str, Client] = {}

    def trusted(self) -> list[Client]:
        """Those that may connect, by file name."""
        return list(self._fresh().values())

    def rejected(self) -> list[Client]:
        """Those that tried and are unknown, by file name."""
        return list(_clients(self._folder["rejected"]).values())

    def refusal(self, certificate: Certificate, now: datetime | None = None) -> str | None:
        """Why a client with this certificate is turned away, as it is counted; None if it is not."""
        client = client_of(Path(), certificate)
        if out_of_date(certificate, now or datetime.now(UTC)) is not None:
            return EXPIRED
        return None if client.fingerprint in self._fresh() else UNKNOWN

    def keep(self, certificate: Certificate) -> str:
        """Keep an unknown certificate so that it can be accepted; its fingerprint. Raises OSError."""
        client = client_of(Path(), certificate)
        folder = self._folder["rejected"]
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        file = folder / f"{client.fingerprint}.der"
        if not file.exists():
            _write(file, certificate)
            kept = sorted(folder.iterdir(), key=lambda path: (path.stat().st_mtime_ns, path.name))
            for old in kept[:-KEPT]:
                old.unlink(missing_ok=True)
        return client.fingerprint

    def accept(self, client: Client) -> None:
        """Trust a certificate, from rejected/ or from anywhere. Raises OSError."""
        folder = self._folder["trusted"]
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        _write(folder / f"{client.fingerprint}.der", client.certificate)
        (self._folder["rejected"] / f"{client.fingerprint}.der").unlink(missing_ok=True)

    def remove(self, client: Client) -> None:
        """Trust a certificate no more, and forget it. Raises OSError."""
        for folder in self._folder.values():
            for file in [
                c.file for c in _clients(folder, all_files=True).values() if c.fingerprint == client.fingerprint
            ]:
                file.unlink(missing_ok=True)

    def _fresh(self) -> Mapping[str, Client]:
        """The trusted by fingerprint, read anew when the folder has changed."""
        seen = _stamp(self._folder["trusted"])
        if seen != self._seen:
            now = datetime.now(UTC)
            found = _clients(self._folder["trusted"])
            # What is out of date is told by its own name when it comes; a weak key never counts as trusted.
            self._trusted = {
                key: c for key, c in found.items() if c.unusable(now) in (None, out_of_date(c.certificate, now))
            }
            self._seen = seen
        return self._trusted


def _stamp(folder: Path) -> tuple[object, ...]:
    try:
        with os.scandir(folder) as entries:
            rows = [(e.name, e.stat().st_mtime_ns, e.stat().st_size) for e in entries]
    except OSError:
        return ()
    return tuple(sorted(rows))


def _clients(folder: Path, all_files: bool = False) -> dict[str, Client]:
    """Every certificate in a folder; what is none, or cannot be read, is passed over."""
    try:
        files = sorted(folder.iterdir())
    except OSError:
        return {}
    found: dict[str, Client] = {}
    for file in files:
        try:
            client = client_of(file, read_certificate(file.read_bytes()))
        except (OSError, ValueError):
            continue
        found[str(file) if all_files else client.fingerprint] = client
    return found


def _write(file: Path, certificate: Certificate) -> None:
    from cryptography.hazmat.primitives.serialization import Encoding

    fresh = file.with_suffix(".new")
    fresh.write_bytes(certificate.public_bytes(Encoding.DER))
    fresh.replace(file)
