"""What it takes to get into an OPC UA server: the files that [opcua] names, read and looked at."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from controller.certificates import application_uri, belong_together, read_certificate, read_key
from controller.settings.base import SettingsError
from controller.settings.opcua import OpcuaSection

if TYPE_CHECKING:
    from cryptography.x509 import Certificate


@dataclass(frozen=True, slots=True, repr=False)
class Access:
    """Who we are to the server, and which server is believed. Certificates and key are DER."""

    path: str
    """What follows host and port in the endpoint."""
    policy: str | None = None
    """Signed and encrypted by it; None: neither."""
    certificate: bytes = b""
    key: bytes = b""
    server_certificate: bytes | None = None
    application_uri: str | None = None
    """Our name in the certificate, which must be the one that we give."""
    user: str | None = None
    password: str | None = None


def load_access(section: OpcuaSection, line: Path) -> Access:
    """Read what the section names, relative to the line's file. Raises SettingsError, one line a file."""
    if section.security == "none" or section.certificate is None or section.key is None:
        return Access(section.path)
    from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat

    certificate = _certificate(line, "certificate", section.certificate)
    raw = _read(line, "key", section.key)
    try:
        key = read_key(raw)
    except ValueError:
        raise _refused(
            line, "key", f"{section.key} is no private key without a password; save it as PEM or DER"
        ) from None
    if not belong_together(certificate, key):
        raise _refused(line, "key", f"{section.key} is not the key of {section.certificate}; name the right one")
    server = section.server_certificate
    pinned = None if server is None else _certificate(line, "server_certificate", server).public_bytes(Encoding.DER)
    return Access(
        path=section.path,
        policy=section.security,
        certificate=certificate.public_bytes(Encoding.DER),
        key=key.private_bytes(Encoding.DER, PrivateFormat.PKCS8, NoEncryption()),
        server_certificate=pinned,
        application_uri=application_uri(certificate),
        user=section.user,
        password=_password(line, section.password_file),
    )


def _certificate(line: Path, name: str, file: str) -> Certificate:
    raw = _read(line, name, file)
    try:
        loaded = read_certificate(raw)
    except ValueError:
        raise _refused(line, name, f"{file} is no certificate; save it as PEM or DER") from None
    if loaded.not_valid_after_utc < datetime.now(UTC):
        until = f"{loaded.not_valid_after_utc:%Y-%m-%d}"
        raise _refused(line, name, f"{file} was valid until {until} only; make a new one")
    return loaded


def _password(line: Path, file: str | None) -> str | None:
    if file is None:
        return None
    path = line.parent / file
    raw = _read(line, "password_file", file)
    if path.stat().st_mode & 0o077:
        raise _refused(line, "password_file", f"{file} can be read by others; run chmod 600 {path}")
    lines = raw.decode("utf-8", "replace").splitlines()
    if not lines or not lines[0]:
        raise _refused(line, "password_file", f"{file} is empty; write the password in its first line")
    return lines[0]


def _read(line: Path, name: str, file: str) -> bytes:
    try:
        return (line.parent / file).read_bytes()
    except OSError as error:
        why = f"{file} cannot be read ({error.strerror}); check the path and its permissions"
        raise _refused(line, name, why) from None


def _refused(line: Path, name: str, why: str) -> SettingsError:
    return SettingsError(line, [(f"opcua.{name}", why)])
