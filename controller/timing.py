"""What the loop measured of itself: exchanges, overruns and lateness. Numbers only; the clock is the loop's."""

from __future__ import annotations

from dataclasses import dataclass, field

LATE_NS = 2_000_000
"""A period that begins later than this after its deadline did not begin on time."""
WORST_KEPT = 3
"""So many of the worst overruns are kept with what ran."""


class Histogram:
    """Times in ns by bins, so that memory stays flat over months; quantiles are exact to a bin."""

    def __init__(self, bin_ns: int) -> None:
        self._bin_ns = bin_ns
        self._bins: dict[int, int] = {}
        self.n = 0
        self.worst_ns = 0

    def clear(self) -> None:
        """Begin anew."""
        self._bins.clear()
        self.n = self.worst_ns = 0

    def add(self, took_ns: int) -> None:
        """Count one."""
        self.n += 1
        if took_ns > self.worst_ns:
            self.worst_ns = took_ns
        place = max(0, took_ns) // self._bin_ns
        self._bins[place] = self._bins.get(place, 0) + 1

    def share_within(self, limit_ns: int) -> float:
        """How many of all took no longer than a limit, from 0 to 1, to a bin; 1 before the first."""
        within = sum(number for place, number in self._bins.items() if place < limit_ns // self._bin_ns)
        return within / self.n if self.n else 1.0

    def quantile_ns(self, share: float) -> int:
        """What `share` (0 … 1) of all did not exceed, up to a bin more; 0 before the first."""
        wanted, seen = share * self.n, 0
        for place in sorted(self._bins):
            seen += self._bins[place]
            if seen >= wanted:
                return (place + 1) * self._bin_ns
        return 0


@dataclass(slots=True)
class Parts:
    """Where the time of one period went, in ns."""

    woke_late: int = 0
    """From the deadline to the first thing done: other tasks of this process, or another process of this computer."""
    exchange: int = 0
    decision: int = 0
    records: int = 0
    """Handing events over for keeping and for the log."""
    tidying: int = 0
    """Collecting garbage, between two scans."""

    def largest(self) -> str:
        """Name the part that took longest, with its time."""
        name = max(("woke_late", "exchange", "decision", "records", "tidying"), key=lambda n: getattr(self, n))
        return f"{getattr(self, name) / 1e6:.1f} ms {_WORDS[name]}"


_WORDS = {
    "woke_late": "before the loop was woken (other tasks or other programs)",
    "exchange": "in the exchange",
    "decision": "in the decision",
    "records": "handing over records",
    "tidying": "collecting garbage",
}


@dataclass(slots=True)
class Timing:
    """Sums over one run of the loop. All times in ns."""

    period_ns: int
    scans: int = 0
    failed: int = 0
    reconnects: int = 0
    overruns: int = 0
    """Periods that the controller itself could not start on time."""
    link_limited: int = 0
    """Scans whose exchange alone took longer than the period; not the controller's fault, so counted apart."""
    last_exchange_ns: int = 0
    exchange: Histogram = field(default_factory=lambda: Histogram(10_000))
    late: Histogram = field(default_factory=lambda: Histogram(10_000))
    """How late each period began after its deadline, link-limited ones left out."""
    sends: Histogram = field(default_factory=lambda: Histogram(1_000))
    """How late each timed release was sent after its instant."""
    behind: int = 0
    """Periods that began more than LATE_NS after their deadline, or were passed over, by our own fault."""
    worst: list[tuple[int, str]] = field(default_factory=list)
    """The worst overruns: how late in ns, and what took longest."""

    @property
    def exchanges(self) -> int:
        """How many exchanges were answered."""
        return self.exchange.n

    def exchanged(self, took_ns: int) -> bool:
        """Count one good exchange; whether it took longer than the period."""
        self.last_exchange_ns = took_ns
        self.exchange.add(took_ns)
        limited = took_ns > self.period_ns
        self.link_limited += limited
        return limited

    def begun(self, parts: Parts) -> None:
        """Count a period by how late it began; a collection of garbage must not have held it up."""
        late_ns = parts.woke_late + parts.tidying
        self.late.add(late_ns)
        self.behind += late_ns > LATE_NS
        if parts.tidying:
            self._keep(late_ns, parts)

    def overran(self, late_ns: int, parts: Parts) -> None:
        """Count a period that did not end in time by our own fault, so that the next one begins late."""
        self.late.add(late_ns)
        self.behind += late_ns > LATE_NS
        self.behind += late_ns // self.period_ns
        self._keep(late_ns, parts)

    def _keep(self, late_ns: int, parts: Parts) -> None:
        self.overruns += 1
        self.worst.append((late_ns, parts.largest()))
        self.worst.sort(reverse=True)
        del self.worst[WORST_KEPT:]

    def as_dict(self) -> dict[str, object]:
        """The figures as `run --json` prints them. The scan is what the link allows: max(period, exchange)."""
        period_ms = self.period_ns / 1e6
        median_ms = self.exchange.quantile_ns(0.5) / 1e6
        figures: dict[str, object] = {
            "period_ms": period_ms,
            "scan_ms": round(max(period_ms, median_ms), 3),
            "exchange_median_ms": round(median_ms, 3),
            "exchange_p99_ms": round(self.exchange.quantile_ns(0.99) / 1e6, 3),
            "exchange_worst_ms": round(self.exchange.worst_ns / 1e6, 3),
            "scans": self.scans,
            "exchanges": self.exchanges,
            "failed": self.failed,
            "reconnects": self.reconnects,
            "overruns": self.overruns,
            "link_limited": self.link_limited,
            "late_median_us": self.late.quantile_ns(0.5) / 1e3,
            "late_p99_us": self.late.quantile_ns(0.99) / 1e3,
            "late_p999_us": self.late.quantile_ns(0.999) / 1e3,
            "behind_2_ms": self.behind,
            "worst_late_ms": round(self.late.worst_ns / 1e6, 3),
            "worst_overruns": [{"late_ms": round(late_ns / 1e6, 3), "what": what} for late_ns, what in self.worst],
        }
        if self.sends.n:
            figures["timed_sends"] = self.sends.n
            figures["send_late_median_us"] = self.sends.quantile_ns(0.5) / 1e3
            figures["send_late_p99_us"] = self.sends.quantile_ns(0.99) / 1e3
            figures["send_late_worst_us"] = round(self.sends.worst_ns / 1e3, 1)
        return figures
