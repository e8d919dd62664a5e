"""One session with an OPC UA server, and the exchanges that go through it, one at a time.

Rules of this file: the library's quirks end here. Nothing of it runs by itself: no watchdog, no reconnection, no task;
the channel is renewed within an exchange. Whatever fails drops the client, and a new one is made for the next
connection, so an answer that comes late meets nobody. Nothing is retried: the next scan is the retry.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import time
from collections.abc import Awaitable, Callable, Sequence
from typing import TypeVar

from asyncua import Client, ua
from asyncua.client.ua_session import UaSession
from asyncua.crypto import security_policies
from asyncua.crypto.uacrypto import CertProperties

from controller.field.opcua_nodes import Found, code_name, find
from controller.node_packing import NodeValue
from controller.node_points import Node, NodeMap
from controller.ports import LinkError
from controller.registers import RING_SIZE
from controller.serial_line import place_text
from controller.settings.opcua_access import Access

Brought = TypeVar("Brought")

STEP_S = 2.0
"""What one step of a connection may take, such as opening the channel; devices are slow at it."""
CONNECT_S = 5.0
"""What a whole connection may take, with looking at the nodes."""
SESSION_MS = 60_000
"""The server forgets our session when it has not heard of us for so long."""
RENEW_SHARE = 0.75
"""The channel is renewed after this share of its lifetime (OPC UA part 4, OpenSecureChannel)."""

REFUSED = {
    "UserAccess": "check opcua.user and its password",
    "Identity": "check opcua.user and its password",
    "Certificate": "let it trust our certificate, and check opcua.security",
    "Security": "let it trust our certificate, and check opcua.security",
    "TooMany": "close other sessions with it, or let it take more",
    "Maximum": "close other sessions with it, or let it take more",
}
"""A part of the status code with which a session is refused → what to do."""

# What goes wrong is told once, by LinkError; the library would print it a second time in words of its own.
for _name in ("asyncua.client", "asyncua.crypto.uacrypto", "asyncua.common.connection"):
    logging.getLogger(_name).setLevel(logging.CRITICAL + 1)


class OpcuaConnection:
    """One session, made anew after anything that failed. `timeout_s` bounds a whole exchange."""

    def __init__(self, access: Access, nodes: NodeMap, host: str, port: int, timeout_s: float) -> None:
        self._access, self._nodes, self._timeout_s = access, nodes, timeout_s
        bracketed = f"[{host}]" if ":" in host else host
        self._url = f"opc.tcp://{bracketed}:{port}{access.path}"
        self._device = f"the I/O side at {place_text(host, port)} (OPC UA)"
        self._client: Client | None = None
        self._renew_at_s = 0.0
        self._found: dict[str, Found] = {}
        self._reading = ua.ReadParameters()
        self.sent_ns = 0
        """When the last exchange's first request left, in monotonic ns."""

    async def connect(self) -> None:
        """Open a session, afresh if one is open, and look at every node.

        Raises LinkError when the server cannot be reached, WrongPointsError when its nodes are not those of the line.
        """
        await self.close()
        client = self._client = Client(self._url, timeout=STEP_S)
        try:
            async with asyncio.timeout(CONNECT_S):
                await self._understood(self._open(client))
                self._found = await find(client.uaclient.session, self._nodes, self._device)
        except (OSError, ua.UaError) as error:
            self.drop()
            raise LinkError(self._unreached(error)) from None
        except BaseException:
            self.drop()
            raise
        self._reading = self._read_request([self._found[node.name] for node in self._nodes.reads])

    async def _open(self, client: Client) -> None:
        access = self._access
        client.name = client.description = "beltcue"
        client.session_timeout = SESSION_MS
        if access.application_uri is not None:
            client.application_uri = access.application_uri
        if access.policy is not None:
            server = access.server_certificate
            await client.set_security(
                getattr(security_policies, f"SecurityPolicy{access.policy}"),
                CertProperties(access.certificate, "der"),
                CertProperties(access.key, "der"),
                server_certificate=None if server is None else CertProperties(server, "der"),
            )
        await client.connect_socket()
        await client.send_hello()
        await client.open_secure_channel()
        self._renew_at_s = time.monotonic() + RENEW_SHARE * client.secure_channel_timeout / 1e3
        await client.create_session()
        await client.activate_session(access.user, access.password)

    def _unreached(self, error: Exception) -> str:
        if isinstance(error, TimeoutError):
            # A server whose certificate is another one cannot read what we send, and keeps silent.
            pinned = "" if self._access.server_certificate is None else ", and opcua.server_certificate"
            return f"{self._device} does not answer: check that it is on, its address and the cable{pinned}"
        if isinstance(error, OSError):
            return f"cannot reach {self._device}: check that it is on and listening, its address and the cable"
        if isinstance(error, ua.UaStatusCodeError):
            code = type(error).__name__
            mend = next((mend for words, mend in REFUSED.items() if words in code), "look at its own diagnosis")
            return f"{self._device} refused the session: {code}: {mend}"
        policy = self._access.policy or "unsecured access"
        return f"{self._device} does not take {policy} ({error}): choose one that it offers as opcua.security"

    async def close(self) -> None:
        """End the session in order where the server answers in time; harmless when there is none."""
        client, self._client = self._client, None
        if client is None:
            return
        try:
            with contextlib.suppress(OSError, ua.UaError):
                async with asyncio.timeout(self._timeout_s):
                    await client.close_session()
                    await client.close_secure_channel()
        finally:
            _abandon(client)

    def drop(self) -> None:
        """Have done with the client at once, whatever it was at."""
        if self._client is not None:
            _abandon(self._client)
            self._client = None

    async def carry(self, work: Callable[[], Awaitable[Brought]]) -> Brought:
        """Do the requests of one exchange, within its time. Raises LinkError, and the client is then gone."""
        client = self._client
        if client is None:
            raise LinkError(f"{self._device} is not connected")
        try:
            async with asyncio.timeout(self._timeout_s):
                if time.monotonic() > self._renew_at_s:
                    await client.open_secure_channel(renew=True)
                    self._renew_at_s = time.monotonic() + RENEW_SHARE * client.secure_channel_timeout / 1e3
                self.sent_ns = time.monotonic_ns()
                return await work()
        except TimeoutError:
            self.drop()
            raise LinkError(
                f"{self._device} did not answer within {self._timeout_s:g} s:"
                " check that it runs, the cable and the timeout"
            ) from None
        except OSError:
            self.drop()
            raise LinkError(
                f"{self._device} closed the connection instead of answering:"
                " check that it runs, how many sessions it takes, and the cable"
            ) from None
        except ua.UaError as error:
            self.drop()
            what = error.__class__.__name__ if isinstance(error, ua.UaStatusCodeError) else str(error)
            raise LinkError(f"{self._device} refused an exchange: {what}: look at its own diagnosis") from None
        except BaseException:
            self.drop()
            raise

    async def write(self, nodes: Sequence[Node], values: Sequence[NodeValue]) -> None:
        """Write nodes in one request, without timestamps, which many servers refuse; within `carry`.

        Raises LinkError unless each is answered good.
        """
        request = ua.WriteParameters()
        for node, value in zip(nodes, values, strict=True):
            found = self._found[node.name]
            assert not isinstance(value, list)
            written = ua.DataValue(found.variant(value), StatusCode=None)
            request.NodesToWrite.append(
                ua.WriteValue(NodeId=found.id, AttributeId=ua.AttributeIds.Value, Value=written)
            )
        answers = await self._understood(self._session().write(request))
        self._count(answers, nodes, "written")
        for node, status in zip(nodes, answers, strict=True):
            if not _is_good(status):
                raise LinkError(
                    f"{self._device} did not take {node}: {code_name(status)}: look at the server's own diagnosis"
                )

    async def read(self) -> list[NodeValue]:
        """Read every node that is read, in one request; within `carry`. Raises LinkError unless each is good."""
        nodes = self._nodes.reads
        answers = await self._understood(self._session().read(self._reading))
        self._count(answers, nodes, "read")
        return [self._value(node, answer) for node, answer in zip(nodes, answers, strict=True)]

    async def look(self, nodes: Sequence[Node]) -> None:
        """Read nodes that are otherwise written, for nothing but the time that it takes; within `carry`."""
        await self._understood(self._session().read(self._read_request([self._found[node.name] for node in nodes])))

    def _session(self) -> UaSession:
        if self._client is None:
            raise LinkError(f"{self._device} is not connected")
        return self._client.uaclient.session

    async def _understood(self, asking: Awaitable[Brought]) -> Brought:
        """Wait for what the library brings. What it makes of a garbled answer can be any exception."""
        try:
            return await asking
        except (OSError, ua.UaError):
            raise
        except Exception as error:
            raise LinkError(
                f"{self._device} sent what cannot be read ({type(error).__name__}): check what stands between"
            ) from None

    def _count(self, answers: Sequence[object], nodes: Sequence[Node], way: str) -> None:
        if len(answers) != len(nodes):
            raise LinkError(
                f"{self._device} had {len(nodes)} nodes {way} and answered for {len(answers)}: "
                "look at the server's own diagnosis"
            )

    def _value(self, node: Node, answer: ua.DataValue) -> NodeValue:
        if not _is_good(answer.StatusCode):
            raise LinkError(
                f"{self._device}: {node} is {code_name(answer.StatusCode)}: look at the server's own diagnosis"
            )
        value = None if answer.Value is None else answer.Value.Value
        if node.kind.is_array:
            if isinstance(value, list) and len(value) == RING_SIZE:
                return value
        elif isinstance(value, int):
            return value
        raise LinkError(f"{self._device}: {node} has no such value any more: wanted is {node.kind}")

    @staticmethod
    def _read_request(nodes: Sequence[Found]) -> ua.ReadParameters:
        request = ua.ReadParameters(TimestampsToReturn=ua.TimestampsToReturn.Neither)
        for found in nodes:
            request.NodesToRead.append(ua.ReadValueId(NodeId=found.id, AttributeId=ua.AttributeIds.Value))
        return request


def _is_good(status: ua.StatusCode | None) -> bool:
    """Whether a value is good and nothing else: not overridden by hand, not clamped, not still under way."""
    return status is None or status.value >> 16 == 0


def _abandon(client: Client) -> None:
    protocol = client.uaclient.protocol
    if protocol is not None and protocol.transport is not None:
        protocol.transport.abort()
    client.disconnect_socket()
