"""Who may connect to the plant's OPC UA server, and what they may do there; the client is the library's own."""

from __future__ import annotations

from collections.abc import AsyncIterator
from typing import Any

import pytest
import pytest_asyncio
from asyncua import ua
from asyncua.crypto import security_policies as policies

from controller.plant.opcua.caller import Caller, Grade
from tests.wire.guarded import Guarded, Papers, guarded, papers

pytestmark = pytest.mark.asyncio(loop_scope="module")


@pytest.fixture(scope="module")
def clients(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Papers]:
    folder = tmp_path_factory.mktemp("clients")
    return {
        "known": papers(folder, "known"),
        "other": papers(folder, "other"),
        "unknown": papers(folder, "unknown"),
        "expired": papers(folder, "expired", days=(-30, -1)),
        "early": papers(folder, "early", days=(1, 30)),
    }


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def running(tmp_path_factory: pytest.TempPathFactory, clients: dict[str, Papers]) -> AsyncIterator[Guarded]:
    async with guarded(tmp_path_factory.mktemp("pki"), session_timeout="20 s") as server:
        for name in ("known", "other", "expired", "early"):
            server.accept(clients[name])
        server.add("vera", "view")
        server.add("otto", "operate")
        server.add("edda", "engineer")
        yield server


@pytest.mark.parametrize("policy", [policies.SecurityPolicyBasic256Sha256, policies.SecurityPolicyAes256Sha256RsaPss])
async def test_user_reads_and_calls(running: Guarded, clients: dict[str, Papers], policy: Any) -> None:
    async with await running.client(clients["known"], "otto", policy=policy) as client:
        assert await client.get_node(running.value.nodeid).read_value() == 7
        running.called.clear()
        await client.nodes.objects.call_method(running.method.nodeid)
    assert running.called == [Caller("otto", Grade.OPERATE, "127.0.0.1")]


@pytest.mark.parametrize("user", ["vera", "otto", "edda"])
async def test_nobody_writes(running: Guarded, clients: dict[str, Papers], user: str) -> None:
    before = running.refusals["not permitted"]
    async with await running.client(clients["known"], user) as client:
        with pytest.raises(ua.uaerrors.BadUserAccessDenied):
            await client.get_node(running.value.nodeid).write_value(8, ua.VariantType.Int32)
    assert await running.value.read_value() == 7
    assert running.refusals["not permitted"] == before + 1


async def refused(running: Guarded, why: str, client: Any, error: Any) -> None:
    """Connecting fails with the error, is counted once under the reason and logged."""
    before, logged = running.refusals.copy(), len(running.told)
    with pytest.raises(error):
        await client.connect()
    assert running.refusals - before == {why: 1}
    level, what, words = running.told[logged]
    assert (level, what, words["why"], words["client"]) == ("warning", "refused", why, "127.0.0.1")


async def test_wrong_password(running: Guarded, clients: dict[str, Papers]) -> None:
    client = await running.client(clients["known"], "otto", "not this one")
    await refused(running, "wrong password", client, ua.uaerrors.BadUserAccessDenied)


async def test_unknown_user(running: Guarded, clients: dict[str, Papers]) -> None:
    client = await running.client(clients["known"], "nobody")
    await refused(running, "unknown user", client, ua.uaerrors.BadUserAccessDenied)


async def test_anonymous(running: Guarded, clients: dict[str, Papers]) -> None:
    client = await running.client(clients["known"])
    await refused(running, "anonymous not allowed", client, ua.uaerrors.BadIdentityTokenRejected)


async def test_plain_text(running: Guarded) -> None:
    client = await running.client(None, "otto")
    await refused(running, "no encryption", client, ua.uaerrors.BadSecurityModeRejected)


async def test_unknown_certificate(running: Guarded, clients: dict[str, Papers]) -> None:
    client = await running.client(clients["unknown"], "otto")
    await refused(running, "unknown certificate", client, (ua.UaError, ConnectionError, TimeoutError))
    assert [c.subject for c in running.trust.rejected()] == ["CN=unknown"]


@pytest.mark.parametrize("name", ["expired", "early"])
async def test_out_of_date_although_trusted(running: Guarded, clients: dict[str, Papers], name: str) -> None:
    client = await running.client(clients[name], "otto")
    await refused(running, "expired certificate", client, (ua.UaError, ConnectionError, TimeoutError))


async def test_signed_only(running: Guarded, clients: dict[str, Papers]) -> None:
    client = await running.client(clients["known"], "otto", mode=ua.MessageSecurityMode.Sign)
    await refused(running, "no encryption", client, (ua.UaError, ConnectionError, TimeoutError))


async def test_endpoints_are_told_in_the_open(running: Guarded) -> None:
    client = await running.client(None)
    found = await client.connect_and_get_server_endpoints()
    assert {(e.SecurityPolicyUri.rsplit("#")[1], e.SecurityMode.name) for e in found} == {
        ("Basic256Sha256", "SignAndEncrypt"),
        ("Aes256_Sha256_RsaPss", "SignAndEncrypt"),
    }
    assert all([t.TokenType.name for t in e.UserIdentityTokens] == ["UserName"] for e in found)
