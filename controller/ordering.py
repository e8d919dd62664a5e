"""Which request is ordered next, and what becomes of those that no order can reach any more."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
from math import inf, sqrt
from typing import Final

from controller.lead import lead_mm
from controller.line import Line
from controller.model import Fate, Miss
from controller.registers import Status
from controller.requests import Request
from controller.spec import ReleasePath, Station
from controller.timed import Moment, decide_by_ns, half_scan_ns, moment, next_scan_ns, overdue_counts
from controller.travel import Ahead

QUARTER: Final = 4
"""The I/O side refuses a target further ahead than a quarter of the counter's range; half of that is ample."""
TEST_WINDOW_MM = 100.0
"""A test mark is permitted only while the belt has not moved further than this."""


def lead_counts(line: Line, speed_counts_s: float) -> float:
    """How far ahead of its target an order is sent at this speed, in counts."""
    spec = line.spec
    counts = lead_mm(speed_counts_s, spec.max_accel_mm_s2 / spec.scale_mm, line.link.lead_s)
    return min(counts, spec.counter.modulus / (2 * QUARTER))


@dataclass(slots=True)
class Aim:
    """What a request's order will say: the target in counts of travel, and the speed it reckons with there.

    `moment` is when to send it, None for a target that is sent ahead or has been passed; `late`: it cannot arrive in
    time any more.
    """

    target: int
    speed_counts_s: float
    late: bool
    moment: Moment | None = None


def target_of(line: Line, request: Request, station: Station, speed: float) -> tuple[int, float]:
    """The target to order, in counts of travel, and the belt speed it reckons with at the release, in counts/s.

    The marker acts its response time after the release, so the release comes that much belt earlier. The exact due
    travel and the response are added before they are rounded, once.
    """
    if station.response_s == 0.0:
        return round(request.due), speed
    away = request.due - line.travel.counts - station.response_s * max(0.0, speed)
    at_release = line.travel.speed_after(away, line.spec.max_accel_mm_s2 / line.spec.scale_mm)
    return round(request.due - at_release * station.response_s), at_release


def _aim_ahead(line: Line, request: Request, station: Station, speed: float, lead: float) -> Aim | None:
    target, at_release = target_of(line, request, station, speed)
    travel = line.travel.counts
    if target - travel > lead:
        return None
    # An order decided now arrives part of an exchange from now, on a sample that is part of one old.
    arrives = travel + max(0.0, speed) * line.link.exchange_ns * 1e-9
    return Aim(target, at_release, late=target <= arrives)


def _aim_in_time(line: Line, request: Request, station: Station, now_ns: int) -> Aim | None:
    reach = station.window_mm / line.spec.scale_mm
    when = moment(line, request, station)
    if when is None:
        # It stands, or turns back before it: what has gone past meanwhile cannot be reached any more.
        passed = line.travel.counts > request.due + reach
        return Aim(round(request.due), 0.0, late=True) if passed else None
    if station.release is ReleasePath.SCAN:
        sent_ns = next_scan_ns(line, now_ns)
        waits = when.send_ns - sent_ns > half_scan_ns(line)
    else:
        sent_ns = now_ns
        waits = when.send_ns > decide_by_ns(line, now_ns)
    if waits:
        return None
    late = overdue_counts(when, sent_ns) > reach
    return Aim(round(when.target), when.speed_counts_s, late, when)


def order_next(line: Line, status: Status, now_ns: int) -> bool:
    """Resolve what has passed, and give at most one order; whether one was given."""
    speed = line.travel.speed_counts_s
    lead = lead_counts(line, max(0.0, speed))
    chosen: tuple[Request, Aim] | None = None
    for index, station in enumerate(line.spec.stations):
        found = _next_of(line, status, index, station, speed, lead, now_ns)
        if found is not None and (chosen is None or found[0].due < chosen[0].due):
            chosen = found
    if chosen is None or not line.orders.free:
        return False
    request, aim = chosen
    line.book.take(request.station)
    request.target = aim.target
    if aim.moment is None:
        line.orders.place(request, line.travel.raw_of(aim.target), status, now_ns)
    else:
        request.window = aim.moment.window
        first, last = (line.travel.raw_of(count) for count in aim.moment.window)
        scan = line.spec.stations[request.station].release is ReleasePath.SCAN
        send_ns = None if scan else aim.moment.send_ns
        line.orders.place_timed(request, (first, last), status, now_ns, send_ns, line.next_heartbeat)
    line.book.sent[line.orders.token] = request
    return True


def _next_of(
    line: Line, status: Status, index: int, station: Station, speed: float, lead: float, now_ns: int
) -> tuple[Request, Aim] | None:
    """The station's next request with its aim, if it is to be ordered now; resolves those it is too late for."""
    book, travel, full = line.book, line.travel.counts, False
    while (request := book.head(index)) is not None:
        if not line.marking or (line.complete_at is not None and request.product.lead > line.complete_at):
            if request.due > travel:
                return None
            _miss(line, index, now_ns, Miss.NOT_PERMITTED, f"passed in {line.state.name.capitalize()}")
            continue
        if request.due - station.response_s * max(0.0, speed) - travel > 2.0 * lead + 2.0:
            return None  # far ahead, whatever the speed at the release will be
        if line.spec.dry and request.target is not None:
            # It would have been ordered in time; it would have been marked when its target is reached.
            if request.target > travel:
                return None
            book.end(book.take(index), Fate.DRY, now_ns)
            continue
        ahead = station.release is ReleasePath.COMPARE
        aim = _aim_ahead(line, request, station, speed, lead) if ahead else _aim_in_time(line, request, station, now_ns)
        if aim is None:
            return None
        request.speed_mm_s = aim.speed_counts_s * line.spec.scale_mm
        cut_off_mm_s = station.cut_off_mm_s
        if cut_off_mm_s is not None and request.speed_mm_s > cut_off_mm_s:
            _miss(line, index, now_ns, Miss.TOO_FAST, f"{request.speed_mm_s:.0f} mm/s")
            continue
        armed, depth = room(status, index)
        if aim.late:
            # What queued behind one that found no room is late for the same reason.
            full = ahead and (full or armed >= depth or request.withheld is Miss.FULL)
            reason = Miss.FULL if full else Miss.LATE
            _miss(line, index, now_ns, reason, "due before an order could arrive")
            continue
        if line.spec.dry:
            request.target = aim.target
            continue
        if ahead and armed >= depth:
            request.withheld = Miss.FULL
            return None
        return request, aim
    return None


def room(status: Status, station: int) -> tuple[int, int]:
    """How many targets a station's compare holds and how many it can hold."""
    if station == 0:
        return status.armed, status.depth
    if station <= len(status.stations):
        further = status.stations[station - 1]
        return further.armed, further.depth
    return 0, 0


def _miss(line: Line, station: int, now_ns: int, reason: Miss, detail: str) -> None:
    line.book.end(line.book.take(station), Fate.MISSED, now_ns, reason, detail)


def order_test(line: Line, status: Status, now_ns: int) -> None:
    """Order the test mark that someone confirmed, here and now."""
    if line.test_station is None:
        return
    last = line.travel.counts + int(TEST_WINDOW_MM / line.spec.scale_mm)
    line.orders.place_test(
        line.test_station, line.travel.raw_of(line.travel.counts), line.travel.raw_of(last), status, now_ns
    )


def _surely_free(line: Line, exchange_ns: int) -> float:
    """The travel up to which no order can become due, however fast the belt runs, in counts."""
    if not line.marking:
        return min([head.due for head in line.book.heads()], default=inf)
    accel = line.spec.max_accel_mm_s2 / line.spec.scale_mm
    lead_s = line.link.lead_s
    fastest = line.travel.fastest_counts_s(exchange_ns) + accel * (line.travel.age_s + lead_s)
    stations = line.spec.stations
    free = inf
    for head in line.book.heads():
        free = min(free, round(head.due) - fastest * (lead_s + stations[head.station].response_s))
    return free - 0.5 * accel * lead_s * lead_s - 2.0


def undecided(line: Line, ahead: Ahead) -> int:
    """How many of the scans looked at ahead would neither order nor resolve a request: those before the first that may.

    Up to where no speed makes an order due, the belt running forward, the scans need not be looked at one by one. For a
    marker with a response the belt may speed up as the drive can, so that one looks again early enough.
    """
    scans = len(ahead.travels)
    first = bisect_left(ahead.travels, _surely_free(line, ahead.stretch.exchange_ns))
    if first == scans or not line.marking:
        return first
    accel = line.spec.max_accel_mm_s2 / line.spec.scale_mm
    lead_s, age_s = line.link.lead_s, line.travel.age_s
    steady, most = 0.5 * accel * lead_s * lead_s, line.spec.counter.modulus / (2 * QUARTER)
    stations = line.spec.stations
    dues = [(round(head.due), stations[head.station].response_s) for head in line.book.heads()]
    for n in range(first, scans):
        travel, forward = ahead.travels[n], max(0.0, ahead.speed(n))
        lead = min(most, forward * lead_s + steady)
        for due, response_s in dues:
            away = due - travel
            if response_s and away > lead:
                now = forward + accel * age_s
                away -= int(response_s * sqrt(now * now + 2.0 * accel * away)) + 2
            if away <= lead:
                return n
    return scans
