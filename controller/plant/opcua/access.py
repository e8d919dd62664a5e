"""The OPC UA server with its security, before anything is shown on it.

Secure unless the line says otherwise: Basic256Sha256 and Aes256Sha256RsaPss, always signed and encrypted; clients by
certificates that a person has accepted, users by name and password with a role. With `anonymous = true` a client that
is trusted may look without a name, over an encrypted connection too, and no more than look.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

from asyncua import Server, ua
from asyncua.common.connection import TransportLimits

from controller import __version__
from controller.plant.image import Desk
from controller.plant.opcua.caller import Caller, Grade, caller
from controller.plant.opcua.door import Door
from controller.plant.opcua.own import WARN_DAYS, Own, certificate_file, own, own_hosts, pki_folder
from controller.plant.opcua.processor import GuardedServer
from controller.plant.opcua.session import GuardedInternals
from controller.plant.opcua.users import Users, users_file
from controller.settings.plant import OPCUA_PORT, OpcUaServerSection
from controller.settings.sections import split_address

__all__ = ["Caller", "Grade", "caller", "secured_server"]

POLICIES = [
    ua.SecurityPolicyType.Basic256Sha256_SignAndEncrypt,
    ua.SecurityPolicyType.Aes256Sha256RsaPss_SignAndEncrypt,
]
CHUNK_BYTES, CHUNKS = 65535, 16
"""A request has at most a megabyte: a client cannot fill the memory."""


async def secured_server(section: OpcUaServerSection, folder: Path, line_names: Sequence[str], desk: Desk) -> Server:
    """A server for these lines, not started yet; paths in the section start at `folder`.

    Its `start` raises OSError where the address cannot be had. Raises PlantError, one line, for certificates or users
    that cannot be used.
    """
    pki = pki_folder(section, folder)
    ours = own(pki, own_hosts(section))
    users = Users(users_file(section, folder))
    _tell(desk, section, ours, pki, users)
    server = GuardedServer(iserver=GuardedInternals(section, Door(pki, users, desk, section.anonymous)))
    server.name = f"beltcue {', '.join(line_names)}"
    server.manufacturer_name, server.product_uri = "beltcue", "urn:beltcue"
    server.application_type = ua.ApplicationType.Server
    await server.init()
    await server.set_application_uri(ours.uri)
    await server.set_build_info(server.product_uri, "beltcue", "beltcue", __version__, __version__, datetime.now(UTC))
    server.iserver.certificate, server.iserver.private_key = ours.certificate, ours.key
    server.set_security_policy(POLICIES)
    server.set_identity_tokens([ua.UserNameIdentityToken, *([ua.AnonymousIdentityToken] if section.anonymous else [])])
    server.limits = TransportLimits(CHUNK_BYTES, CHUNK_BYTES, CHUNKS, CHUNK_BYTES * CHUNKS)
    host, port = split_address(section.address)
    shown = f"[{host}]" if ":" in host else host
    server.set_endpoint(f"opc.tcp://{shown}:{OPCUA_PORT if port is None else port}/beltcue")
    return server


def _tell(desk: Desk, section: OpcUaServerSection, ours: Own, pki: Path, users: Users) -> None:
    """Log what whoever sets the server up must know. Raises PlantError for a users file that cannot be used."""
    until = ours.certificate.not_valid_after_utc
    if ours.made_now:
        desk.tell("info", "certificate made", file=str(certificate_file(pki)), valid_until=f"{until:%Y-%m-%d}")
    elif until - datetime.now(UTC) < timedelta(days=WARN_DAYS):
        desk.tell("warning", "certificate ends soon", file=str(certificate_file(pki)), valid_until=f"{until:%Y-%m-%d}")
    if not users.all() and not section.anonymous:
        desk.tell("warning", "no users", mend="beltcue users LINE.toml add NAME --role view", file=str(users.file))
