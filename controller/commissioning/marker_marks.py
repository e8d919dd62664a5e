"""One test mark from looks at the marker's signals: when each of them changed, and what was out of order. Pure.

A signal is only known at the looks, so that a change lies between two of them: times are bounds, from the earliest to
the latest that it can have been. Instants in s.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from controller.link_figures import Array

Flags = NDArray[np.bool_]


class Times(StrEnum):
    """The times of a mark, by what they go from and to."""

    READY_OFF = "ready_off"
    """Trigger to ready off."""
    RESPONSE = "response"
    """Trigger to busy."""
    MARK = "mark"
    """Trigger to done: the marker's response and its mark time."""
    BUSY = "busy"
    """Busy to not busy."""
    REARM = "rearm"
    """Done to ready for the next."""
    CYCLE = "cycle"
    """Trigger to ready for the next."""


class Wrong(StrEnum):
    """What was out of order in a mark."""

    NOT_RELEASED = "no trigger"
    FAULT = "marker fault"
    READY_STAYED = "ready stayed on"
    READY_LATE = "ready drops late"
    NEVER_BUSY = "busy never seen"
    STAYED_BUSY = "busy stayed on"
    NEVER_DONE = "done never came"
    DONE_TWICE = "done came more than once"
    READY_EARLY = "ready before done"
    NEVER_READY = "ready never came back"


@dataclass(frozen=True, slots=True)
class Looks:
    """All looks around one mark: from before the order until all is over or was waited for in vain.

    `triggered`: the I/O side shows that it triggered the marker. `ordered`: the exchange of that look, or one before,
    carried the order; `next_to`: no exchange was missed since the look before. `done` counts marks reported complete.
    None: the line has no such signal.
    """

    t_s: Array
    triggered: Flags
    ordered: Flags
    next_to: Flags
    fault: Flags
    ready: Flags | None = None
    busy: Flags | None = None
    done: NDArray[np.int64] | None = None

    def __len__(self) -> int:
        return len(self.t_s)


@dataclass(frozen=True, slots=True)
class Between:
    """An instant or a time between two bounds, in s."""

    low: float
    high: float

    @property
    def middle(self) -> float:
        """The middle of the two."""
        return 0.5 * (self.low + self.high)

    @property
    def half(self) -> float:
        """Half of what lies between them."""
        return 0.5 * (self.high - self.low)

    def since(self, earlier: Between) -> Between:
        """The time from an instant to this one, which came no earlier."""
        return Between(max(0.0, self.low - earlier.high), max(0.0, self.high - earlier.low))


@dataclass(frozen=True, slots=True)
class Mark:
    """One mark: its times where they are known, and what was out of order."""

    times: dict[Times, Between]
    wrong: tuple[Wrong, ...]


def mark_of(looks: Looks, exchange_s: float, late_s: float = 0.0) -> Mark:
    """Judge one mark; an exchange takes `exchange_s` at the most.

    `late_s`: so late a device with a scan of its own may show inputs and set outputs, or a look be dated.
    """
    trigger = _trigger(looks, exchange_s, late_s)
    if trigger is None:
        faulty = (Wrong.FAULT,) if looks.fault.any() else ()
        return Mark({}, (Wrong.NOT_RELEASED, *faulty))
    first, ready, busy = int(np.argmax(looks.triggered)), looks.ready, looks.busy
    # A quick mark may be done with the look that shows its trigger: what counts is the look before.
    more = None if looks.done is None else looks.done - looks.done[max(0, first - 1)]

    def changed(is_so: Flags | None, since: Between | None, at: int | None = None) -> Between | None:
        """When a signal became so after an instant that the look `at` has seen; None: the first look after it."""
        return None if is_so is None or since is None else _change(looks, is_so, since, at, late_s)

    ready_off = changed(None if ready is None else ~ready, trigger, first)
    ready_on = changed(ready, ready_off)
    busy_on = changed(busy, trigger, first)
    busy_off = changed(None if busy is None else ~busy, busy_on)
    done = changed(None if more is None else more > 0, trigger, first)
    times = {
        name: to.since(since)
        for name, since, to in (
            (Times.READY_OFF, trigger, ready_off),
            (Times.RESPONSE, trigger, busy_on),
            (Times.MARK, trigger, done),
            (Times.BUSY, busy_on, busy_off),
            (Times.REARM, done, ready_on),
            (Times.CYCLE, trigger, ready_on),
        )
        if since is not None and to is not None
    }
    wrong = [
        (Wrong.FAULT, bool(looks.fault[first:].any())),
        (Wrong.READY_STAYED, ready is not None and ready_off is None),
        (Wrong.READY_LATE, ready_off is not None and ready_off.low > trigger.high),
        (Wrong.NEVER_READY, ready_off is not None and ready_on is None),
        (Wrong.NEVER_BUSY, busy is not None and busy_on is None),
        (Wrong.STAYED_BUSY, busy_on is not None and busy_off is None),
        (Wrong.NEVER_DONE, more is not None and done is None),
        (Wrong.DONE_TWICE, more is not None and int(more[-1]) > 1),
        (Wrong.READY_EARLY, done is not None and ready_on is not None and ready_on.high < done.low),
    ]
    return Mark(times, tuple(what for what, true in wrong if true))


def _trigger(looks: Looks, exchange_s: float, late_s: float) -> Between | None:
    """When the marker was triggered: not before the exchange that carried the order."""
    if not looks.triggered.any():
        return None
    n = int(np.argmax(looks.triggered))
    high = float(looks.t_s[n])
    low = float(looks.t_s[n - 1]) if n else high - exchange_s
    if n and looks.next_to[n] and not looks.ordered[n - 1]:
        low = max(low, high - exchange_s)
    return Between(low, high + late_s)


def _change(looks: Looks, is_so: Flags, since: Between, at: int | None, late_s: float) -> Between | None:
    first = int(np.searchsorted(looks.t_s, since.high)) if at is None else at
    after = np.flatnonzero(is_so[first:])
    if not len(after):
        return None
    n = first + int(after[0])
    low = since.low if n == first else max(since.low, float(looks.t_s[n - 1]) - late_s)
    return Between(low, float(looks.t_s[n]))
