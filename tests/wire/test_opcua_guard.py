"""Who may connect to the plant's OPC UA server, and what they may do there; the client is the library's own."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from typing import Any

import pytest
import pytest_asyncio
from asyncua import ua
from asyncua.crypto import security_policies as policies

from controller.plant.opcua.caller import Caller, Grade
from tests.unit.papers import PASSWORD, Papers, papers
from tests.wire.guarded import Guarded, guarded
from tests.wire.processes import until

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


async def test_an_identity_of_another_kind(running: Guarded, clients: dict[str, Papers]) -> None:
    client = await running.client(clients["known"], "otto")
    await client.load_client_certificate(str(clients["known"].certificate))
    await client.load_private_key(str(clients["known"].key))
    client._username = None
    await refused(running, "identity not understood", client, ua.uaerrors.BadIdentityTokenInvalid)


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


async def bare(running: Guarded, who: Papers, token: ua.NodeId | None = None) -> Any:
    """A client with a channel and no session of its own; it shows the token of another's session."""
    client = await running.client(who)
    await client.connect_socket()
    await client.send_hello()
    await client.open_secure_channel()
    client.uaclient.session.restore_authentication_token(token or ua.NodeId())
    return client


@pytest.mark.parametrize(
    ("who", "user", "password", "error"),
    [
        ("other", "edda", PASSWORD, ua.uaerrors.BadSecurityChecksFailed),
        ("known", "vera", PASSWORD, ua.uaerrors.BadIdentityChangeNotSupported),
        ("known", "edda", "not this one", ua.uaerrors.BadUserAccessDenied),
    ],
)
async def test_a_session_is_not_had_by_its_token(
    running: Guarded, clients: dict[str, Papers], who: str, user: str, password: str, error: Any
) -> None:
    async with await running.client(clients["known"], "edda") as owner:
        token, nonce = owner.uaclient.session.authentication_token, owner._server_nonce
        thief = await bare(running, clients[who], token)
        thief._server_nonce = nonce
        with pytest.raises(error):
            await thief.activate_session(user, password)
        with pytest.raises(ua.uaerrors.BadSessionIdInvalid):
            await thief.get_node(running.value.nodeid).read_value()
        thief.disconnect_socket()
        assert await owner.get_node(running.value.nodeid).read_value() == 7


async def test_another_sessions_token_is_worth_nothing_within_a_session(
    running: Guarded, clients: dict[str, Papers]
) -> None:
    async with (
        await running.client(clients["known"], "edda") as owner,
        await running.client(clients["other"], "vera") as thief,
    ):
        token = thief.uaclient.session.authentication_token
        assert len(token.Identifier) == 32
        thief.uaclient.session.restore_authentication_token(owner.uaclient.session.authentication_token)
        with pytest.raises(ua.uaerrors.BadSessionIdInvalid):
            await thief.get_node(running.value.nodeid).read_value()
        thief.uaclient.session.restore_authentication_token(token)
        assert await thief.get_node(running.value.nodeid).read_value() == 7


async def test_a_client_that_lost_its_connection_comes_back_to_its_session(
    running: Guarded, clients: dict[str, Papers]
) -> None:
    owner = await running.client(clients["known"], "edda")
    await owner.connect()
    subscription = await owner.create_subscription(100, Changes())
    await subscription.subscribe_data_change(owner.get_node(running.value.nodeid))
    session, token, nonce = running.sessions[0], owner.uaclient.session.authentication_token, owner._server_nonce
    back = await bare(running, clients["known"], token)
    back._server_nonce = nonce
    await back.activate_session("edda", PASSWORD)
    assert await back.get_node(running.value.nodeid).read_value() == 7
    # The old connection is of no more use, and its end does not take the session along.
    await until(lambda: len(running.server.bserver.clients) == 1, "the old connection to be ended")
    assert await back.get_node(running.value.nodeid).read_value() == 7
    assert running.sessions == [session]
    await back.uaclient.close_session(True)
    back.disconnect_socket()
    await until(lambda: not running.server.bserver.clients, "the connection to be ended")
    await closed(owner)


class Changes:
    """What a subscription tells; nothing here looks at it."""

    def datachange_notification(self, node: Any, value: Any, data: Any) -> None: ...


async def test_nobody_ends_or_watches_by_another_ones_subscription(
    running: Guarded, clients: dict[str, Papers]
) -> None:
    async with (
        await running.client(clients["known"], "vera") as owner,
        await running.client(clients["other"], "edda") as other,
    ):
        subscription = await owner.create_subscription(100, Changes())
        number = subscription.subscription_id
        gone = ua.StatusCode(ua.StatusCodes.BadSubscriptionIdInvalid)
        assert await other.delete_subscriptions([number]) == [gone]
        item = ua.MonitoredItemCreateRequest(ItemToMonitor=ua.ReadValueId(running.value.nodeid, ua.AttributeIds.Value))
        with pytest.raises(ua.uaerrors.BadSubscriptionIdInvalid):
            await other.uaclient.create_monitored_items(ua.CreateMonitoredItemsParameters(number, ItemsToCreate=[item]))
        with pytest.raises(ua.uaerrors.BadServiceUnsupported):
            await other.uaclient.transfer_subscriptions(ua.TransferSubscriptionsParameters([number]))
        assert list(running.server.iserver.subscription_service.subscriptions) == [number]


async def test_trust_and_users_are_taken_up_as_they_change(running: Guarded, clients: dict[str, Papers]) -> None:
    late = papers(running.folder.parent / "late", "late")
    running.accept(late)
    running.add("lena", "view")
    client = await running.client(late, "lena")
    await client.connect()
    running.called.clear()
    await client.nodes.objects.call_method(running.method.nodeid)
    running.add("lena", "engineer")
    await client.nodes.objects.call_method(running.method.nodeid)
    assert [c.grade for c in running.called] == [Grade.VIEW, Grade.ENGINEER]
    running.users.remove("lena")
    with pytest.raises(ua.uaerrors.BadUserAccessDenied):
        await client.nodes.objects.call_method(running.method.nodeid)
    assert len(running.called) == 2
    await closed(client)
    late_comer = await running.client(late, "vera")
    await late_comer.connect()
    before = running.refusals["unknown certificate"]
    running.trust.remove(next(c for c in running.trust.trusted() if c.subject == "CN=late"))
    await until(lambda: running.refusals["unknown certificate"] > before, "who is trusted no more to be found out")
    await until(lambda: not running.server.bserver.clients, "the client to be cut off")
    await closed(late_comer)


async def test_a_second_session_on_a_connection_ends_the_first(running: Guarded, clients: dict[str, Papers]) -> None:
    client = await bare(running, clients["known"])
    await client.create_session()
    (first,) = running.sessions
    await client.create_session()
    (second,) = running.sessions
    assert first is not second
    await client.activate_session("vera", PASSWORD)
    assert await client.get_node(running.value.nodeid).read_value() == 7
    await closed(client)
    await until(lambda: not running.server.bserver.clients, "the client to be gone")


async def closed(client: Any) -> None:
    """Take apart a client whose connection is gone."""
    with contextlib.suppress(Exception):
        await client.disconnect()


async def test_only_finding_is_served_in_the_open(running: Guarded) -> None:
    client = await running.client(None)
    await client.connect_sessionless()
    before = running.refusals.copy()
    with pytest.raises(ua.uaerrors.BadServiceUnsupported):
        await client.register_server(running.server)
    with pytest.raises(ua.uaerrors.BadSecurityModeRejected):
        await client.get_node(running.value.nodeid).read_value()
    assert len(await client.find_servers()) == 1
    await client.disconnect_sessionless()
    assert running.refusals - before == {"not permitted": 1, "no encryption": 1}


async def test_an_engineer_makes_no_nodes(running: Guarded, clients: dict[str, Papers]) -> None:
    before = running.refusals["not permitted"]
    async with await running.client(clients["known"], "edda") as client:
        with pytest.raises(ua.uaerrors.BadServiceUnsupported):
            await client.nodes.objects.add_variable(2, "Mine", 1)
    assert running.refusals["not permitted"] == before + 1


@pytest.mark.parametrize(
    "sent",
    [
        b"GET / HTTP/1.1\r\n\r\n" * 20,
        b"HELF\xff\xff\xff\xff" + b"\0" * 200_000,
        b"OPNF\x20\x00\x00\x00" + b"\xff" * 24,
        b"MSGF\x18\x00\x00\x00" + b"\0" * 16,
        bytes(range(256)) * 400,
    ],
    ids=["http", "endless", "open", "message", "noise"],
)
async def test_what_is_no_client_is_cut_off(running: Guarded, sent: bytes) -> None:
    reader, writer = await asyncio.open_connection("127.0.0.1", running.port)
    writer.write(sent)
    with contextlib.suppress(ConnectionError):
        async with asyncio.timeout(20):
            await reader.read()
    writer.close()
    with contextlib.suppress(ConnectionError):
        await writer.wait_closed()
    assert len(await (await running.client(None)).connect_and_get_server_endpoints()) == 2
