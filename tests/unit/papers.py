"""What a client of the OPC UA server shows: a certificate of its own, and a password."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from controller.plant.opcua.users import hashed

PASSWORD = "tea leaves 4 all"
HASHED = hashed(PASSWORD)
URI = "urn:tests:beltcue:client"


@dataclass(frozen=True)
class Papers:
    """A client's certificate and key, in files."""

    certificate: Path
    key: Path


def papers(folder: Path, name: str, *, days: tuple[float, float] = (-1, 30), bits: int = 2048) -> Papers:
    """Make a client's certificate, valid from and until so many days from now."""
    folder.mkdir(exist_ok=True)
    key, now = rsa.generate_private_key(public_exponent=65537, key_size=bits), datetime.now(UTC)
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    made = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now + timedelta(days=days[0]))
        .not_valid_after(now + timedelta(days=days[1]))
        .add_extension(x509.SubjectAlternativeName([x509.UniformResourceIdentifier(URI)]), critical=False)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.CLIENT_AUTH]), critical=False)
        .sign(key, hashes.SHA256())
    )
    files = Papers(folder / f"{name}.der", folder / f"{name}.pem")
    files.certificate.write_bytes(made.public_bytes(Encoding.DER))
    files.key.write_bytes(key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
    return files
