"""One line's state between two scans, and how a scan takes its inputs in.

Nothing here waits, reads a clock or does I/O; all time is handed in.
"""

from __future__ import annotations

from math import inf

from controller.detect import EDGES, HALF, Eye, Product, edge_of
from controller.enable import Enable
from controller.events import Event
from controller.faults import FaultBook
from controller.fit import Fit, Outbound
from controller.forcing import applied
from controller.lead import lead_mm, lead_time_s
from controller.marks import LineMarks
from controller.model import Fate, Forced, Miss, Mode, State
from controller.modes import MARKING
from controller.outcome import Image
from controller.registers import BACKWARD, LAYOUT, RING_SIZE, Command, ControlBit, Status, StatusBit
from controller.release import NO_ORDER, U16, Orders, newest
from controller.requests import Book
from controller.spec import LineSpec, Material, PlanEdge, ReleasePath
from controller.travel import Ahead, Step, Travel
from controller.watch import Watch, eye_faults, present

FIRST_TOKENS = 7919
"""Spreads the first tokens of owners that follow one another, so that they do not meet each other's answers."""


class LinkTimes:
    """The worst exchange and the worst time between scans of late, which the lead is reckoned from."""

    BLOCK = 256

    def __init__(self, spec: LineSpec) -> None:
        self._least_lead_s = spec.limits.least_lead_s
        self._stated_s = lead_time_s(spec.period_s, spec.exchange_s, self._least_lead_s)
        self.lead_s = self._stated_s
        """How long before its target an order is sent: by the stated link, or by the measured one if it is worse."""
        self.exchange_ns = 0
        self._worst = [0, 0]
        self._apart = [0, 0]
        self._count = 0
        self._last_ns: int | None = None

    def take(self, image: Image) -> None:
        """Note one exchange that was answered."""
        self.exchange_ns = image.got_ns - image.sent_ns
        apart = 0 if self._last_ns is None else image.sent_ns - self._last_ns
        self._last_ns = image.sent_ns
        if self.exchange_ns > self._worst[0] or apart > self._apart[0]:
            self._worst[0] = max(self._worst[0], self.exchange_ns)
            self._apart[0] = max(self._apart[0], apart)
            self._reckon()
        self._count += 1
        if self._count == self.BLOCK:
            self._count = 0
            self._worst = [0, self._worst[0]]
            self._apart = [0, self._apart[0]]
            self._reckon()

    def _reckon(self) -> None:
        measured_s = lead_time_s(max(self._apart) * 1e-9, self.worst_exchange_s, self._least_lead_s)
        self.lead_s = max(self._stated_s, measured_s)

    def gap(self) -> None:
        """A stretch without exchanges that says nothing of the link."""
        self._last_ns = None

    @property
    def worst_exchange_s(self) -> float:
        """The worst exchange of the last 256 to 512, in s."""
        return max(self._worst) * 1e-9


class Line:
    """All that the decision knows of one line between two scans."""

    def __init__(self, spec: LineSpec, owner: int, now_ns: int) -> None:
        self.spec = spec
        self.owner = owner
        self.travel = Travel(spec.counter, spec.top_speed_mm_s / spec.scale_mm, spec.period_s)
        self.timed = any(s.release is not ReleasePath.COMPARE for s in spec.stations)
        """Whether a release hangs on the time at which its order is sent."""
        self.fit = Fit(spec.max_accel_mm_s2 / spec.scale_mm, spec.period_s)
        """Followed only where something hangs on it: a timed release, or edges that are sampled."""
        self.outbound = Outbound(spec.exchange_s)
        self.eye = Eye(spec.detector, spec.scale_mm)
        self.book = Book(len(spec.stations), spec.scale_mm)
        self.marks = LineMarks(spec, self.book)
        self.orders = Orders(owner * FIRST_TOKENS)
        if spec.plain is not None:
            self.orders.missing_ns += max(spec.told_within_ns(n) for n in range(len(spec.stations)))
        self.enable = Enable()
        self.faults = FaultBook(spec.raised_reactions)
        self.watch = Watch(sum(1 << bit for bit in spec.interlocks))
        self.link = LinkTimes(spec)
        self.state = State.STOPPED
        self.state_ns = now_ns
        self.mode = Mode.PRODUCTION
        self.remote = spec.remote
        self.heartbeat = 1
        self.boot_id = 0
        self.unknown_until = 0
        """Travel up to which the line may hold products that were never seen at the detector."""
        self.stop_why = ""
        self.suspended_by_line = False
        """Whether a cause in the line, and not a person, suspended it: only then may it go on by itself."""
        self.complete_at: int | None = None
        self.test_station: int | None = None
        """The station whose test mark is being made."""
        self.forced: Forced | None = None
        """The auxiliary output that someone holds."""
        self.status: Status | None = None
        self.sent_ns = now_ns
        """When the last exchange began."""
        self.link_error = "no answer yet"
        self.scans = 0
        self.events: list[Event] = []
        self._fitted = self.timed or not spec.detector.captured
        self._trailing_plans = any(s.plan.edge is PlanEdge.TRAILING for s in spec.stations)
        self._capture_total = 0
        self._open: list[Product] = []
        self._product_ns = now_ns
        self._longest = max(s.distance_mm for s in spec.stations) / spec.scale_mm
        self._command = self._build()

    # What the other parts of the decision ask of the line.

    @property
    def outbound_ns(self) -> int:
        """How long an order takes from its sending to the act, as the fit dates things."""
        plain = self.spec.plain
        if plain is None:
            return self.outbound.delay_ns
        return int(self.outbound.exchange_ns * plain.act_share + plain.io_scan_s * 0.5e9)

    @property
    def next_heartbeat(self) -> int:
        """The heartbeat of the command that this scan will give."""
        return (self.heartbeat + 1) % U16

    @property
    def marking(self) -> bool:
        """Whether requests are to become marks (or dry marks) now; never with another job than the one asked for."""
        if self.state not in MARKING or self.mode is not Mode.PRODUCTION or not (self.enable.up or self.spec.dry):
            return False
        job = self.spec.job_number
        return not job or self.status is None or self.status.job_loaded == job

    @property
    def silent_since_ns(self) -> int:
        """Since when no product has come in this state."""
        return max(self._product_ns, self.state_ns)

    @property
    def unknown_counts(self) -> float:
        """How many counts of line may still hold products that nobody saw."""
        return max(0.0, self.unknown_until - self.travel.counts)

    def edge_waits(self) -> tuple[float, ...]:
        """How many counts past it a detector edge may wait to be read, for the next one and the one after it.

        A captured edge has its place whenever it is read, so it may wait as long as nothing is decided by it: a
        leading edge until its product is long enough to be one, a trailing edge as long as marks are on their way.
        """
        if not self.spec.detector.captured or self.spec.detector.response_s or self._trailing_plans:
            return ()
        product = self.eye.latest
        lead = self.spec.detector.least_length_mm / self.spec.scale_mm - 1.0
        if product is None:
            return (lead,)
        if product.trail is not None:
            # The next edge may lengthen this one instead: it waits only where nothing is decided by that.
            return (lead,) if product.confirmed and not product.open_plans else ()
        known = product.confirmed and not product.open_plans and product.resolved < product.made
        return (inf, lead) if known else ()

    def safe_command(self) -> Command:
        """The last thing to write before leaving: enable low, all targets dropped, no order."""
        self.enable.lower()
        self.forced = None
        self.orders.order = NO_ORDER
        self.heartbeat = self.next_heartbeat
        self._command = self._build(flush=True, running=False)
        return self._command

    def drain_events(self) -> tuple[Event, ...]:
        """What happened since the last call, in order of the parts it happened in."""
        if not (self.faults.events or self.book.events or self.orders.events or self.events):
            return ()
        drained = (*self.faults.events, *self.book.events, *self.orders.events, *self.events)
        for events in (self.faults.events, self.book.events, self.orders.events, self.events):
            events.clear()
        return drained

    @property
    def command(self) -> Command:
        """The command block to write next; it changes with the heartbeat and never between."""
        if self._command.heartbeat != self.heartbeat:
            self._command = self._build()
        return self._command

    def _build(self, flush: bool = False, running: bool = True) -> Command:
        orders, order = self.orders, self.orders.order
        control = 0
        if self.enable.high:
            control |= ControlBit.ENABLE
        if flush or orders.flush:
            control |= ControlBit.FLUSH
        if self.spec.counter.sense < 0:
            control |= ControlBit.FORWARD_COUNTS_DOWN
        if running and self.state in MARKING:
            control |= ControlBit.RUNNING
        return Command(
            self.heartbeat, int(applied(control, self.forced)), self.boot_id, self.owner,
            int(self.spec.limits.lease_s * 1e3),
            self.spec.job_number, int(order.kind), order.station, order.count, order.last, orders.token,
        )  # fmt: skip

    # One scan.

    def take(self, status: Status, image: Image, now_ns: int) -> None:
        """The inputs: count, edges, releases, in the order in which they can explain each other."""
        first = self.status is None
        self.watch.take(status, now_ns)
        self.link.take(image)
        self.status, self.link_error = status, ""
        if status.layout != LAYOUT:
            return
        if not first and status.boot_id != self.boot_id:
            self._lost_count(status, "io_restarted", f"boot id {self.boot_id} became {status.boot_id}", now_ns)
            self._baseline(status, image)
            return
        if first:
            self._baseline(status, image)
            return
        before = self.travel.counts
        step = self.travel.update(status.belt_count, status.sample_us, image.sent_ns, image.got_ns)
        if step is not Step.GOOD:
            self._lost_count(status, "count_jump", "the count moved faster than the belt can", now_ns)
            return
        self._fit(self.travel.counts, status.sample_us, image.sent_ns, image.got_ns)
        self._edges(status, before, now_ns)
        self._products(now_ns)
        self.orders.read(status, self.travel, self.book, self.faults, now_ns)
        if self.orders.shown:
            self._learn_delay()

    def _fit(self, counts: int, sample_us: int | None, sent_ns: int, got_ns: int) -> None:
        if self._fitted:
            # A plain device's count is up to one scan of its own old.
            io_scan_ns = 0 if self.spec.plain is None else int(self.spec.plain.io_scan_s * 1e9)
            self.fit.take(counts, sample_us, sent_ns - io_scan_ns, got_ns)
            self.outbound.exchanged(got_ns - sent_ns)

    def follow(self, ahead: Ahead, scans: int) -> None:
        """Take the belt's samples of so many idle scans, as `take` does one by one."""
        self.travel.follow(ahead, scans)
        if self._fitted:
            stretch, us = ahead.stretch, ahead.stretch.sample_us
            for n in range(scans):
                got_ns = stretch.got_ns(n + 1)
                sample_us = None if us is None else us[n]
                self._fit(ahead.travels[n], sample_us, got_ns - stretch.exchange_ns, got_ns)

    def _learn_delay(self) -> None:
        """What the releases say of how long an order takes; a plain device's counts are read before it acts."""
        for at in self.orders.shown if self.spec.plain is None else ():
            date_ns = self.fit.crossing(at + HALF)
            if date_ns is not None:
                self.outbound.released(self.fit.clock.ours(date_ns) - self.orders.sent_ns)
        self.orders.shown.clear()

    def _baseline(self, status: Status, image: Image) -> None:
        """Begin with the I/O side as it is: what happened there before is not ours."""
        self.boot_id = status.boot_id
        self.fit.restart()
        if self.travel.update(status.belt_count, status.sample_us, image.sent_ns, image.got_ns) is not Step.FIRST:
            self.travel.rebase(status.belt_count)
        self._capture_total = status.capture_total
        self.orders.baseline(status)
        self._begin_unknown(status)

    def _begin_unknown(self, status: Status) -> None:
        self.eye.start(bool(status.bits & StatusBit.DETECTOR_BLOCKED), self.travel.counts)
        self.unknown_until = self.travel.counts + int(self._longest) + 1

    def _lost_count(self, status: Status, fault: str, detail: str, now_ns: int) -> None:
        """Travel is not known any more: nothing that was tracked can be marked, and nobody knows what was."""
        self.faults.report(fault, detail, now_ns)
        self.fit.restart()
        self.orders.give_up(self.book, now_ns, fault)
        self.enable.lower()
        self.void(now_ns, fault)
        self.marks.lose(now_ns)
        self._open.clear()
        self._capture_total = status.capture_total
        self.orders.baseline(status)
        self._begin_unknown(status)

    def start_web(self, now_ns: int) -> None:
        """A start: a web's grid begins or goes on, with nothing on what is not known or too near to be ordered."""
        product = self.eye.latest
        if self.spec.material is Material.WEB and product is None and self.eye.blocked:
            product = self.eye.adopt(self.travel.counts)
            self._open.append(product)
            self.book.add_product(product, now_ns)
        lead = lead_mm(self.travel.speed_counts_s, 0.0, self.link.lead_s)
        self.marks.start(product, self.travel.counts, max(self.travel.counts + lead, float(self.unknown_until)))

    def void(self, now_ns: int, why: str) -> None:
        """Give up every request that waits, and what the plans would still ask for on products already seen."""
        for request in self.book.waiting():
            self.book.end(request, Fate.MISSED, now_ns, Miss.VOID, why)
        self.marks.drop(self._open, now_ns)

    def _edges(self, status: Status, before: int, now_ns: int) -> None:
        travel, eye = self.travel, self.eye
        if not self.spec.detector.captured:
            middle = self.fit.between_looks()
            seen = eye.sample(bool(status.bits & StatusBit.DETECTOR_BLOCKED), before, travel.counts, middle)
            edges = [] if seen is None else [seen]
        elif status.capture_total == self._capture_total:
            edges = []
        else:
            new = (status.capture_total - self._capture_total) % U16
            self._capture_total = status.capture_total
            if new > RING_SIZE:
                self.faults.report("captures_lost", f"{new} edges came since the last scan", now_ns)
                self.marks.lose_open(self._open, now_ns)
                self._begin_unknown(status)
                return
            edges = [
                edge_of(capture, travel.travel_of(capture.count))
                for capture in newest(status.captures, status.capture_total, new)
                if capture.edge & ~BACKWARD in EDGES
            ]
        if edges:
            response = travel.speed_counts_s * self.spec.detector.response_s
            for seen in edges:
                began = eye.see(seen, response)
                if began is not None:
                    self._open.append(began)
        eye.settle(travel.counts, travel.counts < before)

    def _products(self, now_ns: int) -> None:
        """Products become known, ask for their marks, and are finished when nothing can lengthen them any more."""
        for product in tuple(self._open):
            if product.confirmed and product.id not in self.book.products:
                self.book.add_product(product, now_ns)
                self._product_ns = now_ns
                self.marks.begin(product)
            if product.final:
                self._open.remove(product)
                if product.confirmed:
                    self.marks.finish(product, self.travel.counts, now_ns, self.state)
        self.marks.fill(self.travel.counts, now_ns, self.state)

    def watch_faults(self, status: Status | None, image: Image, now_ns: int) -> None:
        """Bring the fault book up to date with what is present now."""
        found: dict[str, str] = {}
        good_ns = self.watch.good_ns
        if status is not None:
            found = present(self.spec, self.watch, status, self.travel, self.enable, self.owner, now_ns)
            silent_s = (now_ns - self.silent_since_ns) * 1e-9 if self.state in MARKING else 0.0
            found.update(eye_faults(self.spec, self.eye.blocked_mm(self.travel.counts), silent_s))
        elif good_ns is not None and now_ns - good_ns > self.spec.limits.link_lost_s * 1e9:
            found["link_lost"] = self.link_error
        else:
            return
        if not image.journal_ok:
            found["journal_failed"] = ""
        if self.orders.unanswered_s(now_ns) > self.spec.limits.order_s and status is not None:
            found["order_unanswered"] = f"for {self.spec.limits.order_s:g} s"
        self.faults.update(found, now_ns)
        limit = self.spec.limits.misses_in_a_row
        if limit and self.book.misses_in_a_row >= limit:
            self.book.misses_in_a_row = 0
            self.faults.report("misses_in_a_row", f"{limit} marks", now_ns)
