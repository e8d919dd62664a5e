"""Release in time: when an order has to be sent so that it arrives as the belt crosses the mark's place.

On a timed path it is sent at that instant; on a scan path with the scan that comes nearest to it.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, floor

from controller.lead import scan_s
from controller.line import Line
from controller.requests import Request
from controller.spec import Station

MARGIN_S = 0.001
"""What a scan may come later than its exchange lets expect, before an order that it should have placed is late."""


@dataclass(slots=True)
class Moment:
    """When an order is to be sent, by our clock, and where the belt will then be released at, in counts of travel.

    `window` is the first and the last count at which the release is permitted.
    """

    send_ns: int
    target: float
    window: tuple[int, int]
    speed_counts_s: float


def moment(line: Line, request: Request, station: Station) -> Moment | None:
    """The moment for a request; None while the belt, as it moves now, does not come to its place.

    The marker acts its response time after its release, and the release comes an outbound delay after the sending.
    """
    fit = line.fit
    crossing_ns = fit.crossing(request.due)
    if crossing_ns is None:
        return None
    release_ns = crossing_ns - station.response_s * 1e9
    target = fit.place_at(release_ns)
    reach = station.window_mm / line.spec.scale_mm
    return Moment(
        fit.clock.ours(release_ns) - line.outbound_ns,
        target,
        (floor(target - reach), ceil(target + reach)),
        fit.speed_at(release_ns),
    )


def decide_by_ns(line: Line, now_ns: int) -> int:
    """Until when an order must be placed now, because the next scan may come too late for it.

    The next exchange begins a period after this one; it, and the decision on it, may take as long as the worst of late.
    """
    exchange_s = max(line.link.worst_exchange_s, line.link.exchange_ns * 1e-9)
    return now_ns + int((scan_s(line.spec.period_s, exchange_s) + exchange_s + MARGIN_S) * 1e9)


def next_scan_ns(line: Line, now_ns: int) -> int:
    """When the next scan begins: its exchange carries what is decided now."""
    return max(now_ns, line.sent_ns + int(line.spec.period_s * 1e9))


def half_scan_ns(line: Line) -> int:
    """Half the time between two scans, by the exchange of late: an order nearer than that to a scan goes with it."""
    return int(scan_s(line.spec.period_s, line.outbound.exchange_ns * 1e-9) * 0.5e9)


def overdue_counts(moment: Moment, sent_ns: int) -> float:
    """How far the belt will be past the place when an order sent at that time arrives; 0 where it is in time."""
    return max(0.0, (sent_ns - moment.send_ns) * 1e-9 * moment.speed_counts_s)
