"""What a response time allows beside the count: |speed at release − speed predicted| × response, mark by mark.

The controller sends a target ahead by response × predicted speed; where the belt's speed at the release differs, the
mark is off by the difference, and no rounding is to blame. Marks (true) and requests (believed) are joined by token.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from controller.events import Event, RequestDone
from controller.model import Fate
from controller.spec import LineSpec
from sim.scenario import Scenario
from sim.verdict import Judged
from sim.world import true_markers

KEPT = 4096
"""Marks and requests that wait for their other half; far more than are ever on their way."""


class SpeedTerms:
    """Joins marks with the speeds that were predicted for them, and keeps the greatest of both terms."""

    def __init__(self, spec: LineSpec, scenario: Scenario, count_mm: float) -> None:
        self._count_mm = count_mm
        self._responses_s = [m.response_ns * 1e-9 for m in true_markers(spec, scenario)]
        self._marks: dict[int, tuple[int, float, float]] = {}
        self._predicted: dict[int, float] = {}
        self.joined = 0
        self.greatest_mm = 0.0
        self.beyond_mm = float("-inf")
        """The most by which a mark's error exceeds one count plus its own speed term; not above 0 when all is well."""

    def mark(self, judged: Judged) -> None:
        """Take a mark that hit a product."""
        if judged.error_mm is None:
            return
        self._put(self._marks, judged.truth.token, (judged.truth.station, judged.truth.speed_mm_s, judged.error_mm))
        self._join(judged.truth.token)

    def events(self, events: Iterable[Event]) -> None:
        """Take what a scan reported."""
        for event in events:
            if isinstance(event, RequestDone) and event.fate is Fate.MARKED:
                self.request(event.token, event.speed_mm_s)

    def request(self, token: int | None, speed_mm_s: float | None) -> None:
        """Take a request that became a mark, with the speed that was predicted for its release."""
        if token is not None and speed_mm_s is not None:
            self._put(self._predicted, token, speed_mm_s)
            self._join(token)

    def _put(self, into: dict[int, Any], token: int, value: object) -> None:
        into[token] = value
        if len(into) > KEPT:
            del into[next(iter(into))]

    def _join(self, token: int) -> None:
        if token not in self._marks or token not in self._predicted:
            return
        station, speed_mm_s, error_mm = self._marks.pop(token)
        term_mm = abs(speed_mm_s - self._predicted.pop(token)) * self._responses_s[station]
        self.joined += 1
        self.greatest_mm = max(self.greatest_mm, term_mm)
        self.beyond_mm = max(self.beyond_mm, abs(error_mm) - self._count_mm - term_mm)

    def summary(self) -> dict[str, float | int | None]:
        """Both terms, in mm, and the worst mark against their sum."""
        return {
            "n": self.joined,
            "count_mm": self._count_mm,
            "speed_term_max_mm": self.greatest_mm,
            "beyond_both_max_mm": self.beyond_mm if self.joined else None,
        }
