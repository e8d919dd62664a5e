"""Which clients are trusted: certificates in a folder, accepted one by one by a person.

A client is known by its certificate itself, not by who signed it. One that nobody has accepted is turned away and kept
in rejected/ so that it can be accepted; a bounded number is kept, the oldest go first. Files put into trusted/ by hand
count as well, DER or PEM. What changes in the folders is taken up at the next look.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
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
_UNFINISHED = ".new"
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

    @property
    def weak(self) -> str | None:
        """Why its key is not good enough for the policies served; None if it is."""
        from cryptography.hazmat.primitives.asymmetric.rsa import RSAPublicKey

        key = self.certificate.public_key()
        if isinstance(key, RSAPublicKey) and key.key_size >= LEAST_KEY_BITS:
            return None
        return f"has no RSA key of at least {LEAST_KEY_BITS} bits"


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


PassedOver = Callable[[Path, str], None]


class TrustList:
    """The two folders, below the pki folder; they need not exist."""

    def __init__(self, pki: Path, passed_over: PassedOver = lambda _file, _why: None) -> None:
        """`passed_over` is told of files that are no certificates, or cannot be read, each time they are looked at."""
        self._passed_over = passed_over
        self._folder = {name: pki / name for name in ("trusted", "rejected")}
        self._seen: tuple[object, ...] | None = None
        self._trusted: Mapping[str, Client] = {}

    def trusted(self) -> list[Client]:
        """Those that may connect, by file name."""
        return list(self._fresh().values())

    def rejected(self) -> list[Client]:
        """Those that tried and are unknown, by file name."""
        found = {c.fingerprint: c for c in _clients(self._folder["rejected"], self._passed_over)}
        return list(found.values())

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
            for found in _clients(folder, self._passed_over):
                if found.fingerprint == client.fingerprint:
                    found.file.unlink(missing_ok=True)

    def _fresh(self) -> Mapping[str, Client]:
        """The trusted by fingerprint, read anew when the folder has changed."""
        seen = _stamp(self._folder["trusted"])
        if seen != self._seen:
            found = {}
            for client in _clients(self._folder["trusted"], self._passed_over):
                if client.weak:
                    self._passed_over(client.file, client.weak)
                else:
                    found[client.fingerprint] = client
            self._trusted = found
            self._seen = seen
        return self._trusted


def _stamp(folder: Path) -> tuple[object, ...]:
    try:
        with os.scandir(folder) as entries:
            rows = [(e.name, e.stat().st_mtime_ns, e.stat().st_size) for e in entries]
    except OSError:
        return ()
    return tuple(sorted(rows))


def _clients(folder: Path, passed_over: PassedOver) -> list[Client]:
    """Every certificate in a folder, by file name; what is none is passed over."""
    try:
        files = sorted(folder.iterdir())
    except FileNotFoundError:
        return []
    except OSError as error:
        passed_over(folder, error.strerror or str(error))
        return []
    found = []
    for file in files:
        if file.suffix == _UNFINISHED:
            continue
        try:
            found.append(client_of(file, read_certificate(file.read_bytes())))
        except OSError as error:
            passed_over(file, error.strerror or str(error))
        except ValueError:
            passed_over(file, "is no certificate, DER or PEM")
    return found


def _write(file: Path, certificate: Certificate) -> None:
    from cryptography.hazmat.primitives.serialization import Encoding

    fresh = file.with_suffix(_UNFINISHED)
    fresh.write_bytes(certificate.public_bytes(Encoding.DER))
    fresh.replace(file)
