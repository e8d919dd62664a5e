"""Who is let in: the one place where a certificate, a password or anonymity is judged, logged and counted.

Nothing here knows the library; the sessions ask.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from controller.plant.image import Desk, PlantError
from controller.plant.opcua.caller import Caller, Grade
from controller.plant.opcua.tries import Tries
from controller.plant.opcua.trust import UNKNOWN, TrustList
from controller.plant.opcua.users import GRADES, NO_ONES, Users, fits

if TYPE_CHECKING:
    from cryptography.x509 import Certificate

ANONYMOUS = ""
"""The name of a user who gives none."""


class Door:
    """Judges clients and users of one server."""

    def __init__(
        self, pki: Path, users: Users, desk: Desk, anonymous: bool, clock: Callable[[], float] = time.monotonic
    ) -> None:
        """`clock` gives monotonic seconds."""
        self._users, self._desk, self._anonymous, self._clock = users, desk, anonymous, clock
        self._trust = TrustList(pki, lambda file, why: desk.tell("warning", "not trusted", file=str(file), why=why))
        self._tries = Tries()
        self._one_at_a_time = asyncio.Lock()
        self._told = ""

    def refused(self, why: str, client: str, **words: str | int | float) -> None:
        """Log and count something refused to the computer `client`."""
        # Names and messages come from whoever knocks: they write no lines into a log that a person reads.
        shown = {key: _printable(text) if isinstance(text, str) else text for key, text in words.items()}
        self._desk.refused(why, server="opc ua", client=client, **shown)

    def turns_away(self, certificate: Certificate, client: str) -> str | None:
        """Why a client that has proven to own this certificate may not connect; logged, counted and kept."""
        why = self._trust.refusal(certificate)
        if why is None:
            return None
        words = {"subject": certificate.subject.rfc4514_string()[:200]}
        if why == UNKNOWN:
            try:
                words["fingerprint"] = self._trust.keep(certificate)[:16]
            except OSError as error:
                words["not_kept"] = str(error)
        else:
            words["valid_until"] = f"{certificate.not_valid_after_utc:%Y-%m-%d}"
        self.refused(why, client, **words)
        return why

    def still_trusts(self, certificate: Certificate) -> bool:
        """Whether a client that is connected may stay."""
        return self._trust.refusal(certificate) is None

    def grade(self, name: str) -> Grade:
        """What a user who was let in may do now; the file may have changed since."""
        if name == ANONYMOUS:
            return Grade.VIEW if self._anonymous else Grade.NONE
        try:
            user = self._users.all().get(name)
        except PlantError as error:
            self._tell(str(error))
            return Grade.NONE
        return Grade.NONE if user is None else GRADES[user.role]

    def anonymous(self, client: str) -> Caller | None:
        """Let someone in who gives no name; None if that is not wanted."""
        if not self._anonymous:
            self.refused("anonymous not allowed", client)
            return None
        return Caller(ANONYMOUS, Grade.VIEW, client)

    async def named(self, name: str, password: str, client: str) -> Caller | None:
        """Let a user in who gives a password; None if it is not the right one, or was tried too often."""
        async with self._one_at_a_time:
            wait_s = self._tries.wait_s(client, self._clock())
            if wait_s > 0:
                self.refused("too many tries", client, user=name[:64], wait_s=round(wait_s))
                return None
            try:
                user = self._users.all().get(name)
            except PlantError as error:
                self._tell(str(error))
                self.refused("users file unusable", client, user=name[:64])
                return None
            # In a thread, which leaves the interpreter free; one at a time, so that knocking takes one core at most.
            right = await asyncio.to_thread(fits, password[:1024], NO_ONES if user is None else user.password)
            if user is None or not right:
                self._tries.wrong(client, self._clock())
                self.refused("unknown user" if user is None else "wrong password", client, user=name[:64])
                return None
            self._tries.right(client)
        return Caller(user.name, GRADES[user.role], client)

    def _tell(self, text: str) -> None:
        if text != self._told:
            self._desk.tell("warning", "users file unusable", why=text)
            self._told = text


def _printable(text: str) -> str:
    return "".join(sign if sign.isprintable() else "·" for sign in text)
