"""What a measured link can serve of a line, and up to which speed where it cannot serve it at the top speed.

Pure: the arithmetic of `controller.check` with the figures that were measured instead of those that the line states.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

from controller.check import problems
from controller.link_figures import LinkFigures
from controller.needs import feasible
from controller.promise import Path, promise
from controller.spec import LineSpec, ReleasePath
from controller.units import Display

MISSED_SHARE = 0.05
"""A release in time that is missed more often than this, for coming outside its window, is not served."""
HALVINGS = 12
COARSE_HALVINGS = 5
"""Where each look takes a whole promise, the speed is found to a thirtieth of the top speed."""


@dataclass(frozen=True, slots=True)
class Refusal:
    """What the link cannot serve at the top speed; `up_to_mm_s` is the speed that it could, None: none."""

    what: str
    up_to_mm_s: float | None

    def text(self, display: Display) -> str:
        """The same in one line."""
        if self.up_to_mm_s is None:
            return f"{self.what} (no speed would do)"
        return f"{self.what} (this link serves it up to {display.speed(self.up_to_mm_s, 3)})"


def least_spacing_mm(spec: LineSpec) -> float | None:
    """How close together marks can come by the line's filters and pitches, in mm; None where nothing says so."""
    rates = [station.marks_per_s for station in feasible(spec).stations]
    known = [rate for rate in rates if rate is not None]
    return spec.top_speed_mm_s / sum(known) if known else None


def as_measured(spec: LineSpec, figures: LinkFigures) -> LineSpec:
    """The line with the worst exchange that was measured for the one it states."""
    return replace(spec, exchange_s=figures.exchange.worst_s)


def refusals(
    spec: LineSpec, figures: LinkFigures, largest_gap_s: float, used: list[Path], display: Display
) -> list[Refusal]:
    """What of the line as set, with its paths as `used`, this link cannot serve at the top speed."""
    real = as_measured(spec, figures)
    return [
        *_needs(real, display),
        *_windows(real, figures, used, display),
        *_unseen(real, largest_gap_s, display),
    ]


def disagreements(spec: LineSpec, figures: LinkFigures, display: Display) -> list[str]:
    """Where the measured link and what the line states of it differ, with what to set."""
    worst_s = figures.exchange.worst_s
    if worst_s <= spec.exchange_s:
        return []
    # Room for a somewhat worse one than was seen, in whole milliseconds.
    wanted_ms = int(worst_s * 1.1e3) + 1
    return [
        f"the line states a worst exchange of {display.time(spec.exchange_s)}, measured were up to "
        f'{display.time(worst_s, 3)}: set link.worst_exchange = "{wanted_ms} ms"'
    ]


def _needs(real: LineSpec, display: Display) -> Iterator[Refusal]:
    """What the arithmetic of `check` refuses."""

    def about(text: str) -> str:
        return text.partition(":")[0]

    for text in problems(real, display):

        def serves(speed_mm_s: float, what: str = about(text)) -> bool:
            slower = replace(real, top_speed_mm_s=speed_mm_s)
            return what not in {about(other) for other in problems(slower, display)}

        yield Refusal(text, _up_to(serves, real.top_speed_mm_s, HALVINGS))


def _windows(real: LineSpec, figures: LinkFigures, used: list[Path], display: Display) -> Iterator[Refusal]:
    """Releases in time that come too often outside their window."""
    for way in used:
        if way.release is not ReleasePath.TIMED:
            continue
        station = real.stations[way.station]

        def missed(speed_mm_s: float, way: Path = way) -> float:
            return promise(real, figures, [way], [speed_mm_s])[0].missed_share

        at_top = missed(real.top_speed_mm_s)
        if at_top > MISSED_SHARE:
            up_to = _up_to(lambda v, m=missed: m(v) <= MISSED_SHARE, real.top_speed_mm_s, COARSE_HALVINGS)  # type: ignore[misc]
            yield Refusal(
                f'stations#{way.station + 1}, "{station.name}": at top speed {at_top:.0%} of the marks would come '
                f"outside the window of {display.length(station.window_mm)} and be missed; widen the window, lower "
                "top_speed, or use a faster link",
                up_to,
            )


def _unseen(real: LineSpec, largest_gap_s: float, display: Display) -> Iterator[Refusal]:
    """Sampled edges that can come and go between two looks."""
    detector = real.detector
    if detector.captured:
        return
    for what, least_mm in (("product", detector.least_length_mm), ("gap", detector.least_gap_mm)):
        if 0.0 < least_mm < real.top_speed_mm_s * largest_gap_s:
            yield Refusal(
                f"detector: at top speed a {what} of {display.length(least_mm)} can pass unseen in the "
                f"{display.time(largest_gap_s, 3)} between two looks; capture the edges, or use a faster link",
                least_mm / largest_gap_s,
            )


def _up_to(serves: Callable[[float], bool], top_mm_s: float, halvings: int) -> float | None:
    """The greatest speed below the top that is served, by halving; None where a hundredth of the top is not."""
    low, high = 0.01 * top_mm_s, top_mm_s
    if not serves(low):
        return None
    for _ in range(halvings):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if serves(middle) else (low, middle)
    return low
