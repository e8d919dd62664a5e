"""Certificates and private keys as they stand in files: PEM or DER, told apart by their first bytes."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.types import PrivateKeyTypes
    from cryptography.x509 import Certificate

_PEM = b"-----"


def read_certificate(raw: bytes) -> Certificate:
    """The certificate in a file's bytes; the first one of several. Raises ValueError when there is none."""
    from cryptography.x509 import load_der_x509_certificate, load_pem_x509_certificate

    return (load_pem_x509_certificate if raw.startswith(_PEM) else load_der_x509_certificate)(raw)


def read_key(raw: bytes) -> PrivateKeyTypes:
    """The private key in a file's bytes. Raises ValueError where there is none, or one behind a password."""
    from cryptography.hazmat.primitives.serialization import load_der_private_key, load_pem_private_key

    try:
        return (load_pem_private_key if raw.startswith(_PEM) else load_der_private_key)(raw, None)
    except TypeError as error:
        raise ValueError("the key is behind a password") from error


def belong_together(certificate: Certificate, key: PrivateKeyTypes) -> bool:
    """Whether the key is the certificate's own."""
    return certificate.public_key() == key.public_key()


def application_uri(certificate: Certificate) -> str | None:
    """The application that an OPC UA certificate names, which must be the one that says hello with it."""
    from cryptography.x509 import ExtensionNotFound, SubjectAlternativeName, UniformResourceIdentifier

    try:
        names = certificate.extensions.get_extension_for_class(SubjectAlternativeName).value
    except (ExtensionNotFound, ValueError):
        return None
    return next(iter(names.get_values_for_type(UniformResourceIdentifier)), None)
