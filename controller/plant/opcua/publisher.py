"""Writes a line's values into the address space, and only those whose value or status has changed.

Timestamps: SourceTimestamp is the wall time at which the value that stands there was acquired: of the scan, less the
age of the I/O side's answer where it comes from there. It moves when value or status changes. ServerTimestamp is when
the value was last looked at and found to be still so; it moves with every publication.

Status: Good; UncertainNoCommunicationLastUsableValue where a value comes from the I/O side and that does not answer;
UncertainLastUsableValue for every value when the controller itself has fallen silent.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

from asyncua import Server, ua

from controller.plant.opcua.seen import WAITING, Bad, Point, Seen, wall

_CODES = ua.StatusCodes


class Publisher:
    """One line's values."""

    def __init__(self, server: Server, values: Sequence[tuple[ua.NodeId, Point]]) -> None:
        self._server = server
        self._slots = [_Slot(node, point) for node, point in values]
        self.written = 0
        """How many values were written since it was made."""

    async def begin(self) -> None:
        """Say of every value that there is none yet."""
        now = datetime.now(UTC)
        for slot in self._slots:
            await self._write(slot, WAITING, 0, now, now)

    async def publish(self, seen: Seen, now: datetime) -> None:
        """Write what has changed; `now` is the wall clock."""
        scanned = wall(seen.image.wall_ns)
        age_ns = seen.snapshot.status_age_ns
        acquired = wall(seen.image.wall_ns - (age_ns or 0))
        io_status = _CODES.UncertainNoCommunicationLastUsableValue if seen.stale else _CODES.Good
        for slot in self._slots:
            value: Any
            if not slot.acquired:
                value, status = slot.get(seen), _CODES.Good
            elif age_ns is None:
                value, status = WAITING, _CODES.Good
            else:
                value, status = slot.get(seen), io_status
            slot.data.ServerTimestamp = now
            if value != slot.value or status != slot.status:
                await self._write(slot, value, status, acquired if slot.acquired else scanned, now)

    async def silent(self, now: datetime) -> None:
        """The controller has fallen silent: every value stands as it was last seen, and says so."""
        for slot in self._slots:
            slot.data.ServerTimestamp = now
            if not isinstance(slot.value, Bad) and slot.status != _CODES.UncertainLastUsableValue:
                then = slot.data.SourceTimestamp
                await self._write(slot, slot.value, _CODES.UncertainLastUsableValue, then, now)

    async def _write(self, slot: _Slot, value: Any, status: int, source: datetime, now: datetime) -> None:
        slot.value, slot.status = value, status
        if isinstance(value, Bad):
            data = _Kept(ua.Variant(), ua.StatusCode(value.code), source, now)
        else:
            variant = ua.Variant(value, slot.type, is_array=slot.array)
            data = _Kept(variant, ua.StatusCode(status), source, now)
        slot.data = data
        self.written += 1
        (await self._server.iserver.aspace.write_attribute_value(slot.node, ua.AttributeIds.Value, data)).check()


class _Kept(ua.DataValue):  # type: ignore[misc]
    """A value that is replaced, never changed but for the time of the last look, and so need not be copied.

    The library copies a value deeply for each subscriber: four fifths of all that publishing costs.
    """

    __slots__ = ()

    def __deepcopy__(self, _: object) -> _Kept:
        return self


class _Slot:
    """A value's node, and what stands there."""

    __slots__ = ("acquired", "array", "data", "get", "node", "status", "type", "value")

    def __init__(self, node: ua.NodeId, point: Point) -> None:
        self.node, self.type, self.array = node, point.type, point.array
        self.get, self.acquired = point.get, point.acquired
        self.value: Any = WAITING
        self.status = 0
        self.data = _Kept()
