"""What a line needs of its link, its distances and its counter: the arithmetic, for its top speed.

Rules of this file: pure arithmetic on a `LineSpec`. The worst case of everything at once: top speed, greatest
acceleration, worst exchange, and the host late by what `controller.lead` allows it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from controller.lead import HOST_LATENESS_S, lead_mm, lead_time_s, needed_lease_s, orders_per_s, scan_s
from controller.spec import Detector, LineSpec, MarkPlan, Material, Plain, PlanEdge, Station

LEAD_SHARE = 8
"""Targets are sent ahead by this share of the counter's range at most: half of what the I/O side takes."""


@dataclass(frozen=True, slots=True)
class StationNeeds:
    """What one station needs and can do.

    `least_distance_mm` is None where it cannot be known (continuous from the trailing edge, no longest product).
    `residue_counts` is how far distance and offset lie from a place that rounding does not shift: the mean bias that
    one-count compare gives every first mark, positive = late. `even_distance_mm` is the nearest distance without it.
    `marks_per_s` and `keeps_up_mm_s` are None where no least spacing of marks is known.
    """

    name: str
    least_distance_mm: float | None
    residue_counts: float
    even_distance_mm: float
    marks_per_s: float | None
    keeps_up_mm_s: float | None


@dataclass(frozen=True, slots=True)
class LinkNeeds:
    """What a line asks of its link and what the link can serve; times in s, lengths in mm.

    `sample_gap_s` is the longest time between two looks at the I/O side. `captures_per_scan` is the most detector
    edges in it, None where no least product spacing is known.
    """

    scan_s: float
    lead_s: float
    lead_mm: float
    sample_gap_s: float
    orders_per_s: float
    shortest_lease_s: float
    captures_per_scan: int | None
    stations: tuple[StationNeeds, ...]


def feasible(spec: LineSpec) -> LinkNeeds:
    """Work out what the line needs, for its stated worst exchange, top speed and greatest acceleration."""
    lead_s = lead_time_s(spec.period_s, spec.exchange_s, spec.limits.least_lead_s)
    gap_s = scan_s(spec.period_s, spec.exchange_s) + spec.exchange_s + HOST_LATENESS_S
    spacing_mm = product_spacing_mm(spec.detector)
    return LinkNeeds(
        scan_s=scan_s(spec.period_s, spec.exchange_s),
        lead_s=lead_s,
        lead_mm=lead_mm(spec.top_speed_mm_s, spec.max_accel_mm_s2, lead_s),
        sample_gap_s=gap_s,
        orders_per_s=orders_per_s(spec.period_s, spec.exchange_s),
        shortest_lease_s=needed_lease_s(spec.period_s, spec.exchange_s),
        captures_per_scan=most_in(spec.top_speed_mm_s * gap_s, spacing_mm, each=2),
        stations=tuple(_station_needs(spec, station, lead_s) for station in spec.stations),
    )


def _station_needs(spec: LineSpec, station: Station, lead_s: float) -> StationNeeds:
    plan = station.plan
    ahead_mm = plan.offset_mm if plan.edge is PlanEdge.LEADING else -plan.offset_mm
    counts = (station.distance_mm + ahead_mm) / spec.scale_mm
    # A captured edge lies in the middle of its count; from there only a half-integer distance ends on a whole count.
    even = math.floor(counts) + 0.5
    spacing_mm = mark_spacing_mm(spec.detector, plan)
    service_s = station.mark_time_s + station.rearm_s
    keeps_up = [station.cut_off_mm_s] if station.cut_off_mm_s is not None else []
    if spacing_mm is not None and service_s > 0:
        keeps_up.append(spacing_mm / service_s)
    return StationNeeds(
        name=station.name,
        least_distance_mm=_least_distance_mm(spec, station, lead_s),
        residue_counts=even - counts,
        even_distance_mm=even * spec.scale_mm - ahead_mm,
        marks_per_s=None if spacing_mm is None else spec.top_speed_mm_s / spacing_mm,
        keeps_up_mm_s=min(keeps_up, default=None),
    )


def _least_distance_mm(spec: LineSpec, station: Station, lead_s: float) -> float | None:
    """Give the belt from the eye to the station that knowing the product, and then ordering the mark, take."""
    known = known_after_mm(spec.detector, station.plan)
    if known is None:
        return None
    needed_s = ordering_s(spec, station, lead_s)
    return max(0.0, known + lead_mm(spec.top_speed_mm_s, spec.max_accel_mm_s2, needed_s))


def ordering_s(spec: LineSpec, station: Station, lead_s: float) -> float:
    """Give the time from knowing a mark to its trigger, for a lead of `lead_s`, in s."""
    return lead_s + spec.detector.response_s + station.response_s


def known_after_mm(detector: Detector, plan: MarkPlan) -> float | None:
    """Give how far before its place, in mm, a mark is known at the latest; None where no longest product is known.

    Negative: it is known so long before.
    """
    if plan.edge is PlanEdge.LEADING:
        # A mark that keeps on the product waits until its end has been seen, wherever on the product it is.
        known = plan.length_mm if plan.keep_on_product else -plan.offset_mm if plan.count is not None else 0.0
        return max(known, detector.least_length_mm - plan.offset_mm)
    # The trailing edge stands when no gap can be bridged any more; then the mark nearest the front is due first.
    settled = max(detector.least_gap_mm, detector.hold_off_mm - detector.least_length_mm)
    if plan.count is None:
        return None if detector.jam_length_mm is None else detector.jam_length_mm + settled
    return plan.offset_mm + (plan.count - 1) * plan.pitch_mm + settled


def product_spacing_mm(detector: Detector) -> float | None:
    """Give the closest that two leading edges can follow each other past the filters; None: no filter says so."""
    spacing = max(detector.least_length_mm + detector.least_gap_mm, detector.hold_off_mm)
    return spacing if spacing > 0 else None


def lever_mm(station: Station, material: Material) -> float:
    """The travel from the edge to the mark that is furthest from it, over which scale and slip work, in mm.

    On a web and of a plan without end, the first mark.
    """
    plan = station.plan
    last = 0 if plan.count is None or material is Material.WEB else plan.count - 1
    if plan.edge is PlanEdge.LEADING:
        return station.distance_mm + plan.offset_mm + last * plan.pitch_mm
    return station.distance_mm - plan.offset_mm


def mark_spacing_mm(detector: Detector, plan: MarkPlan) -> float | None:
    """Give the closest that two marks of a plan can follow each other; None: nothing says so."""
    several = plan.count is None or plan.count > 1
    return plan.pitch_mm if several and plan.pitch_mm > 0 else product_spacing_mm(detector)


def least_window_mm(spec: LineSpec, plain: Plain) -> float:
    """Give the belt, in mm at top speed, by which a release in the nearest scan may miss its place.

    Half a scan; and the count that the window is held against is read before the output acts, by as much as an
    exchange and a scan of the device.
    """
    return spec.top_speed_mm_s * (0.5 * scan_s(spec.period_s, spec.exchange_s) + spec.exchange_s + plain.io_scan_s)


def most_in(belt_mm: float, spacing_mm: float | None, each: int = 1) -> int | None:
    """Give the most events in a piece of belt, `each` of them at every spacing."""
    return None if spacing_mm is None else each * (math.floor(belt_mm / spacing_mm) + 1)
