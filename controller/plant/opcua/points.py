"""The line's own values beside PackML: tracking, queue, requests, products, job, link, and what to do next."""

from __future__ import annotations

from asyncua import ua

from controller.model import Miss, ProductFate
from controller.plant.image import LineAbout
from controller.plant.opcua.seen import WAITING, Analog, Bad, Point, Seen
from controller.units import to_unit

_T = ua.VariantType
_YEAR_S = 365 * 86_400


def count(number: int) -> int:
    """A counter as 32 bits, which it begins anew from when they are full."""
    return number & 0xFFFF_FFFF


def camel(name: str) -> str:
    """A name of ours as OPC UA writes names: part_marked → PartMarked."""
    return "".join(word.capitalize() for word in name.split("_"))


def speed(about: LineAbout) -> Analog:
    """Speeds: up to the top speed, and backward as fast."""
    top = to_unit(about.top_speed_mm_s, about.speed_unit)
    return Analog(about.speed_unit, -top, top)


def _on_line(about: LineAbout) -> Analog:
    """Lengths between the detector and the last station."""
    return Analog(about.length_unit, 0.0, to_unit(about.distance_mm, about.length_unit))


def _travel(about: LineAbout) -> Analog:
    """A year at top speed, either way."""
    far = to_unit(about.top_speed_mm_s * _YEAR_S, about.length_unit)
    return Analog(about.length_unit, -far, far)


def _ms(_: LineAbout) -> Analog:
    return Analog("ms", 0.0, 1000.0)


def _us(_: LineAbout) -> Analog:
    return Analog("µs", 0.0, 1_000_000.0)


def _status_age_s(seen: Seen) -> float | Bad:
    age_ns = seen.snapshot.status_age_ns
    return WAITING if age_ns is None else age_ns / 1e9


def _line() -> list[Point]:
    return [
        Point("State", _T.String, lambda s: s.snapshot.state.name.capitalize(), "the PackML state by its name"),
        Point("StateSince", _T.DateTime, lambda s: s.since(s.snapshot.state_ns), "when that state was entered"),
        Point("Mode", _T.String, lambda s: s.snapshot.mode.name.capitalize(), "Production, Maintenance or Manual"),
        Point("Remote", _T.Boolean, lambda s: s.snapshot.remote, "whether commands from the plant are taken"),
        Point("DryRun", _T.Boolean, lambda s: s.snapshot.dry, "everything runs and nothing is marked"),
        Point("FirstCause", _T.String, lambda s: s.snapshot.first_cause, "what stopped the line first, until Reset"),
        Point("NotPermitted", _T.String, lambda s: s.snapshot.not_permitted, "what keeps a start from being accepted"),
        Point("NextStep", _T.String, lambda s: s.snapshot.next_step, "what the operator should do next"),
        Point("LastAnswer", _T.String, lambda s: s.memory.answer, "what the last command given here was answered"),
        Point("Balanced", _T.Boolean, lambda s: s.snapshot.balanced, "every product and request is in one place"),
    ]


def _tracking() -> list[Point]:
    at = "Tracking/"
    return [
        Point(at + "Speed", _T.Double, lambda s: s.speed(s.snapshot.speed_mm_s), "of the belt; backward is negative",
              acquired=True, analog=speed),
        Point(at + "Travel", _T.Double, lambda s: s.length(s.snapshot.travel_counts * s.about.scale_mm),
              "of the belt since launch", acquired=True, analog=_travel),
        Point(at + "UnknownLength", _T.Double, lambda s: s.length(s.snapshot.unknown_mm),
              "belt that holds products which nobody saw pass the detector", acquired=True, analog=_on_line),
        Point(at + "InFlight", _T.UInt32, lambda s: s.snapshot.in_flight, "products that have not ended"),
        Point(at + "StatusAge", _T.Double, _status_age_s, "since the I/O side's last answer",
              analog=lambda a: Analog("s", 0.0, a.lost_after_s)),
    ]  # fmt: skip


def _queue() -> list[Point]:
    at = "Queue/"
    return [
        Point(at + "Pending", _T.UInt32, lambda s: s.snapshot.pending, "mark requests that have not ended"),
        Point(at + "Armed", _T.UInt32, lambda s: s.snapshot.armed, "targets that the I/O side holds", acquired=True),
        Point(at + "Lead", _T.Double, lambda s: s.length(s.snapshot.lead_mm), "how far ahead targets are sent",
              analog=_on_line),
        Point(at + "LeadTime", _T.Double, lambda s: s.snapshot.lead_ms, "how long ahead targets are sent",
              analog=_ms),
    ]  # fmt: skip


def _missed(reason: Miss) -> Point:
    return Point(f"Requests/Missed/{camel(reason)}", _T.UInt32, lambda s: count(s.snapshot.counters.missed[reason]))


def _fate(fate: ProductFate) -> Point:
    return Point(f"Products/{camel(fate)}", _T.UInt32, lambda s: count(s.snapshot.counters.products[fate]))


def _counters() -> list[Point]:
    return [
        Point("Requests/Created", _T.UInt32, lambda s: count(s.snapshot.counters.created), "marks asked for"),
        Point("Requests/Marked", _T.UInt32, lambda s: count(s.snapshot.counters.marked)),
        Point("Requests/Dry", _T.UInt32, lambda s: count(s.snapshot.counters.dry), "would have been marked"),
        *(_missed(reason) for reason in Miss),
        Point("Requests/TestMarks", _T.UInt32, lambda s: count(s.snapshot.counters.test_marks), "counted apart"),
        Point("Products/Detected", _T.UInt32, lambda s: count(s.snapshot.counters.detected)),
        *(_fate(fate) for fate in ProductFate if fate is not ProductFate.IN_FLIGHT),
        Point("Job/Name", _T.String, lambda s: s.snapshot.job),
        Point("Job/Number", _T.UInt32, lambda s: s.about.job_number, "asked for of the marker"),
        Point("Job/Loaded", _T.UInt32, lambda s: count(s.snapshot.job_loaded), "which the marker has", acquired=True),
    ]


def _link() -> list[Point]:
    at = "Link/"
    return [
        Point(at + "Answering", _T.Boolean, lambda s: not s.stale and not s.snapshot.link_error),
        Point(at + "Error", _T.String, lambda s: s.snapshot.link_error),
        Point(at + "Exchange", _T.Double, lambda s: s.snapshot.exchange_ms, "of late", analog=_ms),
        Point(at + "WorstExchange", _T.Double, lambda s: s.snapshot.worst_exchange_ms, analog=_ms),
        Point(at + "ExchangeMedian", _T.Double, lambda s: s.timing.exchange_median_us, analog=_us),
        Point(at + "ExchangeP99", _T.Double, lambda s: s.timing.exchange_p99_us, "99 % took no longer", analog=_us),
        Point(at + "LateMedian", _T.Double, lambda s: s.timing.late_median_us, "scans after their deadline",
              analog=_us),
        Point(at + "LateP99", _T.Double, lambda s: s.timing.late_p99_us, "99 % were no later", analog=_us),
        Point(at + "Scans", _T.UInt32, lambda s: count(s.snapshot.scans)),
        Point(at + "Exchanges", _T.UInt32, lambda s: count(s.timing.exchanges)),
        Point(at + "Failed", _T.UInt32, lambda s: count(s.timing.failed)),
        Point(at + "Reconnects", _T.UInt32, lambda s: count(s.timing.reconnects)),
        Point(at + "Overruns", _T.UInt32, lambda s: count(s.timing.overruns)),
        Point(at + "LinkLimited", _T.UInt32, lambda s: count(s.timing.link_limited), "scans that waited for the link"),
    ]  # fmt: skip


LINE_POINTS: tuple[Point, ...] = (*_line(), *_tracking(), *_queue(), *_counters(), *_link())
