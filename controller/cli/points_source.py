"""Where `beltcue points` has its values from: the running controller, or the I/O side, where nothing is changed."""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from typing import Any, Protocol

from controller.local_client import LocalClient
from controller.point_values import status_values
from controller.ports import FieldLink, LinkError
from controller.registers import LAYOUT, Command

RETRY_S = 0.2
"""The I/O side is tried again so soon after it did not answer."""


@dataclass(frozen=True, slots=True)
class Seen:
    """What one look brought. `age_ms` is that of all values; None: none has been read so far."""

    values: dict[str, int] = field(default_factory=dict)
    age_ms: float | None = None
    error: str = ""
    """Why the I/O side does not answer now; empty: it does."""
    forced: dict[str, Any] | None = None

    @property
    def note(self) -> str:
        """What is to be said of the values as a whole, if anything is."""
        if self.error:
            return f"the I/O side does not answer: {self.error}"
        layout = self.values.get("layout", LAYOUT)
        if layout != LAYOUT:
            return f"layout is {layout}, and this program speaks {LAYOUT}: wrong address or points?"
        return ""


class Source(Protocol):
    """One of the two."""

    name: str
    """For scripts: "controller" or "io_side"."""
    text: str
    """For people."""

    async def look(self) -> Seen:
        """The values as they are now. Raises NotRunningError when the controller went away."""
        ...

    async def close(self) -> None:
        """Part from it."""
        ...


class FromController:
    """The values that the running controller has of its last exchange."""

    name = "controller"

    def __init__(self, client: LocalClient, address: str) -> None:
        self._client = client
        self.text = f"through the running controller, I/O side at {address}"

    async def look(self) -> Seen:
        """Ask the controller; it answers between two scans."""
        told = self._client.points()
        return Seen(told["values"], told["age_ms"], told["link_error"], told["forced"])

    async def close(self) -> None:
        """Leave the connection to whoever made it: what is forced hangs on it."""


class FromDevice:
    """The values read from the I/O side as nobody; outputs are not known then."""

    name = "io_side"

    def __init__(self, link: FieldLink, address: str) -> None:
        self._link = link
        self.text = f"read from the I/O side at {address}, changing nothing there; no controller is running"
        self._up = False
        self._values: dict[str, int] = {}
        self._read_s: float | None = None
        self._retry_s = 0.0
        self._error = ""

    async def look(self) -> Seen:
        """Exchange once as nobody; what does not answer is tried again in a while."""
        if self._up or time.monotonic() >= self._retry_s:
            await self._exchange()
        age_ms = None if self._read_s is None else round((time.monotonic() - self._read_s) * 1e3, 3)
        return Seen(self._values, age_ms, self._error)

    async def _exchange(self) -> None:
        try:
            if not self._up:
                await self._link.close()
                await self._link.connect()
            status = await self._link.exchange(Command())
        except LinkError as error:
            self._up, self._error, self._retry_s = False, str(error), time.monotonic() + RETRY_S
            return
        self._up, self._error = True, ""
        self._values, self._read_s = status_values(status), time.monotonic()

    async def close(self) -> None:
        """Close the link."""
        await self._link.close()
