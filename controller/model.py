"""The words of the line as values: states, modes, fates, calls and their answers, and the sums of a run.

What a scan reports stands in `events`, what goes into it and comes out in `outcome`, what the outside sees in
`snapshot`. All times are monotonic nanoseconds that were handed in.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum, StrEnum
from typing import TypeVar

Kept = TypeVar("Kept")


def ordinary(cls: type[Kept]) -> type[Kept]:
    """Keep a class an ordinary one in a compiled core, which cannot unpickle frozen values of its own classes."""
    return cls


class State(IntEnum):
    """The PackML states with the numbers of ISA-TR88.00.02."""

    CLEARING = 1
    STOPPED = 2
    STARTING = 3
    IDLE = 4
    SUSPENDED = 5
    EXECUTE = 6
    STOPPING = 7
    ABORTING = 8
    ABORTED = 9
    HOLDING = 10
    HELD = 11
    UNHOLDING = 12
    SUSPENDING = 13
    UNSUSPENDING = 14
    RESETTING = 15
    COMPLETING = 16
    COMPLETE = 17


class Mode(IntEnum):
    """The PackML unit modes."""

    PRODUCTION = 1
    MAINTENANCE = 2
    MANUAL = 3


class Fate(StrEnum):
    """How a mark request ended; PENDING has not ended."""

    PENDING = "pending"
    MARKED = "marked"
    DRY = "dry"
    MISSED = "missed"


class Miss(StrEnum):
    """Why a mark was missed."""

    LATE = "late"
    BUSY = "busy"
    NOT_READY = "not_ready"
    TOO_FAST = "too_fast"
    FULL = "full"
    NOT_PERMITTED = "not_permitted"
    VOID = "void"
    UNCONFIRMED = "unconfirmed"


class ProductFate(StrEnum):
    """How a product ended; IN_FLIGHT has not ended."""

    IN_FLIGHT = "in_flight"
    MARKED = "marked"
    PART_MARKED = "part_marked"
    UNMARKED = "unmarked"
    UNKNOWN = "unknown"


class FaultPhase(StrEnum):
    """What happened to a fault."""

    RAISED = "raised"
    CLEARED = "cleared"
    ACKNOWLEDGED = "acknowledged"


@ordinary
@dataclass(frozen=True, slots=True)
class Call:
    """Something a person or the plant asks of the controller.

    `verb` is a PackML command (start, stop, reset, hold, unhold, suspend, unsuspend, complete, abort,
    clear) or one of mode, acknowledge, reset-counters, local, remote, test-mark, line-clear, force, unforce. `source`
    is "local" or "plant". `argument` is the mode's name, the fault's name, the station's number or "output=1".
    """

    verb: str
    who: str
    source: str = "local"
    argument: str = ""


class Refusal(StrEnum):
    """Why a call is refused, for whoever asks by machine; the words are in `Reply.reason`."""

    STATE = "state"
    """The state or the mode does not take it."""
    PLACE = "place"
    """The line is set to be commanded from elsewhere."""
    CAUSE = "cause"
    """The state would take it, but something that is present forbids it."""
    ARGUMENT = "argument"
    """There is no such command, or nothing of the name that was given."""


@ordinary
@dataclass(frozen=True, slots=True)
class Reply:
    """The answer to a `Call`: accepted, or refused with the reason and no change."""

    call: Call
    accepted: bool
    reason: str = ""
    kind: Refusal | None = None
    """None where it was accepted, and where the line has ended."""


@dataclass(slots=True)
class Counters:
    """Sums over a run. They always balance (`balanced`); anything else is a defect of ours."""

    detected: int = 0
    products: dict[ProductFate, int] = field(
        default_factory=lambda: {f: 0 for f in ProductFate if f is not ProductFate.IN_FLIGHT}
    )
    created: int = 0
    marked: int = 0
    dry: int = 0
    missed: dict[Miss, int] = field(default_factory=lambda: dict.fromkeys(Miss, 0))
    test_marks: int = 0

    def copy(self) -> Counters:
        """The sums as they are now, which go on changing no more."""
        return Counters(
            self.detected, dict(self.products), self.created, self.marked, self.dry, dict(self.missed), self.test_marks
        )

    def balanced(self, in_flight: int, pending: int) -> bool:
        """Whether every product and every request is in exactly one place."""
        products = sum(self.products.values()) + in_flight
        requests = self.marked + self.dry + sum(self.missed.values()) + pending
        return self.detected == products and self.created == requests


@dataclass(frozen=True, slots=True)
class Forced:
    """An auxiliary output held by a person, for a check of its wiring."""

    name: str
    on: bool
    who: str
    since_ns: int
    boot_id: int
    """The run of the I/O side that it is held in: it does not come back with the power."""
