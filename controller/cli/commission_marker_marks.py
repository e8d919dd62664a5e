"""Making test marks through the running controller, and looking at the marker's signals meanwhile."""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum
from itertools import accumulate, pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from controller.cli.common import RefusedError, who
from controller.commissioning.marker_marks import Looks
from controller.commissioning.series import dated
from controller.registers import RING_SIZE, AckResult, ReleaseResult

if TYPE_CHECKING:
    from controller.local_client import LocalClient
    from controller.settings.line import LineConfig
    from controller.settings.sections import StationSection

U16 = 1 << 16
WAIT_S = 2.0
"""Beyond what is set, the trigger and then the end of a mark are waited for so long."""
WAIT_TIMES = 3.0
"""A mark may take so many times what is set until it is waited for in vain."""
LOOKS_AFTER = 2


@dataclass(frozen=True, slots=True)
class Names:
    """The names of a marker's signals among the line's points; None: the line has no such point."""

    ready: str | None
    busy: str | None
    fault: str | None
    done: str | None
    trigger: str | None
    """The output that triggers it, of a plain device; None: the field block tells of releases."""


def names_of(config: LineConfig, number: int) -> Names:
    """The signals of the line's `number`th station, from 1."""
    from controller.point_list import listed

    there, n = {point.key for point in listed(config)}, number - 1
    words = ("ready", "busy", "fault", "done")
    if config.plain is not None:
        found: list[str] = [f"station.{n}.{word}" for word in words]
    elif n == 0:
        found = ["bits.marker_ready", "bits.marker_busy", "bits.marker_fault", "done_total"]
    else:
        found = [f"station.{n}.{word}" for word in (*words[:3], "done_total")]
    trigger = f"station.{n}.trigger" if config.plain is not None else None
    ready, busy, fault, done = (name if name in there else None for name in found)
    return Names(ready, busy, fault, done, trigger)


class Marking:
    """Makes marks at one station of a running line."""

    def __init__(self, client: LocalClient, config: LineConfig, station: StationSection, names: Names) -> None:
        self._client, self._names, self._station = client, names, station.name
        spec = config.spec()
        self._look_s = 0.5 * spec.period_s
        self._begin_s = spec.limits.enable_s + spec.limits.stop_s + WAIT_S
        self._end_s = WAIT_TIMES * (station.response + station.mark_time + station.rearm) + WAIT_S
        self._seen: list[dict[str, int]] = []
        self._t_s: list[float] = []

    def mark(self) -> tuple[Looks, dict[str, Any]]:
        """Make one mark; gives the looks at it, and the same as raw data. Raises RefusedError, NotRunningError."""
        self._seen, self._t_s = [], []
        self._look()
        refused = self._client.call("test-mark", who(), self._station)
        if refused is not None:
            raise RefusedError(f"refused: {refused}")
        deadline_s, over = time.monotonic() + self._begin_s, 0
        told = False
        while time.monotonic() < deadline_s and over < LOOKS_AFTER:
            time.sleep(self._look_s)
            if not self._look():
                continue
            if not told and self._triggered()[-1]:
                told, deadline_s = True, time.monotonic() + self._end_s
            over += told and self._over()
        return self._looks(), self._raw()

    def _look(self) -> bool:
        """Look once; whether the controller has read the I/O side anew since. Raises RefusedError, NotRunningError."""
        told = self._client.points()
        values, age_ms = told["values"], told["age_ms"]
        if told["link_error"] or age_ms is None:
            raise RefusedError(f"the I/O side does not answer: {told['link_error'] or 'nothing was read'}")
        before = self._seen[-1] if self._seen else None
        beat = "command.heartbeat"
        if before is not None and before.get(beat) == values.get(beat):
            return False
        self._t_s.append(time.monotonic() - age_ms * 1e-3)
        self._seen.append(values)
        return True

    def _over(self) -> bool:
        """Whether the mark is done with by all signals there are, and the controller has let enable go."""
        last, names = self._seen[-1], self._names
        return (
            not last.get("control.enable", 0)
            and (names.trigger is None or not last[names.trigger])
            and (names.ready is None or bool(last[names.ready]))
            and (names.busy is None or not last[names.busy])
            and (names.done is None or self._done()[-1] > 0)
        )

    def _triggered(self) -> list[bool]:
        """At each look, whether the I/O side has triggered the marker since the first."""
        name = self._names.trigger
        if name is not None:
            # What a plain device is written comes after what was read in the same exchange.
            return [False, *(n > 0 for n in self._rises(name)[:-1])]
        total = self._seen[0]["release_total"]
        return [_released(values, total) for values in self._seen]

    def _done(self) -> list[int]:
        """At each look, how many marks have been reported complete since the first."""
        name, first = self._names.done, self._seen[0]
        if name is None:
            return [0] * len(self._seen)
        if self._names.trigger is None:
            return [(values[name] - first[name]) % U16 for values in self._seen]
        return self._rises(name)

    def _rises(self, name: str) -> list[int]:
        """At each look, how often a signal has gone on since the first."""
        levels = [bool(values[name]) for values in self._seen]
        return list(accumulate([0, *(int(now and not before) for before, now in pairwise(levels))]))

    @property
    def dated(self) -> bool:
        """Whether the I/O side's own clock dates its samples."""
        return all("sample_us" in values for values in self._seen)

    def _looks(self) -> Looks:
        names, seen = self._names, self._seen
        token, beat = "command.order_token", "command.heartbeat"
        beats = [values.get(beat, 0) for values in seen]

        def flags(name: str | None) -> Any:
            return None if name is None else np.array([bool(values[name]) for values in seen], bool)

        fault = flags(names.fault)
        return Looks(
            t_s=np.array(dated([values["sample_us"] for values in seen]) if self.dated else self._t_s, np.float64),
            triggered=np.array(self._triggered(), bool),
            ordered=np.array([values.get(token) != seen[0].get(token) for values in seen], bool),
            next_to=np.array([False, *((b - a) % U16 == 1 for a, b in pairwise(beats))], bool),
            fault=np.zeros(len(seen), bool) if fault is None else fault,
            ready=flags(names.ready),
            busy=flags(names.busy),
            done=None if names.done is None else np.array(self._done(), np.int64),
        )

    def _raw(self) -> dict[str, Any]:
        looks = self._looks()
        return {
            name: None if (value := getattr(looks, name)) is None else value
            for name in ("t_s", "triggered", "ordered", "next_to", "fault", "ready", "busy", "done")
        } | {"answer": self._answer()}

    def _answer(self) -> str:
        """What the I/O side says of the order, in words."""
        first, last = self._seen[0], self._seen[-1]
        if self._names.trigger is not None or last.get("command.order_token") == first.get("command.order_token"):
            return "the trigger was never set" if self._names.trigger is not None else "the order was never given"
        if last["release_total"] != first["release_total"]:
            return _named(ReleaseResult, last[f"releases.{(last['release_total'] - 1) % RING_SIZE}.result"])
        return _named(AckResult, last["ack_result"])


def _named(words: type[IntEnum], value: int) -> str:
    found = next((word.name.lower().replace("_", " ") for word in words if word == value), f"result {value}")
    return f"the I/O side says: {found}"


def _released(values: Mapping[str, int], total_before: int) -> bool:
    """Whether a release that was made is the newest of the ring."""
    total = values["release_total"]
    return total != total_before and values[f"releases.{(total - 1) % RING_SIZE}.result"] == ReleaseResult.RELEASED
