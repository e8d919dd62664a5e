"""Sums over placement errors that stay small however many marks there are."""

from __future__ import annotations

import math
from typing import Any, Final

GRAIN: Final = 200.0
"""Steps of the histogram of |error| for each factor e: a percentile is found to half a per cent of itself."""
LEAST_MM: Final = 1e-9
BINS: Final = 5


class Sums:
    """Number, mean and standard deviation of errors, with the mean speed they had."""

    __slots__ = ("_mean", "_speeds", "_squares", "n")

    def __init__(self) -> None:
        self.n = 0
        self._mean = 0.0
        self._squares = 0.0
        self._speeds = 0.0

    def add(self, error_mm: float, speed_mm_s: float) -> None:
        """Take one error and the belt's speed at its release."""
        self.n += 1
        step = error_mm - self._mean
        self._mean += step / self.n
        self._squares += step * (error_mm - self._mean)
        self._speeds += speed_mm_s

    @property
    def mean_mm(self) -> float | None:
        """Mean error; None without any."""
        return self._mean if self.n else None

    @property
    def sd_mm(self) -> float | None:
        """Standard deviation of a sample; None for fewer than two."""
        return math.sqrt(self._squares / (self.n - 1)) if self.n > 1 else None

    @property
    def speed_mm_s(self) -> float:
        """Mean speed; 0 without any."""
        return self._speeds / self.n if self.n else 0.0


class Placement:
    """Placement errors in all, and by the belt's speed: one bin for each steady speed, five for what is between."""

    def __init__(self, steady_mm_s: list[float], range_mm_s: tuple[float, float]) -> None:
        self._all = Sums()
        self._most_mm = 0.0
        self._histogram: dict[int, int] = {}
        self._steady_mm_s = steady_mm_s
        self._low_mm_s, high_mm_s = range_mm_s
        self._width_mm_s = (high_mm_s - self._low_mm_s) / BINS
        self._bins: dict[tuple[bool, int], Sums] = {}

    def add(self, error_mm: float, speed_mm_s: float) -> None:
        """Take one error and the belt's speed at its release."""
        self._all.add(error_mm, speed_mm_s)
        size_mm = abs(error_mm)
        self._most_mm = max(self._most_mm, size_mm)
        place = math.ceil(math.log(max(size_mm, LEAST_MM)) * GRAIN)
        self._histogram[place] = self._histogram.get(place, 0) + 1
        key = self._bin(speed_mm_s)
        if key not in self._bins:
            self._bins[key] = Sums()
        self._bins[key].add(error_mm, speed_mm_s)

    def _bin(self, speed_mm_s: float) -> tuple[bool, int]:
        for number, steady in enumerate(self._steady_mm_s):
            if math.isclose(speed_mm_s, steady, rel_tol=1e-9):
                return True, number
        if not self._width_mm_s:
            return False, 0
        return False, min(BINS - 1, max(0, int((speed_mm_s - self._low_mm_s) / self._width_mm_s)))

    def percentile_abs_mm(self, share: float) -> float | None:
        """Give what a share of the errors does not exceed in size; None without any."""
        wanted, counted = share * self._all.n, 0
        for place in sorted(self._histogram):
            counted += self._histogram[place]
            if counted >= wanted:
                return min(self._most_mm, math.exp(place / GRAIN))
        return None

    def summary(self) -> dict[str, Any]:
        """Give n, mean, standard deviation, the 99th percentile and the greatest of the sizes, in mm."""
        return {
            "n": self._all.n,
            "mean_mm": self._all.mean_mm,
            "sd_mm": self._all.sd_mm,
            "p99_abs_mm": self.percentile_abs_mm(0.99),
            "max_abs_mm": self._most_mm if self._all.n else None,
        }

    def by_speed(self) -> list[dict[str, Any]]:
        """Give the sums of each bin that holds any, in order of speed; `steady` where the speed was constant."""
        rows = [
            {"speed_mm_s": b.speed_mm_s, "n": b.n, "mean_mm": b.mean_mm, "sd_mm": b.sd_mm, "steady": steady}
            for (steady, _), b in self._bins.items()
        ]
        return sorted(rows, key=lambda row: (row["speed_mm_s"], row["steady"]))
