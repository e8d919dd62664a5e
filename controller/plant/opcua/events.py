"""Faults as events: one when a fault comes, one when it goes, and a word where it is the first cause of a stop.

An event goes out at the line's object and at the Server, whoever of the two a client listens at. A fault that came and
went between two images and reacts with a warning only may be missed; what stops the line never is.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime

from asyncua import Server, ua
from asyncua.common.event_objects import BaseEvent

from controller.plant.numbers import FAULT_NUMBERS
from controller.plant.opcua.seen import Seen, wall
from controller.plant.opcua.space import EVENT_MEMBERS, EVENT_TYPE, Space
from controller.snapshot import FaultView

SEVERITIES = {"warn": 200, "suspend": 400, "hold": 600, "stop": 600, "abort": 900}
"""Reaction → severity, 1 to 1000, of a fault that comes."""
GONE = 100
SILENT = "controller_silent"


@dataclass(frozen=True, slots=True)
class Change:
    """A fault that came, went, or turned out to be the first cause of a stop."""

    view: FaultView
    came: bool
    first: bool


def changes(before: Mapping[str, FaultView], now: Mapping[str, FaultView]) -> Iterator[Change]:
    """What became of the faults between two images."""
    for name, view in now.items():
        old = before.get(name)
        came = old is None or view.count > old.count or (view.active and not old.active)
        first = view.first and (came or old is None or not old.first)
        if came or first:
            yield Change(view, True, first)
        if not view.active and old is not None and old.active:
            yield Change(view, False, False)
    for name, old in before.items():
        if name not in now and old.active:
            yield Change(old, False, False)


class FaultEvents:
    """The events of one line."""

    def __init__(self, server: Server, space: Space, node: ua.NodeId, line: str) -> None:
        self._server, self._space, self._node, self._line = server, space, node, line
        self._before: dict[str, FaultView] = {}

    async def tell(self, seen: Seen) -> None:
        """Raise what happened since the last image."""
        now = wall(seen.image.wall_ns)
        for change in changes(self._before, seen.faults):
            view = change.view
            text = f"{view.text} ({view.detail})" if view.detail else view.text
            if change.came:
                message = f"{self._line}: stopped: {text}" if change.first else f"{self._line}: {text}"
                await self._raise(view, message, SEVERITIES[view.reaction], change, seen.since(view.since_ns))
            else:
                await self._raise(view, f"{self._line}: gone: {text}", GONE, change, now)
        self._before = seen.faults

    async def silent(self, silent: bool, now: datetime) -> None:
        """The controller has fallen silent, or speaks again."""
        text = "the controller has fallen silent; what is shown is stale" if silent else "the controller speaks again"
        view = FaultView(SILENT, text, "see whether it runs and why not", "warn", "", silent, False, False, 1, 0)
        severity = SEVERITIES["abort"] if silent else GONE
        await self._raise(view, f"{self._line}: {text}", severity, Change(view, silent, False), now)

    async def _raise(self, view: FaultView, message: str, severity: int, change: Change, time: datetime) -> None:
        event = BaseEvent(self._node, message, severity)
        event.EventType = self._space.node(EVENT_TYPE)
        event.EventId = uuid.uuid4().bytes
        event.SourceName = self._line
        event.Time = event.ReceiveTime = time
        values = {
            "Fault": view.name,
            "Code": FAULT_NUMBERS.get(view.name, 0),
            "Reaction": view.reaction,
            "Active": change.came,
            "FirstCause": change.first,
            "WhatToDo": view.mend,
        }
        for name, (type_, _) in EVENT_MEMBERS.items():
            event.add_property(name, values[name], type_)
        for emitter in (self._node, ua.NodeId(ua.ObjectIds.Server)):
            event.emitting_node = emitter
            await self._server.iserver.subscription_service.trigger_event(event)
