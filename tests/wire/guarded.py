"""A guarded OPC UA server with one value and one method, and clients with certificates of their own."""

from __future__ import annotations

from collections import Counter
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from asyncua import Client, Server, ua
from asyncua.crypto.security_policies import SecurityPolicyBasic256Sha256

from controller.certificates import read_certificate
from controller.model import Call, Reply
from controller.plant.image import Desk
from controller.plant.opcua.access import caller, secured_server
from controller.plant.opcua.caller import Caller
from controller.plant.opcua.own import certificate_file
from controller.plant.opcua.trust import TrustList, client_of
from controller.plant.opcua.users import Role, User, Users
from controller.settings.plant import OpcUaServerSection
from tests.unit.papers import HASHED, PASSWORD, URI, Papers


@dataclass
class Guarded:
    """A running server, what it told, and who called its method."""

    server: Server
    desk: Desk
    folder: Path
    value: Any
    method: Any
    told: list[tuple[str, str, Mapping[str, str | int | float]]]
    called: list[Caller] = field(default_factory=list)

    @property
    def trust(self) -> TrustList:
        return TrustList(self.folder)

    @property
    def users(self) -> Users:
        return Users(self.folder / "users.json")

    @property
    def refusals(self) -> Counter[str]:
        return self.desk.refusals

    @property
    def sessions(self) -> list[Any]:
        """Those of clients."""
        return list(self.server.iserver._external_sessions.values())

    @property
    def port(self) -> int:
        return int(self.server.bserver.port)

    @property
    def url(self) -> str:
        return f"opc.tcp://127.0.0.1:{self.port}/beltcue"

    def accept(self, who: Papers) -> None:
        """Trust a client, as a person would."""
        self.trust.accept(client_of(who.certificate, read_certificate(who.certificate.read_bytes())))

    def add(self, name: str, role: Role) -> None:
        """Add a user whose password is PASSWORD."""
        self.users.put(User(name=name, role=role, password=HASHED))

    async def client(
        self,
        who: Papers | None,
        user: str | None = None,
        password: str = PASSWORD,
        policy: Any = SecurityPolicyBasic256Sha256,
        mode: Any = ua.MessageSecurityMode.SignAndEncrypt,
    ) -> Client:
        """A client, not connected."""
        client = Client(self.url, timeout=10)
        client.session_timeout = 20_000
        client.application_uri = URI
        if who is not None:
            own = certificate_file(self.folder)
            await client.set_security(policy, who.certificate, who.key, server_certificate=own, mode=mode)
        if user is not None:
            client.set_user(user)
            client.set_password(password)
        return client


async def _give(line: str, call: Call) -> Reply:
    raise AssertionError("nothing here reaches a line")


@asynccontextmanager
async def guarded(folder: Path, **section: Any) -> AsyncIterator[Guarded]:
    """Serve on a free port from `folder`, with [plant.opcua] keys given."""
    told: list[tuple[str, str, Mapping[str, str | int | float]]] = []
    desk = Desk(_give, lambda *event: told.append(event))
    asked = OpcUaServerSection.model_validate({"address": "127.0.0.1", "pki": str(folder), **section})
    server = await secured_server(asked, folder, ["tea"], desk)
    server.set_endpoint("opc.tcp://127.0.0.1:0/beltcue")  # any port that is free
    space = await server.register_namespace("urn:tests")
    value = await server.nodes.objects.add_variable(space, "Value", 7, ua.VariantType.Int32)
    await value.set_writable()
    here = Guarded(server, desk, folder, value, None, told)

    async def press(_parent: ua.NodeId) -> ua.StatusCode:
        here.called.append(caller())
        return ua.StatusCode(ua.StatusCodes.Good)

    here.method = await server.nodes.objects.add_method(space, "Press", press, [], [])
    await server.start()
    try:
        yield here
    finally:
        await server.stop()
