"""What goes into a scan and what comes out of it.

These are made with every scan: they are not frozen and write their `__init__` out, which only then is compiled with the
rest (`deploy/compile`); nobody changes one all the same.
"""

from __future__ import annotations

from dataclasses import dataclass

from controller.events import Event
from controller.model import Reply
from controller.registers import Command, Status


@dataclass(slots=True, init=False)
class Image:
    """What one exchange brought: the status, or None and the error when it failed.

    `sent_ns` and `got_ns` bound the instant at which the I/O side sampled its inputs. `journal_ok` is the
    health of the record keeping, an input like any other.
    """

    status: Status | None
    sent_ns: int
    got_ns: int
    error: str
    journal_ok: bool

    def __init__(
        self, status: Status | None, sent_ns: int, got_ns: int, error: str = "", journal_ok: bool = True
    ) -> None:
        self.status, self.sent_ns, self.got_ns = status, sent_ns, got_ns
        self.error, self.journal_ok = error, journal_ok


@dataclass(slots=True, init=False)
class Outcome:
    """What one scan decided: the command block to write, what happened, and whether to exchange at once.

    `at_once` asks for an exchange without waiting for the next period: an order to place or an output
    that must drop. `send_at_ns` is the monotonic instant at which the command is to be sent, as exactly as can
    be: it carries a timed release. None: with the next period, or at once.
    """

    command: Command
    events: tuple[Event, ...]
    replies: tuple[Reply, ...]
    at_once: bool
    send_at_ns: int | None

    def __init__(
        self, command: Command, events: tuple[Event, ...], replies: tuple[Reply, ...], at_once: bool,
        send_at_ns: int | None = None,
    ) -> None:  # fmt: skip
        self.command, self.events, self.replies = command, events, replies
        self.at_once, self.send_at_ns = at_once, send_at_ns


@dataclass(slots=True, init=False)
class NextAct:
    """When the decision can next act: not before the belt reaches `counts` of travel nor before `at_ns`.

    Orders are left out: they hang on the speed of the moment. The rest holds unless an input other than the belt
    count changes, but for detector edges: the first one to come may wait to be read until the belt is
    `edge_waits[0]` counts past it, the one after that `edge_waits[1]`; one that finds no place there must be read by
    the next scan.
    """

    counts: float
    at_ns: int
    edge_waits: tuple[float, ...]

    def __init__(self, counts: float, at_ns: int, edge_waits: tuple[float, ...] = ()) -> None:
        self.counts, self.at_ns, self.edge_waits = counts, at_ns, edge_waits
