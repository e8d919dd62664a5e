"""Beside a running line: watches its products' lengths for drift, and says it in words. Decides nothing."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from controller.commissioning.drift import Drift, DriftChart
from controller.model import Event, ProductDone
from controller.needs import lever_mm
from controller.spec import LineSpec, Material
from controller.units import Display


class DriftWatch:
    """Takes a line's events as they come. A web has no products to measure: nothing is watched there."""

    def __init__(
        self, spec: LineSpec, display: Display, clock: Callable[[int], str], log: Any, chart: DriftChart | None = None
    ) -> None:
        """`clock` tells a monotonic instant in ns as the time of day."""
        self._spec, self._display, self._clock, self._log = spec, display, clock, log
        self.chart = DriftChart() if chart is None else chart
        self._lever_mm = max(lever_mm(station, spec.material) for station in spec.stations)

    def take(self, events: Sequence[Event]) -> bool:
        """Take the lengths in a scan's events, and log a drift that begins or ends; whether there were any."""
        if self._spec.material is Material.WEB:
            return False
        before = self.chart.products
        for event in events:
            if not isinstance(event, ProductDone) or event.length_mm is None:
                continue
            if self.chart.take(event.length_mm / self._spec.scale_mm, event.t_ns):
                if (drift := self.chart.drift) is None:
                    self._log.info("wheel or product drift is over")
                else:
                    self._log.warning("wheel or product drift", says=self._words(drift))
        return self.chart.products > before

    @property
    def text(self) -> str:
        """The drift that stands, in a line; empty where none is seen."""
        drift = self.chart.drift
        return "" if drift is None else f"wheel or product drift: {self._words(drift)}"

    def summary(self) -> dict[str, Any]:
        """The same for a run's record: learnt target and scatter in mm, and the drift at the end."""
        chart, scale, drift = self.chart, self._spec.scale_mm, self.chart.drift
        learnt = chart.target_counts is not None
        return {
            "products": chart.products,
            "target_mm": round(chart.target_counts * scale, 4) if chart.target_counts is not None else None,
            "scatter_mm": round(chart.sd_counts * scale, 4) if learnt else None,
            "change": None if drift is None else round(drift.change, 6),
        }

    def _words(self, drift: Drift) -> str:
        # Products measure longer: if it is the wheel, the belt for one count is less than set, and marks are early.
        moved_mm = self._lever_mm * (1.0 / (1.0 + drift.change) - 1.0)
        way, wheel = ("late", "larger") if moved_mm > 0.0 else ("early", "smaller")
        return (
            f"{drift.change:+.2%} (± {drift.off:.2%}) since {self._clock(drift.since_ns)}, {drift.products} products; "
            f"if it is not the products, the wheel has become {wheel} or slips, and marks come "
            f"{self._display.length(abs(moved_mm), 2)} {way}"
        )
