"""What the loop measured of itself: exchanges, overruns and lateness. Numbers only; the clock is the loop's."""

from __future__ import annotations

from dataclasses import dataclass, field

_BIN_NS = 10_000
"""Width of a bin of the exchange histogram: fine enough to print, and memory stays flat over months."""


@dataclass(slots=True)
class Timing:
    """Sums over one run of the loop. All times in ns."""

    period_ns: int
    scans: int = 0
    exchanges: int = 0
    failed: int = 0
    reconnects: int = 0
    overruns: int = 0
    """Periods that the controller itself could not start on time."""
    link_limited: int = 0
    """Scans whose exchange alone took longer than the period; not the controller's fault, so counted apart."""
    worst_late_ns: int = 0
    """The latest that a period started after its deadline, link-limited ones left out."""
    worst_exchange_ns: int = 0
    last_exchange_ns: int = 0
    _bins: dict[int, int] = field(default_factory=dict)

    def exchanged(self, took_ns: int) -> bool:
        """Count one good exchange; whether it took longer than the period."""
        self.exchanges += 1
        self.last_exchange_ns = took_ns
        self.worst_exchange_ns = max(self.worst_exchange_ns, took_ns)
        place = took_ns // _BIN_NS
        self._bins[place] = self._bins.get(place, 0) + 1
        limited = took_ns > self.period_ns
        self.link_limited += limited
        return limited

    def exchange_quantile_ms(self, share: float) -> float:
        """The exchange that `share` (0 … 1) of all good ones did not exceed, in ms to 0.01; 0.0 before the first."""
        wanted, seen = share * self.exchanges, 0
        for place in sorted(self._bins):
            seen += self._bins[place]
            if seen >= wanted:
                return (place + 1) * _BIN_NS / 1e6
        return 0.0

    def as_dict(self) -> dict[str, float | int]:
        """The figures as `run --json` prints them. The scan is what the link allows: max(period, exchange)."""
        period_ms = self.period_ns / 1e6
        median_ms = self.exchange_quantile_ms(0.5)
        return {
            "period_ms": period_ms,
            "scan_ms": round(max(period_ms, median_ms), 3),
            "exchange_median_ms": round(median_ms, 3),
            "exchange_p99_ms": round(self.exchange_quantile_ms(0.99), 3),
            "exchange_worst_ms": round(self.worst_exchange_ns / 1e6, 3),
            "scans": self.scans,
            "exchanges": self.exchanges,
            "failed": self.failed,
            "reconnects": self.reconnects,
            "overruns": self.overruns,
            "link_limited": self.link_limited,
            "worst_late_ms": round(self.worst_late_ns / 1e6, 3),
        }
