"""The book of products and requests: one fate each, and sums that always balance."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from controller.detect import Product
from controller.events import ProductDone, ProductSeen, RequestDone, RequestMade
from controller.model import Fate, Miss, ProductFate
from controller.requests import Book, Place, Request


def product(number: int = 1, lead: float = 0.0) -> Product:
    return Product(number, lead, lead + 50.0, confirmed=True, final=True)


def book_with(wanted: int) -> tuple[Book, Product]:
    book, one = Book(1, 0.5), product()
    one.open_plans = 1
    book.add_product(one, 0)
    for k in range(wanted):
        book.make(one, 0, k, 100.0 + k, 0)
    one.open_plans = 0
    return book, one


@pytest.mark.parametrize(
    ("fates", "expected"),
    [
        ([Fate.MARKED, Fate.MARKED], ProductFate.MARKED),
        ([Fate.MARKED, Miss.BUSY], ProductFate.PART_MARKED),
        ([Miss.LATE, Miss.BUSY], ProductFate.UNMARKED),
        ([Fate.MARKED, Miss.UNCONFIRMED], ProductFate.UNKNOWN),
        ([Fate.DRY, Fate.DRY], ProductFate.UNMARKED),
        ([], ProductFate.UNMARKED),
    ],
)
def test_a_products_fate_follows_from_its_requests(fates: list[Fate | Miss], expected: ProductFate) -> None:
    book, one = book_with(len(fates))
    for fate in fates:
        if isinstance(fate, Miss):
            book.end(book.take(0), Fate.MISSED, 1, fate)
        else:
            book.end(book.take(0), fate, 1)
    book.close_if_done(one, 1)
    assert book.counters.products[expected] == 1
    assert book.balanced
    done = book.events[-1]
    assert isinstance(done, ProductDone)
    assert (done.fate, done.wanted, done.length_mm) == (expected, len(fates), 25.0)


def test_a_lost_product_is_unknown_though_it_was_marked() -> None:
    book, one = book_with(1)
    one.final = False
    book.end(book.take(0), Fate.MARKED, 1)
    assert book.products
    one.lost = True
    book.close_if_done(one, 1)
    assert book.counters.products[ProductFate.UNKNOWN] == 1


def test_no_second_fate() -> None:
    book, _ = book_with(1)
    request = book.take(0)
    book.end(request, Fate.MISSED, 1, Miss.LATE)
    with pytest.raises(RuntimeError, match="second fate"):
        book.end(request, Fate.MARKED, 2)
    assert book.counters.marked == 0


def test_requests_wait_in_due_order_and_in_order_of_making_where_due_together() -> None:
    book, one = Book(2, 1.0), product()
    for k, due in enumerate([30.0, 10.0, 20.0, 10.0]):
        book.make(one, 0, k, due, 0)
    book.make(one, 1, 9, 5.0, 0)
    assert [book.take(0).index for _ in range(4)] == [1, 3, 2, 0]
    head = book.head(1)
    assert head is not None
    assert head.index == 9
    assert book.head(0) is None


def test_what_is_put_back_waits_again_without_its_order() -> None:
    book, _ = book_with(2)
    request = book.take(0)
    request.place, request.token, request.target = Place.ARMED, 7, 100
    book.put_back(request)
    assert book.head(0) is request
    assert (request.place, request.token, request.target) == (Place.AHEAD, None, None)


def test_misses_in_a_row_count_what_nobody_intended_and_end_with_a_mark() -> None:
    book, _ = book_with(9)
    seen = []
    for reason in (Miss.LATE, Miss.BUSY, Miss.VOID, Miss.NOT_PERMITTED, Miss.UNCONFIRMED, None, Miss.FULL):
        if reason is None:
            book.end(book.take(0), Fate.MARKED, 1)
        else:
            book.end(book.take(0), Fate.MISSED, 1, reason)
        seen.append(book.misses_in_a_row)
    assert seen == [1, 2, 2, 2, 3, 0, 1]


def test_the_counters_begin_anew_with_what_is_in_flight() -> None:
    book, one = book_with(3)
    book.end(book.take(0), Fate.MARKED, 1)
    book.sent[5] = book.take(0)
    book.reset_counters()
    assert (book.counters.detected, book.counters.created, book.counters.marked) == (1, 2, 0)
    assert book.balanced
    book.end(book.sent.pop(5), Fate.MARKED, 2)
    book.end(book.take(0), Fate.MARKED, 2)
    assert book.balanced
    assert one.id not in book.products


class AnyOrder(RuleBasedStateMachine):
    """Whatever comes in whatever order, everything is in one place."""

    def __init__(self) -> None:
        super().__init__()
        self.book = Book(2, 0.1)
        self.number = 0
        self.open: list[Product] = []
        self.hands: list[Request] = []
        self.ended: list[Request] = []

    @rule()
    def see(self) -> None:
        self.number += 1
        one = Product(self.number, 100.0 * self.number, confirmed=True, open_plans=1)
        self.open.append(one)
        self.book.add_product(one, 0)

    @precondition(lambda self: self.open)
    @rule(data=st.data(), station=st.integers(0, 1), due=st.floats(0, 1e6))
    def ask(self, data: st.DataObject, station: int, due: float) -> None:
        one = data.draw(st.sampled_from(self.open))
        self.book.make(one, station, one.made, due, 0)

    @precondition(lambda self: self.open)
    @rule(data=st.data(), lost=st.booleans())
    def finish(self, data: st.DataObject, lost: bool) -> None:
        one = data.draw(st.sampled_from(self.open))
        self.open.remove(one)
        one.open_plans, one.trail = 0, one.lead + 1.0
        one.lost, one.final = lost, not lost
        self.book.close_if_done(one, 0)
        self.book.close_if_done(one, 0)

    @rule(station=st.integers(0, 1))
    def order(self, station: int) -> None:
        if self.book.head(station) is not None:
            request = self.book.take(station)
            self.book.sent[request.id] = request
            self.hands.append(request)

    @precondition(lambda self: self.hands)
    @rule(data=st.data())
    def return_it(self, data: st.DataObject) -> None:
        request = data.draw(st.sampled_from(self.hands))
        self.hands.remove(request)
        self.book.put_back(self.book.sent.pop(request.id))

    @precondition(lambda self: self.hands)
    @rule(data=st.data(), reason=st.sampled_from([None, *Miss]), dry=st.booleans())
    def end(self, data: st.DataObject, reason: Miss | None, dry: bool) -> None:
        request = data.draw(st.sampled_from(self.hands))
        self.hands.remove(request)
        fate = Fate.MISSED if reason is not None else Fate.DRY if dry else Fate.MARKED
        self.book.end(self.book.sent.pop(request.id), fate, 0, reason)
        self.ended.append(request)

    @precondition(lambda self: self.ended)
    @rule(data=st.data(), fate=st.sampled_from([Fate.MARKED, Fate.DRY, Fate.MISSED]))
    def end_twice(self, data: st.DataObject, fate: Fate) -> None:
        with pytest.raises(RuntimeError):
            self.book.end(data.draw(st.sampled_from(self.ended)), fate, 0, Miss.LATE)

    @rule()
    def void(self) -> None:
        for request in self.book.waiting():
            self.book.end(request, Fate.MISSED, 0, Miss.VOID)
            self.ended.append(request)

    @rule()
    def reset(self) -> None:
        self.book.reset_counters()

    @invariant()
    def balanced(self) -> None:
        assert self.book.balanced

    def teardown(self) -> None:
        """The events tell the same story: each made once, each ended once."""
        events = self.book.events
        made = [e.request for e in events if isinstance(e, RequestMade)]
        done = [e.request for e in events if isinstance(e, RequestDone)]
        assert len(set(made)) == len(made)
        assert len(set(done)) == len(done)
        assert len(made) - len(done) == self.book.pending
        seen = [e.product for e in events if isinstance(e, ProductSeen)]
        over = [e.product for e in events if isinstance(e, ProductDone)]
        assert len(set(over)) == len(over)
        assert len(seen) - len(over) == len(self.book.products)


TestAnyOrder = AnyOrder.TestCase
TestAnyOrder.settings = settings(max_examples=60, stateful_step_count=40, deadline=None)


@given(st.lists(st.sampled_from(list(Miss))))
def test_every_reason_is_counted_under_its_own_name(reasons: list[Miss]) -> None:
    book, _ = book_with(len(reasons))
    for reason in reasons:
        book.end(book.take(0), Fate.MISSED, 1, reason)
    assert book.counters.missed == {reason: reasons.count(reason) for reason in Miss}
