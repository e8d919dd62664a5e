"""The order channel: one order at a time, answers, releases, and what becomes of what is taken back."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller import events as ev
from controller.detect import Product
from controller.events import RequestDone
from controller.faults import FaultBook
from controller.model import Fate, Miss
from controller.registers import RING_SIZE, AckResult, OrderKind, Release, StationStatus, Status, StatusBit
from controller.release import MISSING_NS, Orders, newest
from controller.requests import Book, Place, Request
from controller.spec import Counter
from controller.travel import Travel

FLUSHED = int(StatusBit.FLUSH_DONE)


class Channel:
    """Orders with their book, and an I/O side written by hand; one count of travel is one raw count."""

    def __init__(self, first_token: int = 100, stations: int = 1) -> None:
        self.orders, self.book, self.faults = Orders(first_token), Book(stations, 1.0), FaultBook()
        self.travel = Travel(Counter(), 1e6, 0.005)
        self.status = Status(depth=8, armed=0)
        self.ring: list[Release] = []
        self.now_ns = 0
        self.orders.baseline(self.status)
        self.at(0)

    def at(self, travel: int) -> None:
        self.travel.update(travel, None, self.now_ns, self.now_ns + 300_000)

    def order(self, due: int, station: int = 0) -> Request:
        """Make a request and order it; it must be the next one."""
        product = Product(due, 0.0, 1.0, confirmed=True, final=True)
        self.book.add_product(product, 0)
        self.book.make(product, station, 0, float(due), 0)
        request = self.book.take(station)
        request.target = due
        self.orders.place(request, due, self.status, self.now_ns)
        self.book.sent[self.orders.token] = request
        return request

    def read(self, after_ns: int = 5_000_000, **status: int) -> None:
        self.now_ns += after_ns
        self.status = replace(self.status, **status)  # type: ignore[arg-type]
        self.orders.read(self.status, self.travel, self.book, self.faults, self.now_ns)
        assert self.book.balanced

    def answer(self, result: AckResult, count: int | None = None) -> None:
        """Answer the order outstanding."""
        count = self.orders.order.count if count is None else count
        self.read(ack_token=self.orders.token, ack_result=int(result), ack_count=count)

    def release(self, *entries: tuple[int, int, int]) -> None:
        """The I/O side tells of releases: (token, result, count)."""
        ring = list(self.status.releases)
        total = self.status.release_total
        for entry in entries:
            ring[total % RING_SIZE] = Release(*entry)
            total += 1
        self.read(releases=tuple(ring), release_total=total % 65536)

    def settle(self, keep: bool, echo: int, armed: int = 0, bits: int = 0, why: str = "stop") -> bool:
        self.status = replace(self.status, heartbeat_echo=echo, armed=armed, bits=bits)
        return self.orders.settle(self.status, self.book, self.now_ns, keep, why)

    @property
    def ends(self) -> list[tuple[Fate, Miss | None]]:
        return [(e.fate, e.reason) for e in self.book.events if isinstance(e, RequestDone)]

    @property
    def raised(self) -> list[str]:
        return self.faults.reported


def test_an_order_armed_and_released_is_marked_where_the_ring_says() -> None:
    channel = Channel()
    request = channel.order(50)
    assert channel.orders.order.kind is OrderKind.ARM
    assert not channel.orders.free
    channel.answer(AckResult.ARMED)
    assert request.place is Place.ARMED
    assert channel.orders.free
    assert channel.orders.order.kind is OrderKind.NONE
    channel.at(60)
    channel.release((101, 1, 50))
    done = channel.book.events[-2]
    assert isinstance(done, RequestDone)
    assert (done.fate, done.released_counts, done.token, done.target_counts) == (Fate.MARKED, 50, 101, 50)
    assert channel.raised == []


def test_until_it_is_answered_the_same_token_and_data_are_repeated() -> None:
    channel = Channel()
    channel.order(50)
    first = (channel.orders.token, channel.orders.order)
    for _ in range(5):
        channel.read(ack_token=100, ack_result=1)
        assert (channel.orders.token, channel.orders.order) == first
        assert not channel.orders.free
    assert channel.orders.unanswered_s(channel.now_ns) == pytest.approx(0.025)
    channel.answer(AckResult.ARMED)
    assert channel.orders.unanswered_s(channel.now_ns) == 0.0


def test_a_token_that_the_io_side_shows_from_before_us_is_never_used() -> None:
    channel = Channel(first_token=100)
    channel.status = replace(channel.status, ack_token=101, ack_result=int(AckResult.ARMED))
    channel.order(50)
    assert channel.orders.token == 102


def test_tokens_wrap() -> None:
    channel = Channel(first_token=65535)
    channel.read(ack_token=65535)
    channel.order(50)
    assert channel.orders.token == 0
    channel.answer(AckResult.ARMED)
    assert channel.orders.free


@pytest.mark.parametrize("result", [AckResult.ARMED, AckResult.LATE, AckResult.TOO_FAR, AckResult.FULL])
def test_another_count_in_the_answer_is_a_fault_whatever_the_answer_is(result: AckResult) -> None:
    channel = Channel()
    channel.order(0x0001_0032)
    channel.answer(result, count=0x0032_0001)
    assert "order_mismatch" in channel.raised


@pytest.mark.parametrize(
    ("result", "fault", "fate"),
    [
        (AckResult.LATE, None, Miss.LATE),
        (AckResult.FULL, None, None),
        (AckResult.INHIBITED, None, None),
        (AckResult.WRONG_BOOT_ID, None, None),
        (AckResult.OTHER_OWNER, None, None),
        (AckResult.TOO_FAR, "order_refused", None),
        (AckResult.OUTSIDE_WINDOW, "order_refused", None),
        (AckResult.CANCELLED, "order_refused", None),
        (AckResult.NONE, "order_refused", None),
    ],
)
def test_refusals(result: AckResult, fault: str | None, fate: Miss | None) -> None:
    """What was not armed waits again; late is its fate; what nobody can explain is a fault."""
    channel = Channel()
    request = channel.order(50)
    channel.answer(result)
    assert channel.raised == ([] if fault is None else [fault])
    assert channel.orders.free
    if fate is not None:
        assert channel.ends == [(Fate.MISSED, fate)]
    else:
        assert channel.book.head(0) is request
        assert request.withheld is (Miss.FULL if result is AckResult.FULL else None)


def test_late_after_a_full_compare_is_missed_as_full() -> None:
    channel = Channel()
    channel.order(50)
    channel.answer(AckResult.FULL)
    request = channel.book.take(0)
    request.target = 50
    channel.orders.place(request, 50, channel.status, channel.now_ns)
    channel.book.sent[channel.orders.token] = request
    channel.answer(AckResult.LATE)
    assert channel.ends == [(Fate.MISSED, Miss.FULL)]


@pytest.mark.parametrize(("result", "reason"), [(2, Miss.BUSY), (3, Miss.NOT_READY), (9, Miss.UNCONFIRMED)])
def test_a_marker_that_was_not_triggered(result: int, reason: Miss) -> None:
    channel = Channel()
    channel.order(50)
    channel.answer(AckResult.ARMED)
    channel.at(60)
    channel.release((101, result, 50))
    assert channel.ends == [(Fate.MISSED, reason)]


def test_a_release_read_before_its_answer_is_the_stronger_word() -> None:
    channel = Channel()
    channel.order(50)
    channel.at(60)
    channel.release((101, 1, 50))
    assert channel.ends == [(Fate.MARKED, None)]
    assert channel.orders.free
    channel.read(ack_token=101, ack_result=1, ack_count=50)
    assert channel.raised == []


def test_a_release_that_nobody_ordered_is_a_fault() -> None:
    channel = Channel()
    channel.release((4711, 1, 50))
    assert channel.raised == ["release_unexpected"]


def test_a_target_passed_without_a_word_is_unconfirmed() -> None:
    channel = Channel()
    channel.order(50)
    channel.answer(AckResult.ARMED)
    channel.at(51)
    channel.read()
    assert channel.orders.passing
    channel.read(after_ns=MISSING_NS)
    assert channel.ends == []
    channel.read()
    assert channel.ends == [(Fate.MISSED, Miss.UNCONFIRMED)]
    assert channel.raised == ["release_missing"]


def test_standing_just_before_its_target_is_not_passing_it() -> None:
    channel = Channel()
    channel.order(50)
    channel.answer(AckResult.ARMED)
    channel.at(50)
    channel.read(after_ns=10 * MISSING_NS)
    channel.read(after_ns=10 * MISSING_NS)
    assert channel.ends == []
    assert channel.orders.next_passed == 51.0


def test_an_overwritten_ring_leaves_what_was_passed_unconfirmed() -> None:
    channel = Channel()
    for due in (10, 20, 30, 40, 50, 60, 70, 80, 90, 500):
        channel.order(due)
        channel.answer(AckResult.ARMED)
    channel.at(100)
    channel.release(*[(101 + n, 1, 10 * (n + 1)) for n in range(9)])
    ends = channel.ends
    assert ends.count((Fate.MARKED, None)) == 8
    assert ends.count((Fate.MISSED, Miss.UNCONFIRMED)) == 1
    assert [r.due for r in channel.book.sent.values()] == [500.0]


@pytest.mark.parametrize("total", [0, 3, 8, 13, 65535, 65538 % 65536])
def test_newest_entries_of_a_ring_across_the_wrap_of_its_total(total: int) -> None:
    """Ring entry of event n, counted from 1, is at index (n - 1) mod 8."""
    ring = [0] * RING_SIZE
    for n in range(1, 65536 + total + 1):
        ring[(n - 1) % RING_SIZE] = n
    for new in range(RING_SIZE + 3):
        expected = [65536 + total - back for back in range(min(new, RING_SIZE) - 1, -1, -1)]
        assert list(newest(tuple(ring), total, new)) == expected


def armed_pair(channel: Channel) -> tuple[Request, Request]:
    first = channel.order(50)
    channel.answer(AckResult.ARMED)
    second = channel.order(90)
    channel.answer(AckResult.ARMED)
    return first, second


def test_withdrawn_and_found_in_the_ring_is_marked_and_not_there_is_void() -> None:
    channel = Channel()
    armed_pair(channel)
    channel.orders.withdraw(30)
    assert channel.orders.flush
    assert not channel.orders.free
    assert not channel.settle(False, echo=29)
    assert channel.ends == []
    channel.at(60)
    channel.release((101, 1, 50))
    assert channel.settle(False, echo=30)
    assert channel.ends == [(Fate.MARKED, None), (Fate.MISSED, Miss.VOID)]
    assert not channel.orders.flush
    assert channel.orders.free


def test_withdrawn_and_not_released_waits_again_after_a_hold() -> None:
    channel = Channel()
    first, second = armed_pair(channel)
    channel.orders.withdraw(30)
    assert channel.settle(True, echo=31)
    assert channel.ends == []
    assert [channel.book.take(0), channel.book.take(0)] == [first, second]
    assert channel.book.sent == {}


def test_withdrawn_and_not_readable_is_unconfirmed() -> None:
    channel = Channel()
    armed_pair(channel)
    channel.orders.withdraw(30)
    channel.orders.give_up(channel.book, 9, "no answer")
    assert channel.ends == [(Fate.MISSED, Miss.UNCONFIRMED)] * 2
    assert channel.orders.free
    assert not channel.orders.flush


def test_nothing_is_settled_while_a_target_is_armed_and_flush_is_raised_anew() -> None:
    """An order on its way was armed after the flush: a new rising edge, low and then high, drops it."""
    channel = Channel()
    armed_pair(channel)
    channel.orders.withdraw(30)
    flushes = []
    for echo, armed, bits in ((30, 1, FLUSHED), (31, 1, FLUSHED), (32, 1, 0), (33, 0, FLUSHED)):
        settled = channel.settle(False, echo, armed, bits)
        flushes.append((channel.orders.flush, settled))
    assert flushes == [(False, False), (False, False), (True, False), (False, True)]


def test_an_order_unanswered_keeps_the_withdrawal_open() -> None:
    channel = Channel()
    request = channel.order(50)
    channel.orders.withdraw(30)
    assert not channel.settle(False, echo=35)
    channel.answer(AckResult.INHIBITED)
    assert channel.book.head(0) is None, "what was taken back must not wait again behind the stop's back"
    assert channel.settle(False, echo=36)
    assert channel.ends == [(Fate.MISSED, Miss.VOID)]
    assert request.place is Place.RESOLVED


def test_an_order_unanswered_waits_again_after_a_hold() -> None:
    channel = Channel()
    request = channel.order(50)
    channel.orders.withdraw(30)
    channel.answer(AckResult.INHIBITED)
    assert channel.settle(True, echo=36)
    assert channel.book.head(0) is request


def test_a_stop_is_read_back_although_nothing_is_known_to_be_out() -> None:
    channel = Channel()
    channel.orders.withdraw(30)
    assert channel.orders.flush
    assert not channel.settle(False, echo=29)
    assert not channel.settle(False, echo=30, armed=1, bits=FLUSHED)
    assert channel.settle(False, echo=31, armed=0)


def test_a_further_stations_armed_targets_count_too() -> None:
    channel = Channel(stations=2)
    channel.order(50, station=1)
    channel.answer(AckResult.ARMED)
    channel.orders.withdraw(30)
    busy = StationStatus(armed=1, depth=8, ready=True, busy=False, fault=False, done_total=0)
    channel.status = replace(channel.status, stations=(busy,))
    assert not channel.settle(False, echo=30)
    channel.status = replace(channel.status, stations=(replace(busy, armed=0),))
    assert channel.settle(False, echo=31)


@pytest.mark.parametrize(
    ("ack", "entry", "expected", "counted"),
    [
        (AckResult.ARMED, (101, 1, 4), "released", 1),
        (AckResult.ARMED, (101, 2, 4), "not released", 0),
        (AckResult.OUTSIDE_WINDOW, None, "outside_window", 0),
        (AckResult.INHIBITED, None, "inhibited", 0),
        (None, None, "unconfirmed", 0),
    ],
)
def test_a_test_mark_is_counted_apart(
    ack: AckResult | None, entry: tuple[int, int, int] | None, expected: str, counted: int
) -> None:
    channel = Channel()
    channel.orders.place_test(0, 3, 900, channel.status, 0)
    assert channel.orders.order.kind is OrderKind.RELEASE_NOW
    if ack is None:
        channel.orders.give_up(channel.book, 1, "gone")
    else:
        channel.answer(ack)
    if entry is not None:
        channel.release(entry)
    marked = channel.orders.events
    assert [e.result for e in marked if isinstance(e, ev.TestMarked)] == [expected]
    assert channel.orders.test_token is None
    counters = channel.book.counters
    assert (counters.test_marks, counters.created, counters.marked) == (counted, 0, 0)
