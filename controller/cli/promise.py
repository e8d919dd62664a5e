"""`beltcue promise`: the placement error to expect, before anyone marks a product."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller.cli.common import OK, BadInputError, Verbs, print_json, print_rows, verb
from controller.cli.reckoning import add_line_file, add_plot, line_and_link, plotted

if TYPE_CHECKING:
    from controller.link_figures import Figure, LinkFigures
    from controller.promise import Promise
    from controller.settings.line import LineConfig
    from controller.spec import LineSpec
    from controller.units import Display

NAMES = ("promise",)
NOT_IN_IT = (
    "scale and wheel error, slip, a distance measured wrong, and delays that are not configured; the first marks after "
    "a start, while the delay of a timed release is still being learnt"
)


def register(verbs: Verbs) -> None:
    """Add the verb."""
    parser = verb(
        verbs,
        "promise",
        execute,
        "say what placement error to expect",
        "For each speed and each path that the line's points allow: 95 % of the marks land within bias ± half width of "
        "where they should, and none beyond the worst case. Reckoned from what beltcue measure found on this link "
        "where there is such a measurement, from assumptions where not; the output says which.",
    )
    add_line_file(parser)
    parser.add_argument(
        "--speeds", metavar="LIST", help='at these speeds, e.g. "10 m/min, 25 m/min" (default: up to the top speed)'
    )
    parser.add_argument(
        "--spacing",
        metavar="LENGTH",
        help="how far apart marks come on average; sampled edges of a timed line hang on it (default: as close as the "
        "line's filters let them)",
    )
    add_plot(parser, "draw error over speed there, as PNG")
    parser.add_argument("--terms", action="store_true", help="what each error is made of, for the line's own paths")


def execute(args: argparse.Namespace) -> int:
    """Reckon and print."""
    from controller.link_known import ways_of
    from controller.promise import ladder_mm_s, promise
    from controller.serving import least_spacing_mm

    config, spec, figures, source = line_and_link(args.line_file)
    speeds = ladder_mm_s(spec) if args.speeds is None else speeds_mm_s(args.speeds, spec, config.display)
    spacing = least_spacing_mm(spec) if args.spacing is None else spacing_mm(args.spacing)
    promised = promise(spec, figures, ways_of(config, spec), speeds, spacing)
    plot = plotted(args.plot, lambda picture: _draw(picture, config, promised, source))
    print_rows([("line", config.name), ("figures", source), *((f"  {f.name}", _figure_text(f)) for f in figures.each)])
    _table(promised, config.display)
    if args.terms:
        print_rows(_term_rows(promised, config.display))
    apart = "far apart" if spacing is None else f"{config.display.length(spacing, 4)} apart on average"
    rows = [("marks", apart + ("" if args.spacing else ", the closest that the line lets them come (--spacing)"))]
    rows += [("not in it", NOT_IN_IT), *plot]
    print_rows(rows)
    if args.json:
        print_json(as_json(config.name, promised, figures, source, spacing))
    return OK


def _figure_text(figure: Figure) -> str:
    times = f"median {figure.at(0.5) * 1e3:.3f}, 99 % {figure.at(0.99) * 1e3:.3f}, worst {figure.worst_s * 1e3:.3f} ms"
    return f"{times}; {figure.says}"


def speeds_mm_s(text: str, spec: LineSpec, display: Display, option: str = "--speeds") -> list[float]:
    """Read the speeds asked for, in mm/s. Raises BadInputError."""
    from controller.units import parse_speed_mm_s

    speeds = []
    for part in text.split(","):
        try:
            speed = parse_speed_mm_s(part.strip())
        except ValueError as error:
            raise BadInputError(f"{option}: {error}") from None
        if not 0.0 < speed <= spec.top_speed_mm_s * (1.0 + 1e-9):
            raise BadInputError(
                f"{option}: {part.strip()} is not above zero and up to the line's top speed "
                f"{display.speed(spec.top_speed_mm_s)}; change it, or line.top_speed"
            )
        speeds.append(speed)
    return speeds


def spacing_mm(text: str) -> float:
    """Read how far apart marks come, in mm. Raises BadInputError."""
    from controller.units import parse_length_mm

    try:
        spacing = parse_length_mm(text)
    except ValueError as error:
        raise BadInputError(f"--spacing: {error}") from None
    if spacing <= 0.0:
        raise BadInputError(f'--spacing: {text} is not more than zero; write e.g. "150 mm"')
    return spacing


def _draw(picture: Path, config: LineConfig, promised: Sequence[Promise], source: str) -> None:
    from controller.plots import plot_promise

    plot_promise(picture, f"{config.name}: placement error to expect\n{source}", promised, config.display)


def _table(promised: Sequence[Promise], display: Display) -> None:
    from rich.console import Console
    from rich.table import Table

    from controller.units import to_unit

    def length(mm: float) -> str:
        return f"{to_unit(mm, display.length_unit):.4f}"

    unit = display.length_unit
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for column in ("station", "path", "edges"):
        table.add_column(column, no_wrap=True)
    for column in (f"{display.speed_unit}", f"bias, {unit}", f"95 % ±, {unit}", f"worst, {unit}", "missed"):
        table.add_column(column, justify="right", no_wrap=True)
    for p in promised:
        table.add_row(
            p.station,
            p.path + ("*" if p.used else ""),
            p.detector,
            f"{to_unit(p.speed_mm_s, display.speed_unit):.4g}",
            length(p.bias_mm),
            length(p.half_width_95_mm),
            length(p.worst_mm),
            f"{p.missed_share:.1%}" if p.missed_share >= 0.0005 else "",
        )
    Console(highlight=False, width=max(100, Console().width)).print(table)
    print("* as the line is set; bias: positive is late; missed: outside the station's window, so not marked")


def _term_rows(promised: Sequence[Promise], display: Display) -> list[tuple[str, str]]:
    rows = []
    for p in promised:
        if p.used:
            rows.append((f"{p.station}, {p.path}, {p.detector} edges", f"at {display.speed(p.speed_mm_s)}"))
            rows += [
                (
                    f"  {t.name}",
                    f"{t.mean_mm:+.4f} ± {t.half_width_mm:.4f} mm, worst {t.worst_mm:.4f} mm",
                )
                for t in p.terms
            ]
    return rows


def as_json(
    line: str, promised: Sequence[Promise], figures: LinkFigures, source: str, spacing_mm: float | None
) -> dict[str, Any]:
    """The whole as one object."""
    import dataclasses

    return {
        "line": line,
        "source": source,
        "spacing_mm": spacing_mm,
        "figures": [
            {
                "name": f.name,
                "measured": f.measured,
                "says": f.says,
                "median_ms": f.at(0.5) * 1e3,
                "p99_ms": f.at(0.99) * 1e3,
                "worst_ms": f.worst_s * 1e3,
            }
            for f in figures.each
        ],
        "paths": [dataclasses.asdict(p) for p in promised],
        "not_in_it": NOT_IN_IT,
    }
