"""Beside a running line: watches its products' lengths for drift, and says it in words. Decides nothing."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from controller.commissioning.drift import Drift, DriftChart
from controller.events import Event, ProductDone
from controller.needs import lever_mm
from controller.spec import LineSpec, Material
from controller.units import Display


@dataclass(frozen=True, slots=True)
class Learnt:
    """What an earlier run had learnt of the same job's products with the same scale, in mm, and when it began."""

    target_mm: float
    scatter_mm: float
    known_from: int
    since: str


def earlier(kept: Iterable[tuple[str, str, Mapping[str, Any]]], spec: LineSpec) -> Learnt | None:
    """The first of the earlier runs, as (beginning, job, summary), that this one can be held against."""
    for since, job, summary in kept:
        drift = summary.get("drift")
        if job != spec.job_name or not isinstance(drift, dict) or not drift.get("target_mm"):
            continue
        # A scale that was set anew is what a drift asks for: what came before says nothing of it.
        if drift.get("scale_mm") == spec.scale_mm:
            return Learnt(drift["target_mm"], drift["scatter_mm"], drift["known_from"], since)
    return None


class DriftWatch:
    """Takes a line's events as they come. A web has no products to measure: nothing is watched there."""

    def __init__(
        self, spec: LineSpec, display: Display, clock: Callable[[int], str], log: Any, chart: DriftChart | None = None
    ) -> None:
        """`clock` tells a monotonic instant in ns as the time of day."""
        self._spec, self._display, self._clock, self._log = spec, display, clock, log
        self.chart = DriftChart() if chart is None else chart
        self.earlier: Learnt | None = None
        """What this run's products are held against, once they are learnt."""
        self._against = ""
        self._lever_mm = max(lever_mm(station, spec.material) for station in spec.stations)

    def take(self, events: Sequence[Event]) -> bool:
        """Take the lengths in a scan's events, and log a drift that begins or ends; whether there were any."""
        if self._spec.material is Material.WEB:
            return False
        before = self.chart.products
        for event in events:
            if not isinstance(event, ProductDone) or event.length_mm is None:
                continue
            learning = self.chart.target_counts is None
            changed = self.chart.take(event.length_mm / self._spec.scale_mm, event.t_ns)
            if learning and self.chart.target_counts is not None:
                self._hold_against(self.chart.target_counts * self._spec.scale_mm)
            if changed:
                if (drift := self.chart.drift) is None:
                    self._log.info("wheel or product drift is over")
                else:
                    self._log.warning("wheel or product drift", says=self._words(drift))
        return self.chart.products > before

    @property
    def text(self) -> str:
        """The drift that stands, in a line; empty where none is seen."""
        drift = self.chart.drift
        now = "" if drift is None else f"wheel or product drift: {self._words(drift)}"
        return "; ".join(filter(None, (now, self._against)))

    def _hold_against(self, target_mm: float) -> None:
        """Compare what has been learnt with what an earlier run had."""
        before = self.earlier
        if before is None:
            return
        sd_mm = self.chart.sd_counts * self._spec.scale_mm
        sd = math.hypot(sd_mm / math.sqrt(self.chart.known_from), before.scatter_mm / math.sqrt(before.known_from))
        change, off = target_mm / before.target_mm - 1.0, 1.96 * sd / before.target_mm
        if abs(change) > max(self.chart.least_change, self.chart.width / 1.96 * off):
            said = f"{change:+.2%} (± {off:.2%}) against the run of {before.since}; {self._meaning(change)}"
            self._against = f"wheel or product drift: {said}"
            self._log.warning("wheel or product drift", says=said)

    def summary(self) -> dict[str, Any]:
        """The same for a run's record: learnt target and scatter in mm, and the drift at the end."""
        chart, scale, drift = self.chart, self._spec.scale_mm, self.chart.drift
        learnt = chart.target_counts is not None
        return {
            "products": chart.products,
            "target_mm": round(chart.target_counts * scale, 4) if chart.target_counts is not None else None,
            "scatter_mm": round(chart.sd_counts * scale, 4) if learnt else None,
            "known_from": chart.known_from,
            "scale_mm": scale,
            "change": None if drift is None else round(drift.change, 6),
        }

    def _words(self, drift: Drift) -> str:
        return (
            f"{drift.change:+.2%} (± {drift.off:.2%}) since {self._clock(drift.since_ns)}, {drift.products} products; "
            f"{self._meaning(drift.change)}"
        )

    def _meaning(self, change: float) -> str:
        # Products measure longer: if it is the wheel, the belt for one count is less than set, and marks are early.
        moved_mm = self._lever_mm * (1.0 / (1.0 + change) - 1.0)
        # A wheel that slips loses counts, and products measure shorter.
        way, wheel = ("late", "larger, or slips,") if moved_mm > 0.0 else ("early", "smaller")
        return (
            f"if it is not the products, the wheel has become {wheel} and marks come "
            f"{self._display.length(abs(moved_mm), 2)} {way}"
        )
