"""Release in time: when an order has to be sent so that it arrives as the belt crosses the mark's place."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, floor

from controller.lead import scan_s
from controller.line import Line
from controller.requests import Request
from controller.spec import Station

MARGIN_S = 0.001
"""What a scan may come later than its exchange lets expect, before an order that it should have placed is late."""


@dataclass(frozen=True, slots=True)
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
        fit.clock.ours(release_ns) - line.outbound.delay_ns,
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


def overdue_counts(moment: Moment, now_ns: int) -> float:
    """How far the belt will be past the place when an order that is sent now arrives; 0 where it is in time."""
    return max(0.0, (now_ns - moment.send_ns) * 1e-9 * moment.speed_counts_s)
