"""`beltcue commission budget`: what the error of a mark's place is made of, and what would shrink it."""

from __future__ import annotations

import argparse
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller.cli.commission_results import keep
from controller.cli.common import OK, BadInputError, Verbs, print_json, print_rows, verb
from controller.cli.reckoning import add_line_file, add_plot, line_and_link, plotted

if TYPE_CHECKING:
    from controller.commissioning.budget import Budget, Term
    from controller.settings.line import LineConfig
    from controller.spec import LineSpec
    from controller.units import Display


def register(steps: Verbs) -> None:
    """Add the step."""
    parser = verb(
        steps,
        "budget",
        execute,
        "say what the error of a mark's place is made of",
        "By the rules of the GUM (JCGM 100), with the worst case beside it and a million draws (JCGM 101) as a check. "
        "How well distance, scale, slip and delays are known stands in the line file's [uncertainty]; what does not is "
        "assumed, and said to be.",
    )
    add_line_file(parser)
    parser.add_argument("--speed", metavar="SPEED", help='at this speed, e.g. "50 ft/min" (default: top_speed)')
    parser.add_argument("--station", metavar="NAME", help="of this station (default: the first)")
    add_plot(parser, "draw it there as a tornado, as PNG")


def execute(args: argparse.Namespace) -> int:
    """Work out and print."""
    from controller.cli.promise import speeds_mm_s
    from controller.commissioning.budget import budget
    from controller.link_known import ways_of
    from controller.promise import drawn_terms
    from controller.serving import least_spacing_mm
    from controller.settings.uncertainty import inputs_of

    config, spec, figures, source = line_and_link(args.line_file)
    speed = spec.top_speed_mm_s
    if args.speed is not None:
        speed = _one(speeds_mm_s(args.speed, spec, config.display, "--speed"))
    station = _station(args.station, spec)
    way = next((way for way in ways_of(config, spec) if way.used and way.station == station), None)
    if way is None:
        raise BadInputError(f"{args.line_file}: its points do not allow the path it is set to; see beltcue check")
    promised, path_mm = drawn_terms(spec, figures, way, speed, least_spacing_mm(spec))
    found = budget(
        spec, station, promised, path_mm, inputs_of(config.settings.uncertainty), measured=figures.exchange.measured
    )
    plot = plotted(args.plot, lambda picture: _draw(picture, config, found))
    _print(config, found, source)
    print_rows(plot)
    result = _as_json(config, found, source)
    keep(config, "budget", result, {"speed": args.speed, "station": args.station})
    if args.json:
        print_json(result)
    return OK


def _one(speeds: list[float]) -> float:
    if len(speeds) != 1:
        raise BadInputError('--speed: a budget is for one speed; write e.g. "50 ft/min"')
    return speeds[0]


def _station(name: str | None, spec: LineSpec) -> int:
    names = [station.name for station in spec.stations]
    if name is None:
        return 0
    if name not in names:
        raise BadInputError(f'--station: the line has no station "{name}"; there is {", ".join(names)}')
    return names.index(name)


def _draw(picture: Path, config: LineConfig, found: Budget) -> None:
    from controller.plots import plot_budget

    at = config.display.speed(found.speed_mm_s)
    title = f"{config.name}, {found.station}: what a mark's error is made of at {at}"
    plot_budget(picture, title, found, config.display)


def _input_text(term: Term, show: Display) -> str:
    """The input's own standard uncertainty, with its unit."""
    if term.unit == "s":
        return f"{term.u_input * 1e3:.3g} ms"
    if term.unit == "mm/mm":
        return f"{term.u_input:.3%}"
    return show.length(term.u_input, 3)


def _print(config: LineConfig, found: Budget, source: str) -> None:
    from rich.console import Console
    from rich.table import Table

    from controller.commissioning.budget import biggest_text
    from controller.units import to_unit

    show = config.display
    print_rows([
        ("line", f"{config.name}, station {found.station}: {found.path}, at {show.speed(found.speed_mm_s)}"),
        ("link", source),
    ])  # fmt: skip
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column("term", no_wrap=True)
    for column in ("input's u", f"u, {show.length_unit}", "share"):
        table.add_column(column, justify="right", no_wrap=True)
    table.add_column("known from")
    for term in found.terms:
        contributes = f"{to_unit(term.u_mm, show.length_unit):.4f}"
        table.add_row(term.name, _input_text(term, show), contributes, f"{found.share(term):.1%}", term.says)
    Console(highlight=False).print(table)
    print_rows([*_whole_rows(found, show), _tolerance_row(found, _tolerance_mm(config, found), show)])
    biggest = found.terms[0]
    text = biggest_text(found, show.length(found.expanded_95_mm, 3), show.length(found.without(biggest), 3))
    print_rows([("biggest", text)])


def _whole_rows(found: Budget, show: Display) -> list[tuple[str, str]]:
    drawn, dof = found.drawn, "unlimited" if math.isinf(found.dof) else f"{found.dof:.4g}"
    rows = [
        ("combined", f"{show.length(found.combined_mm, 3)} standard uncertainty, degrees of freedom {dof}"),
        ("95 %", f"± {show.length(found.expanded_95_mm, 3)} (factor {found.factor:.3f})"),
        (
            "drawn",
            f"95 % within ± {show.length(drawn.half_width_95, 3)}; standard deviation {show.length(drawn.u, 4)}, known "
            f"to ± {show.length(drawn.u_error, 2)}, of {drawn.draws:,} draws",
        ),
        ("worst case", f"± {show.length(found.worst_mm, 3)}, everything at its worst at once"),
    ]
    if abs(found.bias_mm) > 0.001 * found.combined_mm:
        rows.append(("mean", f"{show.length(found.bias_mm, 2)} late by what path and rounding do (negative: early)"))
    if found.missed_share > 0.0:
        rows.append(("missed", f"{found.missed_share:.2%} come outside the permitted window and are not made"))
    if found.correlated:
        rows.append(("note", "terms of the path hang on one another; the combined figure allows for it"))
    return rows


def _tolerance_mm(config: LineConfig, found: Budget) -> float:
    from controller.settings.job import plan_of

    return plan_of(found.station, config.job.plans).tolerance


def _tolerance_row(found: Budget, tolerance_mm: float, show: Display) -> tuple[str, str]:
    tolerance = f"± {show.length(tolerance_mm)}"
    if found.worst_mm <= tolerance_mm:
        return "tolerance", f"{tolerance}: kept even at the worst"
    if found.reach_mm <= tolerance_mm:
        return "tolerance", f"{tolerance}: kept by 95 % and more, not at the worst"
    return "tolerance", f"{tolerance}: NOT KEPT at 95 %; shrink the biggest terms, or make the tolerance wider"


def _as_json(config: LineConfig, found: Budget, source: str) -> dict[str, Any]:
    biggest = found.terms[0]
    return {
        "line": config.name,
        "station": found.station,
        "path": found.path,
        "speed_mm_s": found.speed_mm_s,
        "figures": source,
        "terms": [_term_json(term, found) for term in found.terms],
        "assumptions": [f"{term.name}: {term.says}" for term in found.terms if term.assumed],
        "combined_mm": found.combined_mm,
        "dof": _dof(found.dof),
        "coverage_factor": found.factor,
        "expanded_95_mm": found.expanded_95_mm,
        "worst_mm": found.worst_mm,
        "tolerance_mm": _tolerance_mm(config, found),
        "within_tolerance": found.reach_mm <= _tolerance_mm(config, found),
        "monte_carlo_95_mm": found.drawn.half_width_95,
        "monte_carlo_u_mm": found.drawn.u,
        "monte_carlo_u_error_mm": found.drawn.u_error,
        "draws": found.drawn.draws,
        "bias_mm": found.bias_mm,
        "missed_share": found.missed_share,
        "correlated": found.correlated,
        "biggest": {"name": biggest.name, "share": found.share(biggest), "shrink": biggest.mend},
    }


def _term_json(term: Term, found: Budget) -> dict[str, Any]:
    return {
        "name": term.name,
        "u_mm": term.u_mm,
        "sensitivity": term.sensitivity,
        "dof": _dof(term.dof),
        "input_u": term.u_input,
        "input_unit": term.unit,
        "share": found.share(term),
        "assumed": term.assumed,
        "says": term.says,
    }


def _dof(dof: float) -> float | None:
    """Degrees of freedom for JSON, which has no infinity: None is unlimited."""
    return None if math.isinf(dof) else dof
