"""What is known of a line's link: the paths that its points allow, and the figures measured on it or assumed.

With it the one refusal that hangs on a measurement: orders in time over OPC UA.
"""

from __future__ import annotations

from dataclasses import replace

from controller.link_figures import LinkFigures, assumed
from controller.promise import Path, paths
from controller.serving import refusals
from controller.settings.line import LineConfig
from controller.settings.measured import link_digest, load_measured, measured_path
from controller.spec import LineSpec, ReleasePath


def ways_of(config: LineConfig, spec: LineSpec) -> list[Path]:
    """The paths that the line's points allow."""
    if config.plain is not None:
        return paths(spec, captures=False, samples="detector" in config.plain.inputs)
    return paths(spec, captures=config.points.has("captures"), samples=config.points.has("bits.detector_blocked"))


def assumed_of(config: LineConfig, spec: LineSpec) -> LinkFigures:
    """What to assume of the line's link."""
    return assumed(spec, clock=config.points.has("sample_us"))


def figures_of(config: LineConfig, spec: LineSpec) -> tuple[LinkFigures, str]:
    """The figures of the line's link, and where they come from in a line. Raises SettingsError."""
    path = measured_path(config.path)
    measured, instead = load_measured(path), assumed_of(config, spec)
    again = f"measure with beltcue measure {config.path}"
    if measured is None:
        return instead, f"ASSUMED, nothing was measured on this link: {again}"
    if measured.digest != link_digest(config.settings):
        return (
            instead,
            f"ASSUMED: link or points were changed after the measurement of {measured.date}: {again}",
        )
    bench = ", a test bench" if measured.bench else ""
    where = f"measured {measured.date} from {measured.host} at {measured.address}{bench} ({path.name})"
    return measured.figures(instead), where


def at_least_measured(spec: LineSpec, figures: LinkFigures) -> LineSpec:
    """The line with the worst exchange to reckon with: as it states it, or as it was measured where that was worse."""
    worst_s = figures.exchange.worst_s if figures.exchange.measured else 0.0
    return replace(spec, exchange_s=max(spec.exchange_s, worst_s))


def timed_problems(config: LineConfig, spec: LineSpec) -> list[str]:
    """Why the orders in time that a line has may not go over its OPC UA link; empty where they may.

    A request there is several times what a register write is, and its jitter with it: only a measured link says what
    comes of that. Raises SettingsError for a measurement that cannot be read.
    """
    timed = [n for n, station in enumerate(spec.stations, start=1) if station.release is ReleasePath.TIMED]
    where = f"stations#{timed[0]}.release: orders in time over OPC UA need a link that was measured"
    mend = f'run beltcue measure {config.path}, or write release = "compare"'
    measured = load_measured(measured_path(config.path))
    if measured is None:
        return [f"{where}, and this one was not; {mend}"]
    if measured.digest != link_digest(config.settings):
        return [f"{where}, and its settings were changed after the measurement of {measured.date}; {mend}"]
    figures = measured.figures(assumed_of(config, spec))
    used = [way for way in ways_of(config, spec) if way.used]
    refused = refusals(spec, figures, measured.largest_gap_ms * 1e-3, used, config.display)
    return [r.text(config.display) for r in refused]
