"""Pictures of a measurement, a promise, a budget and a trial, as PNG; the library is loaded when one is drawn."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from controller.link_analysis import LinkTimings
from controller.link_figures import Array
from controller.promise import Promise
from controller.units import Display, to_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from controller.commissioning.budget import Budget
    from controller.commissioning.trial_data import Marks, Setup, Trial

SIDES = {("compare", "captured"): "C0", ("compare", "sampled"): "C1", ("timed", "captured"): "C2",
         ("timed", "sampled"): "C3", ("scan", "captured"): "C4", ("scan", "sampled"): "C5"}  # fmt: skip
"""One colour for each path, the same in every picture."""


def figure_of(width: float, height: float) -> Figure:
    """Make an empty picture of that size in inches."""
    from matplotlib.figure import Figure

    return Figure(figsize=(width, height), dpi=110, layout="constrained")


def plot_measured(path: Path, title: str, timings: LinkTimings) -> None:
    """Draw the distributions of a measurement. Raises OSError, or ValueError for a kind of file that is none."""
    figure = figure_of(11.0, 6.5)
    figure.suptitle(title)
    shown: list[tuple[str, Array | None]] = [
        ("exchange", timings.exchange),
        ("way out: sending to sample", timings.out),
        ("age of the count at the decision", timings.age),
        ("between the counts of two periods", timings.gap),
        ("loop lateness", timings.late),
        ("send lateness, after a spin", timings.send_late),
    ]
    for axes, (name, times) in zip(figure.subplots(2, 3).flat, shown, strict=True):
        _histogram(axes, name, times)
    figure.savefig(path)


def _histogram(axes: Axes, name: str, times_s: Array | None) -> None:
    if times_s is None or not len(times_s):
        axes.set_title(name, fontsize=9)
        axes.text(0.5, 0.5, "not measured", ha="center", va="center", transform=axes.transAxes, color="0.4")
        axes.set_axis_off()
        return
    values = times_s * 1e3
    low, median, p99, worst = (float(np.quantile(values, share)) for share in (0.0, 0.5, 0.99, 1.0))
    # A few far out would squeeze all others into one bar.
    high = max(low + 1e-6, min(worst, p99 + 0.5 * (p99 - low)))
    axes.set_title(f"{name}\nmedian {median:.3g}, 99 % {p99:.3g}, worst {worst:.3g} ms", fontsize=9)
    axes.hist(np.minimum(values, high), bins=60, range=(low, high), color="C0")
    axes.set_yscale("log")
    axes.axvline(median, color="C1", label="median")
    axes.axvline(p99, color="C3", linestyle="--", label="99 %")
    axes.set_xlabel("ms" + (" (last bar: all beyond)" if worst > high else ""))
    axes.set_ylabel("how many")
    axes.legend(fontsize=8, loc="upper right")


def plot_promise(path: Path, title: str, promised: Sequence[Promise], display: Display) -> None:
    """Draw the error of each path over the speed. Raises OSError, or ValueError for a kind of file that is none."""
    stations = list(dict.fromkeys(p.station for p in promised))
    figure = figure_of(10.0, 4.5 * len(stations))
    figure.suptitle(title)
    for axes, station in zip(figure.subplots(len(stations), 1, squeeze=False).flat, stations, strict=True):
        rows = [p for p in promised if p.station == station]
        for side in dict.fromkeys((p.path, p.detector) for p in rows):
            _side(axes, side, [p for p in rows if (p.path, p.detector) == side], display)
        axes.set_title(f"station {station}", fontsize=10)
        axes.set_xlabel(f"speed, {display.speed_unit}")
        axes.set_ylabel(f"placement error, {display.length_unit}")
        axes.set_xlim(left=0.0)
        axes.set_yscale("log")
        axes.grid(alpha=0.3, which="both")
        axes.legend(fontsize=8, framealpha=0.9, title="|bias| + 95 % half width (dotted: worst case)", title_fontsize=8)
    figure.savefig(path)


def _side(axes: Axes, side: tuple[str, str], rows: list[Promise], display: Display) -> None:
    speeds = [to_unit(p.speed_mm_s, display.speed_unit) for p in rows]
    usual = [to_unit(abs(p.bias_mm) + p.half_width_95_mm, display.length_unit) for p in rows]
    worst = [to_unit(p.worst_mm, display.length_unit) for p in rows]
    used = any(p.used for p in rows)
    label = f"{side[0]}, {side[1]} edges" + (" (this line's)" if used else "")
    axes.plot(speeds, usual, marker="o", color=SIDES[side], linewidth=2.5 if used else 1.2, label=label)
    axes.plot(speeds, worst, linestyle=":", marker=".", color=SIDES[side])


def plot_trial(path: Path, title: str, marks: Marks, setup: Setup, trial: Trial, display: Display) -> None:
    """Draw where the marks of a trial landed over the speed, and the mean mark with its 95 % band.

    Raises OSError, or ValueError for a kind of file that is none.
    """
    figure = figure_of(9.0, 5.5)
    figure.suptitle(title)
    draw_trial(figure.subplots(), marks, setup, trial, display)
    figure.savefig(path)


def errors_shown(marks: Marks, setup: Setup, trial: Trial) -> Array:
    """Each mark's error in mm, as if all had been made at the line's distance."""
    from controller.commissioning.trial_data import Term

    shown = marks.position_mm - setup.offset_mm
    if marks.distance_mm is not None and Term.SCALE in trial.terms:
        shown = shown - trial.terms[Term.SCALE].value * (marks.distance_mm - setup.distance_mm)
    return shown


def draw_trial(axes: Axes, marks: Marks, setup: Setup, trial: Trial, display: Display) -> None:
    """Draw the same onto axes."""

    def length(mm: Array) -> Array:
        return np.array([to_unit(float(v), display.length_unit) for v in mm])

    def speed(mm_s: Array) -> Array:
        return np.array([to_unit(float(v), display.speed_unit) for v in mm_s])

    shown = errors_shown(marks, setup, trial)
    out = np.isin(np.arange(len(shown)), trial.outliers)
    axes.plot(
        speed(marks.speed_mm_s[~out]), length(shown[~out]), "o", color="C0", markersize=4, alpha=0.6, label="marks"
    )
    if out.any():
        axes.plot(speed(marks.speed_mm_s[out]), length(shown[out]), "x", color="C3", label="left out")
    limit = to_unit(setup.tolerance_mm, display.length_unit)
    axes.axhspan(-limit, limit, color="C2", alpha=0.12)
    for end in (-limit, limit):
        axes.axhline(end, color="C2", linestyle=":", label="tolerance" if end > 0.0 else None)
    speeds = np.linspace(setup.lowest_mm_s, max(setup.highest_mm_s, float(marks.speed_mm_s.max())), 60)
    found = [p for v in speeds if (p := trial.predict(float(v))) is not None]
    if len(found) > 1:
        at = speed(np.array([p.speed_mm_s for p in found]))
        for part, color, style, label in (
            ("now", "C0", "-", "mean mark, 95 %"),
            ("after", "C1", "--", "after the changes, 95 %"),
        ):
            if part == "after" and (trial.correction is None or not trial.correction.any):
                continue
            mean = [getattr(p, part) for p in found]
            axes.plot(at, length(np.array([m.value for m in mean])), color=color, linestyle=style)
            low, high = (length(np.array([getattr(m, end) for m in mean])) for end in ("low", "high"))
            axes.fill_between(at, low, high, color=color, alpha=0.25, label=label)
    axes.set_xlabel(f"speed, {display.speed_unit}")
    axes.set_ylabel(f"error, {display.length_unit} (+ towards the trailing edge)")
    axes.grid(alpha=0.3)
    axes.legend(fontsize=8)


@dataclass(frozen=True, slots=True)
class Bar:
    """One term of a budget as it is drawn: its standard uncertainty in mm and its share of the variance."""

    name: str
    u_mm: float
    share: float
    assumed: bool


def plot_budget(path: Path, title: str, found: Budget, display: Display) -> None:
    """Draw a budget as a tornado. Raises OSError, or ValueError for a kind of file that is none."""
    bars = [Bar(term.name, term.u_mm, found.share(term), term.assumed) for term in found.terms if term.u_mm > 0.0]
    figure = figure_of(10.0, 3.6 + 0.38 * len(bars))
    figure.suptitle(title)
    whole = {"combined": found.combined_mm, "95 %, by formula": found.expanded_95_mm,
             "95 %, drawn": found.drawn.half_width_95, "worst case": found.worst_mm}  # fmt: skip
    draw_budget(figure, bars, whole, display)
    figure.savefig(path)


def draw_budget(figure: Figure, bars: Sequence[Bar], whole: Mapping[str, float], display: Display) -> None:
    """Draw the terms, the biggest first, and below them half widths of all together by name, the widest last."""

    def length(mm: float) -> float:
        return to_unit(mm, display.length_unit)

    above, below = figure.subplots(2, 1, height_ratios=[len(bars) + 1, 4.0])
    unit = display.length_unit
    for row, bar in enumerate(bars):
        u = length(bar.u_mm)
        above.barh(row, 2.0 * u, left=-u, color="C1" if bar.assumed else "C0", hatch="//" if bar.assumed else None,
                   edgecolor="white")  # fmt: skip
        above.annotate(f" {u:.3g} {unit}, {bar.share:.1%}", (u, row), va="center")
    above.set_yticks(range(len(bars)), [bar.name for bar in bars])
    widest = length(bars[0].u_mm) if bars else 1.0
    above.set_xlim(-1.15 * widest, 1.6 * widest)
    above.set_xlabel(f"± one standard uncertainty, {unit} (hatched: assumed), and its share of the variance")
    for row, mm in enumerate(whole.values()):
        half = length(mm)
        below.barh(row, 2.0 * half, left=-half, color="C3" if row == len(whole) - 1 else "C2")
        below.annotate(f" ± {half:.3g} {unit}", (half, row), va="center")
    below.set_yticks(range(len(whole)), list(whole))
    end = length(max(whole.values()))
    below.set_xlim(-1.15 * end, 1.6 * end)
    below.set_xlabel(f"all together, {unit}")
    for axes in (above, below):
        axes.invert_yaxis()
        axes.axvline(0.0, color="0.3", linewidth=0.8)
        axes.grid(axis="x", alpha=0.3)
