"""Sessions of the OPC UA server that trust nobody: the library's, narrowed.

What the library leaves open and is closed here: names of sessions that can be guessed, subscriptions that anybody may
take over or delete, lifetimes and queues that a client sets as it likes, writing.
"""

from __future__ import annotations

import math
import secrets
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from asyncua import ua
from asyncua.common.utils import ServiceError
from asyncua.crypto import uacrypto
from asyncua.crypto.permission_rules import User, UserRole
from asyncua.server.internal_server import InternalServer
from asyncua.server.internal_session import InternalSession
from asyncua.server.user_managers import UserManager

from controller.plant.opcua.caller import caller
from controller.plant.opcua.door import Door
from controller.settings.plant import OpcUaServerSection

if TYPE_CHECKING:
    from controller.plant.opcua.processor import Processor

LEAST_PUBLISHING_MS = 50.0
"""Values are looked at anew every 100 ms unless the line says otherwise; asking for more costs and tells nothing."""
LONGEST_QUEUE = 100
"""Values that one monitored item holds for a client that does not fetch them."""
LONGEST_UNACKNOWLEDGED = 100
"""Messages that a subscription holds in case the client asks for them again."""
MOST_ITEMS = 5000
"""Monitored items of one subscription: more than a server of a dozen lines has values."""
PENDING_S = 10.0
"""A connection without a session is ended after so long."""
_CODES = ua.StatusCodes


def revised(interval_ms: float, alive: int, life: int, timeout_ms: float) -> tuple[float, int, int]:
    """Publishing interval, keep-alive count and lifetime count as they are given to who asks for these.

    The library lets an abandoned subscription live for as many intervals as both counts together and one more: that
    is no longer than the timeout.
    """
    interval_ms = interval_ms if math.isfinite(interval_ms) else timeout_ms
    # A fifth of the timeout leaves the least that the counts may be: one and three.
    interval_ms = min(max(interval_ms, LEAST_PUBLISHING_MS), timeout_ms / 5)
    most = math.floor(timeout_ms / interval_ms + 1e-9) - 1
    alive = min(most // 4, alive or most)
    return interval_ms, alive, min(max(3 * alive, life), most - alive)


class AsAsked(UserManager):  # type: ignore[misc]
    """Tells the library what the door has decided: whoever asks now may, if anyone does."""

    def get_user(self, *_: Any, **__: Any) -> User | None:
        """The library's user for who asks now; None, a refusal, if nobody does."""
        who = caller()
        return User(role=UserRole.User, name=who.name) if who.grade else None


class GuardedInternals(InternalServer):  # type: ignore[misc]
    """The library's inner server with our sessions and limits."""

    def __init__(self, section: OpcUaServerSection, door: Door) -> None:
        super().__init__(user_manager=AsAsked())
        self.door = door
        self.max_sessions = section.max_sessions
        # Clients that look for endpoints, or come back while their old connection is not known to be dead yet.
        self.max_connections = 2 * section.max_sessions + 10
        self.max_subscriptions = section.max_subscriptions
        self.max_session_timeout_ms = section.session_timeout * 1000
        self.min_session_timeout_ms = 1000.0
        self.max_monitored_item_queue_size = LONGEST_QUEUE
        self.max_unacked_messages_per_subscription = LONGEST_UNACKNOWLEDGED
        self.max_pending_messages_per_connection = 100
        self.max_pending_activation_seconds = min(PENDING_S, section.session_timeout)

    @property
    def full(self) -> bool:
        """Whether no other session may be opened."""
        return len(self._external_sessions) >= self.max_sessions

    def create_session(self, name: Any, user: Any = None, external: bool = False) -> GuardedSession:
        """A session for a client."""
        nobody = User(role=UserRole.Anonymous)
        return GuardedSession(self, self.aspace, self.subscription_service, str(name), user or nobody, external)

    def decrypt_user_token(self, isession: Any, token: Any) -> tuple[str, str]:
        """Name and password; the old padding, which tells an attacker about the key, is not taken."""
        if token.EncryptionAlgorithm == "http://www.w3.org/2001/04/xmlenc#rsa-1_5":
            raise ServiceError(_CODES.BadIdentityTokenInvalid)
        name, password = super().decrypt_user_token(isession, token)
        return name or "", password or ""


class GuardedSession(InternalSession):  # type: ignore[misc]
    """One client's session."""

    def __init__(self, *args: Any) -> None:
        super().__init__(*args)
        if self.external:
            # The library counts: whoever has one name could guess all others.
            self.iserver.unregister_external_session(self)
            self.auth_token = ua.NodeId(secrets.token_bytes(32), 0, ua.NodeIdType.ByteString)
            self.iserver.register_external_session(self)
        self.certificate: bytes | None = None
        """Of the client that opened it; no other may use it."""
        self.user_name: str | None = None
        """Who it belongs to; None until someone was let in."""
        self.processor: Processor | None = None
        """The connection that it is used over."""

    async def write(self, params: Any) -> list[Any]:
        """No client writes anything, whoever it is: what may be asked for is asked for by methods."""
        if not self.external:
            return list(await super().write(params))
        who = caller()
        nodes = [str(v.NodeId) for v in params.NodesToWrite]
        self.iserver.door.refused("not permitted", who.client, user=who.name, asked=f"write {', '.join(nodes)}"[:200])
        return [ua.StatusCode(_CODES.BadUserAccessDenied) for _ in nodes]

    async def create_subscription(self, params: Any, callback: Any, request_callback: Any = None) -> Any:
        """A subscription that ends within the session's timeout once nobody fetches from it."""
        if self.external:
            given = revised(
                params.RequestedPublishingInterval,
                params.RequestedMaxKeepAliveCount,
                params.RequestedLifetimeCount,
                1000.0 * (self.session_timeout or PENDING_S),
            )
            params.RequestedPublishingInterval, params.RequestedMaxKeepAliveCount, params.RequestedLifetimeCount = given
        return await super().create_subscription(params, callback, request_callback)

    def _own(self, subscription: Any) -> Any:
        """A subscription of this session. Raises ServiceError for another's, which is as good as none."""
        found = self.subscription_service.subscriptions.get(subscription)
        if found is None or found.session_id != self.session_id:
            raise ServiceError(_CODES.BadSubscriptionIdInvalid)
        return found

    def _is_own(self, subscription: Any) -> bool:
        try:
            self._own(subscription)
        except ServiceError:
            return False
        return True

    async def create_monitored_items(self, params: Any) -> Any:
        """Watch values, as many as a subscription may have."""
        if self.external:
            items = self._own(params.SubscriptionId).monitored_item_srv
            if len(items._monitored_items) + len(params.ItemsToCreate) > MOST_ITEMS:
                raise ServiceError(_CODES.BadTooManyMonitoredItems)
        return await super().create_monitored_items(params)

    async def modify_monitored_items(self, params: Any) -> Any:
        """Watch them otherwise; the library takes any queue here."""
        if self.external:
            self._own(params.SubscriptionId)
            for item in params.ItemsToModify:
                asked = item.RequestedParameters
                asked.QueueSize = min(max(1, asked.QueueSize), LONGEST_QUEUE)
        return await super().modify_monitored_items(params)

    async def delete_monitored_items(self, params: Any) -> Any:
        """Watch some no more."""
        if self.external:
            self._own(params.SubscriptionId)
        return await super().delete_monitored_items(params)

    async def set_monitoring_mode(self, params: Any) -> Any:
        """Pause some, or go on."""
        if self.external:
            self._own(params.SubscriptionId)
        return await super().set_monitoring_mode(params)

    def modify_subscription(self, params: Any) -> Any:
        """The library changes nothing, and answers what holds."""
        if self.external:
            self._own(params.SubscriptionId)
        return super().modify_subscription(params)

    def republish(self, params: Any) -> Any:
        """A message again that got lost."""
        if self.external:
            self._own(params.SubscriptionId)
        return super().republish(params)

    async def set_publishing_mode(self, params: Any) -> Any:
        """Pause whole subscriptions, or go on."""
        if self.external:
            for subscription in params.SubscriptionIds:
                self._own(subscription)
        return await super().set_publishing_mode(params)

    async def delete_subscriptions(self, ids: list[Any]) -> list[Any]:
        """End subscriptions; those of others are none."""
        if not self.external:
            return list(await super().delete_subscriptions(ids))
        own = [i for i in dict.fromkeys(ids) if self._is_own(i)]
        ended = dict(zip(own, await super().delete_subscriptions(own), strict=True))
        return [ended.get(i, ua.StatusCode(_CODES.BadSubscriptionIdInvalid)) for i in ids]

    def publish(self, acks: Iterable[Any] | None = None) -> tuple[int, list[Any]]:
        """Take acknowledgements of messages; the number of this session's subscriptions, and what became of each."""
        mine = [s for s in self.subscription_service.subscriptions.values() if s.session_id == self.session_id]
        if not mine:
            raise ServiceError(_CODES.BadNoSubscription)
        results = []
        for ack in acks or []:
            own = self._is_own(ack.SubscriptionId)
            if own:
                self._own(ack.SubscriptionId).publish([ack.SequenceNumber])
            results.append(ua.StatusCode(_CODES.Good if own else _CODES.BadSubscriptionIdInvalid))
        return len(mine), results


def peer_certificate(policy: Any) -> Any:
    """The certificate that a secure channel was opened with."""
    return uacrypto.x509_from_der(policy.peer_certificate)
