"""A connection to the OPC UA server, guarded: who may open a channel, a session, and ask for what.

The order of things: a client proves by its signature that a certificate is its own; the door judges the certificate;
the door judges the user; each request is made for that user, with the rights of the moment. Without encryption a
client may only ask where the encrypted endpoints are.
"""

from __future__ import annotations

import asyncio
import time
from typing import Any

from asyncua import Server, ua
from asyncua.common.utils import ServiceError
from asyncua.crypto.security_policies import SecurityPolicyNone
from asyncua.server.binary_server_asyncio import BinaryServer, OPCUAProtocol
from asyncua.server.uaprocessor import UaProcessor
from asyncua.ua.ua_binary import struct_from_binary, uatcp_to_binary

from controller.plant.opcua.caller import Caller, Grade, asking
from controller.plant.opcua.session import GuardedInternals, GuardedSession, peer_certificate
from controller.plant.opcua.trust import EXPIRED

LONGEST_CHANNEL_MS = 3_600_000
"""A client that asks for longer renews its channel's keys every hour."""
LARGEST_UNREAD_BYTES = 70_000
"""More than one chunk of a message, which is 65535 bytes: whoever sends more of one is no client."""
LARGEST_UNSENT_BYTES = 1_000_000
"""Whoever asks on and on and leaves more than that of the answers unread is cut off."""
KINDS = (b"HEL", b"OPN", b"MSG", b"CLO", b"ERR")
"""How a client's messages begin."""
_CODES = ua.StatusCodes


def _service(name: str) -> ua.NodeId:
    return ua.NodeId(getattr(ua.ObjectIds, f"{name}Request_Encoding_DefaultBinary"))


CREATE, ACTIVATE, CLOSE_CHANNEL = _service("CreateSession"), _service("ActivateSession"), _service("CloseSecureChannel")
DISCOVERY = {_service("GetEndpoints"), _service("FindServers")}
FOR_USERS = {
    _service(name)
    for name in (
        "CloseSession", "Read", "Write", "Browse", "TranslateBrowsePathsToNodeIds", "RegisterNodes", "UnregisterNodes",
        "Call", "CreateSubscription", "ModifySubscription", "DeleteSubscriptions", "SetPublishingMode", "Publish",
        "Republish", "CreateMonitoredItems", "ModifyMonitoredItems", "DeleteMonitoredItems", "SetMonitoringMode",
    )
}  # fmt: skip
"""What a session is for. Others are not served: nodes are made by us only, servers are not registered here, and a
subscription stays with its session."""
OTHERS = {
    _service(name): name
    for name in ("AddNodes", "DeleteNodes", "AddReferences", "DeleteReferences", "RegisterServer", "RegisterServer2")
}
"""What would change something, and is counted when somebody tries."""


class TurnedAwayError(Exception):
    """The connection ends; the client is told the code."""

    def __init__(self, code: int) -> None:
        self.code = code
        super().__init__(code)


class Processor(UaProcessor):  # type: ignore[misc]
    """The protocol on one connection."""

    iserver: GuardedInternals
    session: GuardedSession | None

    def __init__(self, internals: GuardedInternals, transport: Any, limits: Any) -> None:
        super().__init__(internals, transport, limits)
        self._door = internals.door
        self._client = str(self.name[0]) if self.name else "unknown"

    async def process(self, header: Any, body: Any) -> bool:
        """Handle one message; False, or what a client must not do, ends the connection."""
        if self._transport.get_write_buffer_size() > LARGEST_UNSENT_BYTES:
            self._door.refused("answers not read", self._client)
            self._transport.abort()
            return False
        opening = header.MessageType == ua.MessageType.SecureOpen and not self._connection.is_open()
        try:
            return bool(await super().process(header, body))
        except TurnedAwayError as error:
            code = error.code
        except ua.UaError as error:
            code = _CODES.BadSecurityPolicyRejected if opening else _CODES.BadTcpMessageTypeInvalid
            self._door.refused("no encryption" if opening else "broken message", self._client, detail=str(error)[:200])
        except Exception as error:
            # A wrong signature, a message that does not parse: the library would read on.
            code = _CODES.BadSecurityChecksFailed if opening else _CODES.BadTcpMessageTypeInvalid
            self._door.refused("broken message", self._client, detail=f"{type(error).__name__} {error}"[:200])
        self._transport.write(uatcp_to_binary(ua.MessageType.Error, ua.ErrorMessage(ua.StatusCode(code), "")))
        return False

    def open_secure_channel(self, algohdr: Any, seqhdr: Any, body: Any) -> None:
        """Open or renew a channel for a client whose signature was right. Raises TurnedAwayError, UaError."""
        request = struct_from_binary(ua.OpenSecureChannelRequest, body)
        parameters = request.Parameters
        if not self._connection.is_open():
            self._connection.select_policy(
                algohdr.SecurityPolicyURI, algohdr.SenderCertificate, parameters.SecurityMode
            )
        if self._encrypted:
            why = self._door.turns_away(self._certificate(), self._client)
            if why is not None:
                raise TurnedAwayError(
                    _CODES.BadCertificateTimeInvalid if why == EXPIRED else _CODES.BadSecurityChecksFailed
                )
        parameters.RequestedLifetime = min(parameters.RequestedLifetime or LONGEST_CHANNEL_MS, LONGEST_CHANNEL_MS)
        response = ua.OpenSecureChannelResponse()
        response.Parameters = self._connection.open(parameters, self.iserver)
        self.send_response(request.RequestHeader.RequestHandle, seqhdr, response, ua.MessageType.SecureOpen)

    @property
    def _encrypted(self) -> bool:
        return bool(self._connection.security_policy.URI != SecurityPolicyNone.URI)

    def _certificate(self) -> Any:
        return peer_certificate(self._connection.security_policy)

    async def _process_message(self, typeid: Any, requesthdr: Any, seqhdr: Any, body: Any) -> Any:
        if typeid in DISCOVERY or typeid == CLOSE_CHANNEL:
            return await super()._process_message(typeid, requesthdr, seqhdr, body)
        if typeid in OTHERS:
            self._door.refused("not permitted", self._client, asked=OTHERS[typeid])
            raise ServiceError(_CODES.BadServiceUnsupported)
        if not self._encrypted:
            self._door.refused("no encryption", self._client)
            raise ServiceError(_CODES.BadSecurityModeRejected)
        if typeid == CREATE:
            return await self._create(requesthdr, seqhdr, body)
        if typeid == ACTIVATE:
            return await self._activate(requesthdr, seqhdr, body)
        if typeid not in FOR_USERS:
            raise ServiceError(_CODES.BadServiceUnsupported)
        session = self.session
        if session is None or requesthdr.AuthenticationToken != session.auth_token:
            raise ServiceError(_CODES.BadSessionIdInvalid)
        if session.user_name is None:
            raise ServiceError(_CODES.BadSessionNotActivated)
        grade = self._door.grade(session.user_name)
        if grade is Grade.NONE:
            self._door.refused("not permitted", self._client, user=session.user_name, asked="anything: removed since")
            raise ServiceError(_CODES.BadUserAccessDenied)
        with asking(Caller(session.user_name, grade, self._client)):
            return await super()._process_message(typeid, requesthdr, seqhdr, body)

    async def _create(self, requesthdr: Any, seqhdr: Any, body: Any) -> Any:
        if self.session is not None:
            # The library has one session a connection, and would forget about this one without ending it.
            await self.session.close_session()
        if self._session_watchdog_task is not None:
            self._session_watchdog_task.cancel()
        if self.iserver.full:
            self._door.refused("too many sessions", self._client)
            raise ServiceError(_CODES.BadTooManySessions)
        done = await super()._process_message(CREATE, requesthdr, seqhdr, body)
        session: Any = self.session
        session.certificate = self._connection.security_policy.peer_certificate
        session.processor = self
        return done

    async def _activate(self, requesthdr: Any, seqhdr: Any, body: Any) -> Any:
        """Let a user in, on the connection where the session was opened or on a new one of the same client."""
        session: GuardedSession | None = self.iserver.lookup_external_session(requesthdr.AuthenticationToken)
        if session is None or (self.session is not None and self.session is not session):
            raise ServiceError(_CODES.BadSessionIdInvalid)
        if session.certificate != self._connection.security_policy.peer_certificate:
            self._door.refused("another client's session", self._client)
            raise ServiceError(_CODES.BadSecurityChecksFailed)
        who = await self._who(session, struct_from_binary(ua.ActivateSessionParameters, body.copy()).UserIdentityToken)
        if session.processor is not self and who.name != session.user_name:
            raise ServiceError(_CODES.BadIdentityChangeNotSupported)
        with asking(who):
            done = await super()._process_message(ACTIVATE, requesthdr, seqhdr, body)
        if session.processor is not self:
            if session.processor is not None:
                session.processor.leave()
            session.processor = self
        session.user_name = who.name
        return done

    async def _who(self, session: GuardedSession, token: Any) -> Caller:
        """The user that an identity token stands for. Raises ServiceError."""
        if isinstance(token, ua.ExtensionObject) and token.TypeId == ua.NodeId(ua.ObjectIds.Null):
            token = ua.AnonymousIdentityToken()  # what a client sends that means nobody
        if isinstance(token, ua.AnonymousIdentityToken):
            found = self._door.anonymous(self._client)
            code = _CODES.BadIdentityTokenRejected
        elif isinstance(token, ua.UserNameIdentityToken):
            try:
                name, password = self.iserver.decrypt_user_token(session, token)
            except Exception:
                self._door.refused("identity not understood", self._client)
                raise ServiceError(_CODES.BadIdentityTokenInvalid) from None
            found = await self._door.named(name, password, self._client)
            code = _CODES.BadUserAccessDenied
        else:
            self._door.refused("identity not understood", self._client)
            raise ServiceError(_CODES.BadIdentityTokenInvalid)
        if found is None:
            raise ServiceError(code)
        return found

    def leave(self) -> None:
        """End the connection; its session has gone on to another."""
        self.session = None
        self._transport.abort()

    async def _session_watchdog_loop(self) -> None:
        """End the connection when the client has been silent for the session's timeout, or is trusted no more.

        The library would end the session only, and leave the connection of a client that has vanished for ever.
        """
        session: Any = self.session
        timeout_s = session.session_timeout
        certificate = self._certificate()
        while True:
            await asyncio.sleep(min(1.0, timeout_s / 4))
            silent_s = time.monotonic() - (self.session_last_activity or 0.0)
            if silent_s > timeout_s:
                break
            if not self._door.still_trusts(certificate):
                self._door.turns_away(certificate, self._client)
                break
        self._transport.abort()

    async def close(self) -> None:
        """The connection is gone. What subscriptions of it would still send is for nobody."""
        self._publish_requests.clear()
        await super().close()


class _Protocol(OPCUAProtocol):  # type: ignore[misc]
    processor: Processor | None
    _buffer: bytes

    def connection_made(self, transport: Any) -> None:
        super().connection_made(transport)
        if self.processor is not None:
            self.processor = Processor(self.iserver, transport, self.limits)
            self.processor.set_policies(self.policies)
        else:
            self.iserver.door.refused("too many connections", str(self.peer_name[0]))

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        left = self._buffer
        if self.transport is not None and (
            len(left) > LARGEST_UNREAD_BYTES or (len(left) > 2 and left[:3] not in KINDS)
        ):
            # The library would read on, as much as is sent.
            self.iserver.door.refused("broken message", str(self.peer_name[0]), detail="no message of OPC UA")
            self._buffer = b""
            self.transport.abort()

    async def _activation_watchdog(self) -> None:
        await super()._activation_watchdog()
        if self.transport is not None and self.transport.is_closing():
            # The library waits until everything is sent: for ever, where nobody reads it.
            self.transport.abort()


class _Listening(BinaryServer):  # type: ignore[misc]
    def _make_protocol(self) -> _Protocol:
        return _Protocol(self.iserver, self._policies, self.clients, self.closing_tasks, self.limits)


class GuardedServer(Server):  # type: ignore[misc]
    """The library's server with guarded connections."""

    async def start(self) -> None:
        """Listen. Raises OSError where the address cannot be had."""
        await self._setup_server_nodes()
        await self.iserver.start()
        try:
            self.bserver = _Listening(self.iserver, *self._get_bind_socket_info(), self.limits)
            self.bserver.set_policies(self._policies)
            await self.bserver.start()
        except BaseException:
            await self.iserver.stop()
            raise
