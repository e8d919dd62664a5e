"""Orders: targets sent ahead of time or releases sent in time, their answers, and what the I/O side says of them.

Rules of this file. One order is outstanding at a time; until it is answered the same token and data are repeated and no
new token is used. A release sent in time is never repeated: one that was lost on the link is void. A token that the I/O
side shows from before us is never used. What was sent and is taken back is withdrawn, not void, until armed = 0 is read
with the release ring: found there it is marked, not there it is void or waits again, not readable it is unconfirmed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import inf
from typing import Final, TypeVar

from controller.enable import accepted
from controller.events import Event, TestMarked
from controller.faults import FaultBook
from controller.model import Fate, Miss
from controller.registers import RING_SIZE, AckResult, OrderKind, Release, ReleaseResult, Status, StatusBit
from controller.requests import Book, Place, Request
from controller.travel import Travel

Entry = TypeVar("Entry")
U16: Final = 1 << 16
PROMPT_NS: Final = 1_000_000
"""An order that left so soon after its instant left when it was meant to."""
MISSING_NS: Final = 100_000_000
"""How long the release of a target that was passed is waited for."""

_MISS_OF_RELEASE: dict[int, Miss] = {
    ReleaseResult.MARKER_BUSY: Miss.BUSY,
    ReleaseResult.MARKER_NOT_READY: Miss.NOT_READY,
}
_SET_RIGHT_BY_ABORT: Final = frozenset({AckResult.INHIBITED, AckResult.WRONG_BOOT_ID, AckResult.OTHER_OWNER})
"""Answers whose cause stands in the status as well, where it is found and named."""

RELEASED: Final = "released"
"""The result of a test mark that was made."""


@dataclass(frozen=True, slots=True)
class Order:
    """The order fields of the command block; counts are raw."""

    kind: OrderKind
    station: int
    count: int
    last: int


NO_ORDER: Final = Order(OrderKind.NONE, 0, 0, 0)


class Orders:
    """The order channel of one line."""

    def __init__(self, first_token: int) -> None:
        self.token = first_token % U16
        self.order = NO_ORDER
        self.outstanding: Request | None = None
        self.test_token: int | None = None
        self._test_station = 0
        self.send_at_ns: int | None = None
        """When the command that carries a timed release is to be sent; None: no such order waits."""
        self.sent_ns = 0
        """When the last timed release was sent."""
        self.shown: list[int] = []
        """Travel at which the release sent last was made; for whoever reckons the delay, who empties it."""
        self._carrier: int | None = None
        """Heartbeat of the command that carried the timed release outstanding."""
        self._answered = True
        self._ordered_ns = 0
        self._release_total = 0
        self._passed: tuple[int, int] | None = None
        self.missing_ns = MISSING_NS
        """A target passed and not in the release ring for so long was never released."""
        self.next_passed = inf
        """The travel at which the oldest armed target will have been passed."""
        self.flush = False
        self.withdrawn_at: int | None = None
        """Heartbeat of the command that took everything back; None: nothing is being withdrawn."""
        self.events: list[Event] = []

    @property
    def free(self) -> bool:
        """Whether a new order may be given."""
        return self._answered and self.withdrawn_at is None

    @property
    def in_time(self) -> bool:
        """Whether the order outstanding is a release in time, which is sent once."""
        return self._carrier is not None

    def baseline(self, status: Status) -> None:
        """Take the release ring as it stands; nothing in it is ours."""
        self._release_total = status.release_total
        self._passed = None

    def place(self, request: Request, raw_target: int, status: Status, now_ns: int) -> None:
        """Order a request's target; `request.target` is set."""
        self._next(Order(OrderKind.ARM, request.station, raw_target, 0), status, now_ns)
        request.token, request.place = self.token, Place.ORDERED
        self.outstanding = request

    def place_timed(
        self, request: Request, window_raw: tuple[int, int], status: Status, now_ns: int, send_ns: int | None,
        heartbeat: int,
    ) -> None:  # fmt: skip
        """Order a request's release within a window of counts, to be sent at `send_ns` with the command `heartbeat`.

        `send_ns` None: with the next scan.
        """
        self._now(request.station, window_raw, status, now_ns)
        request.token, request.place = self.token, Place.ORDERED
        self.outstanding = request
        self.send_at_ns, self._carrier = send_ns, heartbeat

    def carried(self, sent_ns: int) -> None:
        """The last command has been sent, or lost: a release in time is not written a second time."""
        if self._carrier is not None and self.order is not NO_ORDER:
            # What it takes to get a request out is part of the delay that the releases show.
            meant_ns = self.send_at_ns
            late = meant_ns is None or not 0 <= sent_ns - meant_ns <= PROMPT_NS
            self.sent_ns = sent_ns if meant_ns is None or late else meant_ns
            self.send_at_ns, self.order = None, NO_ORDER

    def place_test(self, station: int, first_raw: int, last_raw: int, status: Status, now_ns: int) -> None:
        """Order one test mark now, permitted only within the window of counts."""
        self._now(station, (first_raw, last_raw), status, now_ns)
        self.test_token, self._test_station = self.token, station

    def _now(self, station: int, window_raw: tuple[int, int], status: Status, now_ns: int) -> None:
        self._next(Order(OrderKind.RELEASE_NOW, station, *window_raw), status, now_ns)

    def _next(self, order: Order, status: Status, now_ns: int) -> None:
        self.token = (self.token + 1) % U16
        if self.token == status.ack_token:
            self.token = (self.token + 1) % U16
        self.order, self._answered, self._ordered_ns = order, False, now_ns
        self.send_at_ns = self._carrier = None

    def read(self, status: Status, travel: Travel, book: Book, faults: FaultBook, now_ns: int) -> None:
        """Take in what the I/O side says of the order outstanding and of what was released."""
        if not self._answered and status.ack_token == self.token:
            self._answer(status, travel, book, faults, now_ns)
        elif self._carrier is not None and not self._answered and accepted(status, (self._carrier + 1) % U16):
            self._lost(book, now_ns)
        if status.release_total != self._release_total:
            lost = self._ring(status, travel, book, faults, now_ns)
            if lost:
                self._unreadable(book, travel.counts, now_ns, f"{lost} entries of the release ring were overwritten")
        self.next_passed = inf
        if book.sent and self.withdrawn_at is None:
            self._watch_passed(book, travel.counts, faults, now_ns)

    def _lost(self, book: Book, now_ns: int) -> None:
        """A later command has come, and the one with the timed release has not: it is not sent again."""
        request, self.outstanding = self.outstanding, None
        self._answered, self._carrier = True, None
        if request is not None and book.sent.pop(self.token, None) is not None:
            book.end(request, Fate.MISSED, now_ns, Miss.VOID, "the order was lost on the link")

    def _answer(self, status: Status, travel: Travel, book: Book, faults: FaultBook, now_ns: int) -> None:
        self._answered, self._carrier = True, None
        # An answered order is not written again: nothing hangs on the I/O side knowing an old token.
        order, self.order = self.order, NO_ORDER
        request, self.outstanding = self.outstanding, None
        if status.ack_result and status.ack_count != order.count and order.kind is OrderKind.ARM:
            faults.report("order_mismatch", f"{order.count} was ordered, {status.ack_count} was understood", now_ns)
        if request is None:
            if status.ack_result != AckResult.ARMED and self.test_token is not None:
                self._test_done(_result_name(status.ack_result), None, book, now_ns)
            return
        if status.ack_result == AckResult.ARMED:
            request.place = Place.ARMED
            return
        if self.withdrawn_at is not None and status.ack_result != AckResult.LATE:
            return  # taken back meanwhile: `settle` decides on it with the others
        del book.sent[self.token]
        if status.ack_result == AckResult.LATE:
            book.end(request, Fate.MISSED, now_ns, request.withheld or Miss.LATE, "refused as late by the I/O side")
            return
        if status.ack_result == AckResult.OUTSIDE_WINDOW and request.window is not None:
            if travel.counts > request.window[0]:
                book.end(request, Fate.MISSED, now_ns, Miss.LATE, "the order came outside its window")
            else:
                book.put_back(request)  # the belt has slowed down: another order comes in time
            return
        if status.ack_result == AckResult.FULL:
            request.withheld = Miss.FULL
        elif status.ack_result not in _SET_RIGHT_BY_ABORT:
            faults.report("order_refused", f"answer: {_result_name(status.ack_result)}", now_ns)
        book.put_back(request)

    def _ring(self, status: Status, travel: Travel, book: Book, faults: FaultBook, now_ns: int) -> int:
        new = (status.release_total - self._release_total) % U16
        self._release_total = status.release_total
        for entry in newest(status.releases, status.release_total, new):
            self._released(entry, travel, book, faults, now_ns)
        return max(0, new - RING_SIZE)

    def _released(self, entry: Release, travel: Travel, book: Book, faults: FaultBook, now_ns: int) -> None:
        at = travel.travel_of(entry.count)
        if entry.token == self.test_token:
            result = RELEASED if entry.result == ReleaseResult.RELEASED else "not released"
            self._test_done(result, at, book, now_ns)
            return
        request = book.sent.pop(entry.token, None)
        if request is None:
            faults.report("release_unexpected", f"order {entry.token} at {at} counts", now_ns)
            return
        if request is self.outstanding:
            # Released before its answer was read: the ring is the stronger word.
            self.outstanding, self._answered, self.order = None, True, NO_ORDER
        if request.window is not None and entry.token == self.token:
            self.shown.append(at)
        if entry.result == ReleaseResult.RELEASED:
            if request.target is not None:
                first, last = request.window or (request.target - 1, request.target + 1)
                if not first <= at <= last:
                    faults.report("release_misplaced", f"at {at} counts, {request.target} was ordered", now_ns)
            book.end(request, Fate.MARKED, now_ns, released=at)
        else:
            reason = _MISS_OF_RELEASE.get(entry.result, Miss.UNCONFIRMED)
            book.end(request, Fate.MISSED, now_ns, reason, released=at)

    def _test_done(self, result: str, at: int | None, book: Book, now_ns: int) -> None:
        self.test_token = None
        book.counters.test_marks += result == RELEASED
        self.events.append(TestMarked(now_ns, self._test_station, result, at))

    def _watch_passed(self, book: Book, travel: int, faults: FaultBook, now_ns: int) -> None:
        token, request = next(iter(book.sent.items()))
        if request.place is not Place.ARMED or request.target is None or travel <= request.target:
            self._passed = None
            self.next_passed = inf if request.target is None else request.target + 1.0
        elif self._passed is None or self._passed[0] != token:
            self._passed = (token, now_ns)
        elif now_ns - self._passed[1] > self.missing_ns:
            del book.sent[token]
            self._passed = None
            book.end(request, Fate.MISSED, now_ns, Miss.UNCONFIRMED, "passed and neither released nor refused")
            faults.report("release_missing", f"order {token}", now_ns)

    @property
    def passing(self) -> bool:
        """Whether a target has been passed and its release is being waited for."""
        return self._passed is not None

    def unanswered_s(self, now_ns: int) -> float:
        """How long the outstanding order has waited for its answer."""
        return 0.0 if self._answered else (now_ns - self._ordered_ns) * 1e-9

    def withdraw(self, heartbeat: int) -> None:
        """Take back all that was sent; `heartbeat` is that of the next command, which has enable low and flush high.

        Also where nothing is known to be out: what the I/O side really holds is read back.
        """
        if self.withdrawn_at is None:
            self.withdrawn_at = heartbeat
            self.flush = True

    def settle(self, status: Status, book: Book, now_ns: int, keep: bool, why: str) -> bool:
        """Whether all that was withdrawn is resolved now. `keep`: what was surely not released waits again."""
        if self.withdrawn_at is None:
            self.flush = False
            return True
        if not accepted(status, self.withdrawn_at):
            return False
        if not self._answered:
            return False
        if any(_armed(status)):
            # An order that was on its way may have been armed after the flush: a new rising edge drops it.
            self.flush = not status.bits & StatusBit.FLUSH_DONE
            return False
        for request in _drain(book):
            if keep:
                book.put_back(request)
            else:
                book.end(request, Fate.MISSED, now_ns, Miss.VOID, why)
        self.withdrawn_at = None
        self.flush = False
        return True

    def give_up(self, book: Book, now_ns: int, why: str) -> None:
        """The I/O side cannot say what became of what was sent: unconfirmed."""
        for request in _drain(book):
            book.end(request, Fate.MISSED, now_ns, Miss.UNCONFIRMED, why)
        if self.test_token is not None:
            self._test_done("unconfirmed", None, book, now_ns)
        self.outstanding, self._answered, self.order = None, True, NO_ORDER
        self.send_at_ns = self._carrier = None
        self.withdrawn_at, self.flush, self._passed = None, False, None

    def _unreadable(self, book: Book, travel: int, now_ns: int, why: str) -> None:
        for token, request in list(book.sent.items()):
            if request.target is not None and request.target <= travel and request is not self.outstanding:
                del book.sent[token]
                book.end(request, Fate.MISSED, now_ns, Miss.UNCONFIRMED, why)


def newest(ring: tuple[Entry, ...], total: int, new: int) -> Iterator[Entry]:
    """The last `new` entries of a ring, oldest first; at most its size. Entry n (from 1) is at (n - 1) mod 8."""
    for n in range(total - min(new, RING_SIZE), total):
        yield ring[n % RING_SIZE]


def _armed(status: Status) -> Iterator[int]:
    yield status.armed
    for station in status.stations:
        yield station.armed


def _drain(book: Book) -> Iterator[Request]:
    for token in list(book.sent):
        yield book.sent.pop(token)


def _result_name(result: int) -> str:
    return next((known.name.lower() for known in AckResult if known == result), f"result {result}")
