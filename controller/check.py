"""Whether a line can work, and what it will do, in words: what `controller.needs` works out, before anyone marks."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from controller.lead import scan_s
from controller.needs import LEAD_SHARE, LinkNeeds, StationNeeds, feasible, mark_spacing_mm, most_in
from controller.opcua_check import opcua_rows
from controller.plain_check import plain_problems, plain_rows, scan_error_text
from controller.plant_check import plant_rows
from controller.registers import RING_SIZE
from controller.serial_line import place_text
from controller.spec import Detector, LineSpec, MarkPlan, Material, PlanEdge, ReleasePath, Station
from controller.units import Display

if TYPE_CHECKING:
    from controller.settings.line import LineConfig

TOLERABLE_RESIDUE_COUNTS = 0.05
"""A mean bias from rounding below this share of a count is not worth changing a distance for."""


def problems(spec: LineSpec, display: Display | None = None) -> list[str]:
    """Why the line cannot work as set, each "key: what; how to mend"; empty when it can.

    Figures are in the units of `display`.
    """
    needs, units = feasible(spec), Display() if display is None else display
    return [
        *_link_problems(spec, needs, units),
        *_counter_problems(spec, needs, units),
        *(text for n in range(len(spec.stations)) for text in _station_problems(spec, needs, n, units)),
        *plain_problems(spec, needs.shortest_lease_s, units),
        *_rate_problems(spec, needs),
    ]


def _link_problems(spec: LineSpec, needs: LinkNeeds, units: Display) -> Iterator[str]:
    if spec.limits.lease_s < needs.shortest_lease_s:
        yield (
            f"link.lease: {units.time(spec.limits.lease_s)} cannot be kept over this link; "
            f"make it {units.time(needs.shortest_lease_s)} or more"
        )
    if spec.limits.link_lost_s < needs.sample_gap_s:
        yield (
            f"link.lost_after: {units.time(spec.limits.link_lost_s)} would call a slow exchange a lost link; "
            f"make it {units.time(needs.sample_gap_s)} or more"
        )


def _counter_problems(spec: LineSpec, needs: LinkNeeds, units: Display) -> Iterator[str]:
    modulus = spec.counter.modulus
    lead_counts = needs.lead_mm / spec.scale_mm
    if lead_counts > modulus / LEAD_SHARE:
        yield (
            f"encoder: the lead of {units.length(needs.lead_mm)} is {lead_counts:.0f} counts, more than an eighth of "
            f"the counter's {modulus} values; take a wider counter, fewer counts a turn, or a lower top_speed"
        )
    gap_counts = spec.top_speed_mm_s * needs.sample_gap_s / spec.scale_mm
    if gap_counts >= modulus / 2:
        yield (
            f"encoder: at top speed the belt can move {gap_counts:.0f} counts between two looks, half the counter's "
            f"{modulus} values or more; take a wider counter, fewer counts a turn, or a lower top_speed"
        )


def _station_problems(spec: LineSpec, needs: LinkNeeds, index: int, units: Display) -> Iterator[str]:
    station, least_mm = spec.stations[index], needs.stations[index].least_distance_mm
    plan, place = station.plan, f'stations#{index + 1}, "{station.name}"'
    if plan.pitch_mm < spec.scale_mm and (plan.count is None or plan.count > 1):
        yield (
            f"{place}: the job's pitch of {units.length(plan.pitch_mm)} is shorter than one count "
            f"({units.length(spec.scale_mm)}); make it longer"
        )
    if least_mm is None:
        yield (
            f"{place}: continuous marks from the trailing edge need the longest product; "
            "set detector.jam_length, or give the job's plan a number as count"
        )
    elif station.distance_mm < least_mm:
        reason = _why(plan)
        yield (
            f"{place}: distance {units.length(station.distance_mm)} is shorter than the {units.length(least_mm)} that "
            f"{reason} at top speed needs over this link; move it downstream, lower top_speed, or use a faster link"
        )


def _why(plan: MarkPlan) -> str:
    if plan.edge is PlanEdge.TRAILING:
        return "a plan from the trailing edge (offset, pitches and lead)"
    if plan.keep_on_product:
        return "keep_on_product (length of the mark and lead)"
    return "sending a mark ahead"


def _rate_problems(spec: LineSpec, needs: LinkNeeds) -> Iterator[str]:
    rates = [s.marks_per_s for s in needs.stations if s.marks_per_s is not None]
    if sum(rates) > needs.orders_per_s:
        yield (
            f"link: at top speed {sum(rates):.1f} marks a second can be due, and the link carries "
            f"{needs.orders_per_s:.1f} orders a second; lower line.top_speed, raise pitch or detector.least_gap, "
            "or use a faster link"
        )
    if spec.detector.captured and needs.captures_per_scan is not None and needs.captures_per_scan > RING_SIZE:
        yield (
            f"detector: at top speed {needs.captures_per_scan} edges can come between two looks, and the ring holds "
            f"{RING_SIZE}; raise detector.least_length, least_gap or hold_off, lower top_speed, or use a faster link"
        )
    belt_mm = spec.top_speed_mm_s * needs.sample_gap_s
    releases = [most_in(belt_mm, mark_spacing_mm(spec.detector, s.plan)) or 0 for s in spec.stations]
    if sum(releases) > RING_SIZE:
        yield (
            f"link: at top speed {sum(releases)} marks can be released between two looks, and the ring holds "
            f"{RING_SIZE}; lower line.top_speed, raise pitch, or use a faster link"
        )


_MATERIAL = {Material.DISCRETE: "separate products", Material.WEB: "endless web"}


def describe(config: LineConfig) -> list[tuple[str, str]]:
    """Say what the line will do, row by row, in its user's units."""
    spec, units = config.spec(), config.display
    needs = feasible(spec)
    rows = [
        ("line", f"{spec.name}, {_MATERIAL[spec.material]}, up to {units.speed(spec.top_speed_mm_s)}"),
        ("job", f"{spec.job_name} (number {spec.job_number})"),
        ("I/O side", _side_text(config, units)),
        *opcua_rows(config),
        ("scan", _scan_text(spec, needs, units)),
        ("scale", _scale_text(spec, units)),
        ("detector", _detector_text(spec.detector, needs, units)),
        ("lead", _lead_text(spec, needs, units)),
        ("orders", f"the link carries {needs.orders_per_s:.4g} a second{_demand_text(needs)}"),
        *plain_rows(spec, config.proof, units),
        (
            "lease",
            f"{units.time(spec.limits.lease_s)} (at least {units.time(needs.shortest_lease_s)}); without us marking "
            f"stops within {units.length(spec.limits.lease_s * spec.top_speed_mm_s, 4)} of belt",
        ),
    ]
    for station, need in zip(spec.stations, needs.stations, strict=True):
        rows.append((f"station {station.name}", _plan_text(station.plan, units)))
        rows.append(("  distance", _distance_text(station, need, units)))
        rows.append(("  error", _error_text(spec, station, need, units)))
        if need.keeps_up_mm_s is not None:
            short = need.keeps_up_mm_s < spec.top_speed_mm_s
            warning = ": faster, some marks are missed" if short else ""
            rows.append(("  keeps up", f"to {units.speed(need.keeps_up_mm_s)}{warning}"))
    names = ", ".join(f"{name} (bit {bit})" for bit, name in sorted(spec.interlocks.items()))
    rows.append(("interlocks", names or "none named; the I/O side's own summary bit alone is heeded"))
    rows.append(("journal", f"{config.journal_path}, kept {config.settings.journal.keep_days} days"))
    rows.extend(plant_rows(config.settings.plant))
    return rows


def _side_text(config: LineConfig, units: Display) -> str:
    host, port = config.address
    link = config.settings.link
    bench = "a test address" if config.is_test_address(host, port) else "real I/O"
    text = f"{place_text(host, port)}, {bench}"
    least_s = config.least_exchange_s
    if least_s is not None:
        return f"{text}, unit {link.unit_id}, {link.serial_line()}: an exchange takes {units.time(least_s)} or more"
    return f"{text}, serial framing over Ethernet" if link.protocol == "modbus-rtu-tcp" else text


def _scan_text(spec: LineSpec, needs: LinkNeeds, units: Display) -> str:
    limited = " (limited by the link)" if spec.exchange_s > spec.period_s else ""
    return (
        f"{units.time(needs.scan_s)}{limited} = the greater of period {units.time(spec.period_s)} "
        f"and worst exchange {units.time(spec.exchange_s)}"
    )


def _scale_text(spec: LineSpec, units: Display) -> str:
    way = "up" if spec.counter.sense > 0 else "down"
    wraps = units.belt(spec.counter.modulus * spec.scale_mm)
    return f"{units.length(spec.scale_mm)} a count, forward counts {way}, the counter wraps every {wraps}"


def _detector_text(detector: Detector, needs: LinkNeeds, units: Display) -> str:
    kind = "captured edges" if detector.captured else "sampled edges"
    text = f"{kind}, response {units.time(detector.response_s)}"
    if detector.captured and needs.captures_per_scan is not None:
        text += f", at most {needs.captures_per_scan} between two looks (the ring holds {RING_SIZE})"
    return text


def _demand_text(needs: LinkNeeds) -> str:
    rates = [s.marks_per_s for s in needs.stations if s.marks_per_s is not None]
    return f", at most {sum(rates):.4g} are due at top speed" if rates else ""


def _plan_text(plan: MarkPlan, units: Display) -> str:
    edge = f"{units.length(plan.offset_mm)} from the {plan.edge} edge"
    if plan.count == 1:
        return f"one mark, {edge}"
    number = "marks while material lasts" if plan.count is None else f"{plan.count} marks"
    return f"{number}, the first {edge}, then every {units.length(plan.pitch_mm)}"


def _distance_text(station: Station, need: StationNeeds, units: Display) -> str:
    least = "unknown" if need.least_distance_mm is None else units.length(need.least_distance_mm, 4)
    return f"{units.length(station.distance_mm)} from the detector (at least {least})"


def _lead_text(spec: LineSpec, needs: LinkNeeds, units: Display) -> str:
    ahead = f"{units.time(needs.lead_s)} ahead, {units.length(needs.lead_mm, 4)} at top speed"
    if all(s.release is ReleasePath.COMPARE for s in spec.stations):
        return f"targets are sent {ahead}"
    return f"marks must be known {ahead}; orders that are not for a compare leave as the belt comes to their place"


def _error_text(spec: LineSpec, station: Station, need: StationNeeds, units: Display) -> str:
    if station.release is ReleasePath.SCAN:
        return scan_error_text(spec, units)
    if station.release is ReleasePath.TIMED:
        return (
            f"what the link's times make of it (beltcue promise says); beyond {units.length(station.window_mm)} "
            "an order is refused and the mark missed"
        )
    if not spec.detector.captured:
        polled = spec.top_speed_mm_s * scan_s(spec.period_s, spec.exchange_s)
        return f"up to {units.length(polled, 3)} at top speed, because edges are sampled"
    text = f"one count, {units.length(spec.scale_mm, 3)}"
    if abs(need.residue_counts) > TOLERABLE_RESIDUE_COUNTS and station.response_s == spec.detector.response_s == 0:
        late = "late" if need.residue_counts > 0 else "early"
        text += (
            f"; marks land {abs(need.residue_counts):.2f} count {late} on average, "
            f"with distance {units.length(need.even_distance_mm, 7)} they would not"
        )
    return text
