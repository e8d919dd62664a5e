"""What every link that goes through a connection has of it; the exchange is the link's own."""

from __future__ import annotations

from typing import Generic, Protocol, TypeVar


class Connection(Protocol):
    """One connection to a device, opened anew after anything that failed."""

    sent_ns: int
    """When the last exchange's first request left, in monotonic ns."""

    async def connect(self) -> None:
        """Open it, afresh if it is open. Raises LinkError when the device cannot be reached."""
        ...

    async def close(self) -> None:
        """Close it; harmless when it is not open."""
        ...


Wire = TypeVar("Wire", bound=Connection)


class WiredLink(Generic[Wire]):
    """The rest of a `FieldLink`, by the connection that it goes through."""

    def __init__(self, wire: Wire) -> None:
        self._wire = wire

    @property
    def sent_ns(self) -> int:
        """When the last exchange's first request left, in monotonic ns."""
        return self._wire.sent_ns

    async def connect(self) -> None:
        """Open the connection, afresh if it is open. Raises LinkError when the device cannot be reached."""
        await self._wire.connect()

    async def close(self) -> None:
        """Close the connection; harmless when it is not open."""
        await self._wire.close()
