"""Clients that vanish, come in crowds or knock without end cost the plant's OPC UA server nothing lasting."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio
from asyncua import Client, ua

from controller.plant.opcua.caller import Caller, Grade
from controller.plant.opcua.session import LONGEST_QUEUE
from tests.unit.papers import Papers, papers
from tests.wire.guarded import Guarded, guarded
from tests.wire.processes import until

pytestmark = pytest.mark.asyncio(loop_scope="module")


@pytest.fixture(scope="module")
def client_papers(tmp_path_factory: pytest.TempPathFactory) -> Papers:
    return papers(tmp_path_factory.mktemp("clients"), "panel")


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def strict(tmp_path_factory: pytest.TempPathFactory, client_papers: Papers) -> AsyncIterator[Guarded]:
    """Few of everything, and a second of silence is too much."""
    limits: dict[str, Any] = {"max_sessions": 3, "max_subscriptions": 4, "session_timeout": "1 s"}
    async with guarded(tmp_path_factory.mktemp("pki"), **limits) as server:
        server.accept(client_papers)
        server.add("vera", "view")
        yield server


class Changes:
    def __init__(self) -> None:
        self.values: list[Any] = []

    def datachange_notification(self, node: Any, value: Any, data: Any) -> None:
        self.values.append(value)


def left(server: Guarded) -> tuple[int, int, int]:
    """Connections, sessions and subscriptions."""
    return len(server.server.bserver.clients), len(server.sessions), len(subscriptions(server))


def subscriptions(server: Guarded) -> Any:
    return server.server.iserver.subscription_service.subscriptions


async def vanish(client: Client) -> None:
    """End a client's tasks and leave its connection open: it neither reads nor says goodbye."""
    protocol = client.uaclient.protocol
    protocol.transport.pause_reading()
    for task in (
        client._supervisor_task,
        client._stale_watchdog_task,
        client._renew_channel_task,
        client.uaclient.session._publish_task,
    ):
        if task is not None:
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task


async def watching(server: Guarded, who: Papers, subscriptions_each: int = 1) -> tuple[Client, Changes]:
    client, changes = await server.client(who, "vera"), Changes()
    await client.connect()
    for _ in range(subscriptions_each):
        subscription = await client.create_subscription(50, changes)
        await subscription.subscribe_data_change(client.get_node(server.value.nodeid))
    await until(lambda: changes.values, "the first value")
    return client, changes


@pytest.mark.parametrize("how", ["dropped", "silent"])
async def test_clients_that_vanish_are_forgotten(strict: Guarded, client_papers: Papers, how: str) -> None:
    gone = [(await watching(strict, client_papers))[0] for _ in range(3)]
    assert left(strict) == (3, 3, 3)
    transports = [client.uaclient.protocol.transport for client in gone]
    for client in gone:
        await vanish(client)
        if how == "dropped":
            client.uaclient.protocol.transport.abort()
    await until(lambda: left(strict) == (0, 0, 0), "all that they had to be given back")
    for transport in transports:
        transport.abort()
    async with asyncio.timeout(20):
        (client, _) = await watching(strict, client_papers)
    await client.disconnect()
    assert left(strict)[1:] == (0, 0)


async def test_too_many_sessions_and_subscriptions_are_refused(strict: Guarded, client_papers: Papers) -> None:
    clients = [(await watching(strict, client_papers))[0] for _ in range(3)]
    await clients[0].create_subscription(50, Changes())
    with pytest.raises(ua.uaerrors.BadTooManySubscriptions):
        await clients[0].create_subscription(50, Changes())
    another = await strict.client(client_papers, "vera")
    with pytest.raises(ua.uaerrors.BadTooManySessions):
        await another.connect()
    assert strict.refusals["too many sessions"] == 1
    for client in clients:
        await client.disconnect()


async def test_too_many_connections_are_refused(strict: Guarded, client_papers: Papers) -> None:
    most = strict.server.iserver.max_connections
    crowd = [await asyncio.open_connection("127.0.0.1", strict.port) for _ in range(most + 2)]
    await until(lambda: strict.refusals["too many connections"] == 2, "two to be refused")
    # Nobody of the crowd says a word, and each is cut off for that.
    await until(lambda: left(strict)[0] == 0, "the crowd to be cut off")
    for _, writer in crowd:
        writer.close()
    async with await strict.client(client_papers, "vera"):
        assert left(strict) == (1, 1, 0)


async def deaf(server: Guarded) -> Client:
    """A client without a session that does not read."""
    client = await server.client(None)
    await client.connect_sessionless()
    client.uaclient.protocol.transport.pause_reading()
    return client


async def test_who_asks_and_does_not_read_is_cut_off(strict: Guarded, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(strict.server.iserver, "max_pending_activation_seconds", 60.0)
    client = await deaf(strict)
    request, asked, transport = ua.GetEndpointsRequest(), [], client.uaclient.protocol.transport
    request.Parameters.EndpointUrl = strict.url

    def asked_on() -> bool:
        if not transport.is_closing():
            asked.append(client.uaclient.protocol._send_request(request))
        return strict.refusals["answers not read"] == 1

    await until(asked_on, "who does not read to be cut off")
    await until(lambda: left(strict) == (0, 0, 0), "nothing to be left of it")
    transport.abort()
    await asyncio.gather(*asked, return_exceptions=True)
    client.disconnect_socket()


async def test_what_nobody_reads_holds_no_connection(strict: Guarded) -> None:
    client = await deaf(strict)
    (served,) = strict.server.bserver.clients
    served.transport.write(bytes(8_000_000))
    await until(lambda: left(strict) == (0, 0, 0), "the connection to be given back")
    client.disconnect_socket()


async def test_queues_are_short_also_when_they_are_changed(strict: Guarded, client_papers: Papers) -> None:
    client = await strict.client(client_papers, "vera")
    await client.connect()
    subscription = await client.create_subscription(50, Changes())
    item = await subscription.subscribe_data_change(client.get_node(strict.value.nodeid), queuesize=0)
    items = subscriptions(strict)[subscription.subscription_id].monitored_item_srv._monitored_items
    assert [i.queue_size for i in items.values()] == [LONGEST_QUEUE]
    for asked, given in ((0, 1), (10**6, LONGEST_QUEUE), (7, 7)):
        parameters = ua.MonitoringParameters(ClientHandle=1, SamplingInterval=50, QueueSize=asked)
        change = ua.MonitoredItemModifyRequest(item, parameters)
        await client.uaclient.modify_monitored_items(
            ua.ModifyMonitoredItemsParameters(subscription.subscription_id, ItemsToModify=[change])
        )
        assert [i.queue_size for i in items.values()] == [given]
    await client.disconnect()


async def test_anonymous_may_look_if_the_line_says_so(tmp_path: Path, client_papers: Papers) -> None:
    async with guarded(tmp_path, anonymous=True) as server:
        server.accept(client_papers)
        async with await server.client(client_papers) as client:
            assert await client.get_node(server.value.nodeid).read_value() == 7
            await client.nodes.objects.call_method(server.method.nodeid)
        assert server.called == [Caller("", Grade.VIEW, "127.0.0.1")]
        plain = Client(server.url)
        with pytest.raises(ua.uaerrors.BadSecurityModeRejected):
            await plain.connect()
