"""`beltcue commission trial`: where marks landed at several speeds, and what to change."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller.cli.commission_results import keep
from controller.cli.commission_trial_view import as_json, proposed, term_rows
from controller.cli.commission_watch import add_apply, apply, change_rows
from controller.cli.common import OK, BadInputError, Verbs, print_json, print_rows, verb

if TYPE_CHECKING:
    from controller.commissioning.trial_data import Marks, Setup, Trial
    from controller.settings.line import LineConfig
    from controller.settings.sections import StationSection

WANTED_PART = 1.0 / 3.0
"""A proposed trial tells the mean mark to this part of the tolerance."""
SUPPOSED_PART = 1.0 / 5.0
"""Before any mark was made its scatter is supposed to be this part of the tolerance."""


def register(steps: Verbs) -> None:
    """Add the step."""
    parser = verb(
        steps,
        "trial",
        execute,
        "find the line's errors from marks made at several speeds",
        "Mark scrap at two or more speeds and write one row for each mark: speed, position from the leading edge, if "
        'measured its length, and the distance where it was changed. The header has the units: "speed '
        '[m/min],position [mm]". Without --csv it proposes the speeds and how many marks.',
    )
    parser.add_argument("line_file", metavar="LINE.toml", help="the line's file, as it was in the trial")
    parser.add_argument("--csv", metavar="FILE", type=Path, help="the marks")
    parser.add_argument("--station", metavar="NAME", help="which station, when the line has several")
    parser.add_argument("--offset", metavar="LENGTH", help="where the mark should be (default: the job's offset)")
    parser.add_argument("--design-length", metavar="LENGTH", help="the mark's length (default: the job's)")
    parser.add_argument("--tolerance", metavar="LENGTH", help="how far off a mark may be (default: the job's)")
    parser.add_argument("--product-length", metavar="LENGTH", help="of the scrap, so that marks off it are refused")
    add_apply(parser)
    parser.add_argument("--plot", metavar="FILE", type=Path, help="draw error over speed there, as PNG")


def execute(args: argparse.Namespace) -> int:
    """Reckon and print."""
    from controller.settings.base import SettingsError
    from controller.settings.line import load_line

    try:
        config = load_line(args.line_file, must_work=False)
        number, station = _station(config, args.station)
        setup = _setup(config, station, args)
        if args.csv is None:
            return _propose(config, setup, args.json)
        return _judge(config, number, station, setup, args)
    except SettingsError as error:
        raise BadInputError(str(error)) from None


def _station(config: LineConfig, name: str | None) -> tuple[int, StationSection]:
    stations = config.settings.stations
    if name is None and len(stations) > 1:
        raise BadInputError(f'--station is missing; the line has several, e.g. --station "{stations[0].name}"')
    for number, station in enumerate(stations, start=1):
        if name in (None, station.name):
            return number, station
    known = ", ".join(f'"{s.name}"' for s in stations)
    raise BadInputError(f'--station: the line has no station "{name}"; it has {known}')


def _setup(config: LineConfig, station: StationSection, args: argparse.Namespace) -> Setup:
    from controller.commissioning.trial_data import Setup
    from controller.settings.job import plan_of
    from controller.spec import PlanEdge

    plan = plan_of(station.name, config.job.plans)
    if plan.edge is PlanEdge.TRAILING and args.offset is None:
        raise BadInputError(
            "the job counts from the trailing edge and a trial from the leading one; say where the mark should "
            "be from there, "
            'e.g. --offset "30 mm"'
        )
    top = config.settings.line.top_speed
    return Setup(
        offset_mm=plan.offset if args.offset is None else length_mm("--offset", args.offset, least=0.0),
        distance_mm=station.distance,
        response_s=station.response,
        lowest_mm_s=config.settings.line.lowest_speed,
        highest_mm_s=top if station.max_speed is None else min(top, station.max_speed),
        tolerance_mm=plan.tolerance if args.tolerance is None else length_mm("--tolerance", args.tolerance),
        design_length_mm=(plan.length or None)
        if args.design_length is None
        else length_mm("--design-length", args.design_length),
        pacing=station.pacing,
        count_mm=config.settings.encoder.scale_mm(),
    )


def length_mm(option: str, text: str, least: float | None = None) -> float:
    """Read a length, in mm: `least` or more, or above zero."""
    from controller.units import parse_length_mm

    try:
        value = parse_length_mm(text)
    except ValueError as error:
        raise BadInputError(f"{option}: {error}") from None
    if value < 0.0 or (least is None and value == 0.0):
        wanted = "more than 0" if least is None else "0 or more"
        raise BadInputError(f'{option}: {text} is not {wanted}; write e.g. "30 mm"')
    return value


def _propose(config: LineConfig, setup: Setup, as_json: bool) -> int:
    from controller.commissioning.cautions import MARKING

    scatter = SUPPOSED_PART * setup.tolerance_mm
    text, proposed = _proposal(config, setup, scatter)
    supposed = f"supposing that single marks scatter by {config.display.length(scatter, 2)} (one sigma)"
    print_rows(
        [
            ("line", config.name),
            ("make", f"{text}, {supposed}"),
            (
                "write",
                'a CSV file with the header "speed [m/min],position [mm]" and a row for each mark; give it as --csv',
            ),
            (
                "better",
                "measure the marks' length too, and make some at a second distance: only so the scale can be told",
            ),
            *(("caution", line) for line in MARKING),
        ]
    )
    if as_json:
        print_json({"line": config.name, "proposal": proposed})
    return OK


def _proposal(config: LineConfig, setup: Setup, scatter_mm: float) -> tuple[str, dict[str, Any]]:
    """How many marks at which speeds tell the mean well enough, in words and for scripts."""
    from controller.commissioning.proposal import propose

    found = propose(setup.lowest_mm_s, setup.highest_mm_s, scatter_mm, WANTED_PART * setup.tolerance_mm)
    display = config.display
    speeds = ", ".join(display.speed(v) for v in found.speeds_mm_s)
    text = (
        f"{found.each} marks at each of {speeds}: the mean mark is then known within ± "
        f"{display.length(found.half_width_mm, 2)} at every speed with 95 % confidence"
    )
    return text, {
        "speeds_mm_s": list(found.speeds_mm_s),
        "marks_each": found.each,
        "half_width_mm": found.half_width_mm,
        "enough": found.enough,
    }


def _judge(config: LineConfig, number: int, station: StationSection, setup: Setup, args: argparse.Namespace) -> int:
    from controller.commissioning.cautions import MARKING
    from controller.commissioning.trial import analyse
    from controller.commissioning.trial_slips import slips
    from controller.commissioning.trial_words import outcome, unknowns, verdict
    from controller.settings.trial import load_trial

    marks, display = load_trial(args.csv), config.display
    product = config.settings.detector.jam_length
    if args.product_length is not None:
        product = length_mm("--product-length", args.product_length)
    for slip in slips(marks, setup, product, display):
        raise BadInputError(f"{args.csv}: {slip}")
    try:
        trial = analyse(marks, setup)
    except ValueError as error:
        raise BadInputError(f"{args.csv}: {error}") from None
    says, missing = verdict(trial, setup, display), unknowns(trial, setup, display)
    new = proposed(config, number, station, trial)
    applied = bool(args.apply and new.changes)
    if applied:
        apply(config, new.encoder, new.station)
    if args.plot is not None:
        _draw(args.plot, config, marks, setup, trial)
    next_text, following = _proposal(config, setup, trial.scatter_mm)
    print_rows(
        [
            ("line", f"{config.name}, station {station.name}: {len(marks.position_mm)} marks"),
            *term_rows(trial, display),
            *(("verdict", text) for text in says),
            *change_rows(config, new.changes, applied),
            *(("as it stands", outcome(p, False, setup, display)) for p in trial.predicted),
            *(("after changes", outcome(p, True, setup, display)) for p in trial.predicted if new.changes),
            *(("unknown", f"{u.what}: {u.why}; needs {u.needs}") for u in missing),
            ("next trial", next_text),
            *([("plot", str(args.plot))] if args.plot is not None else []),
            *(("caution", line) for line in MARKING),
        ]
    )
    told = {"verdict": says, "changes": new.changes, "applied": applied, "unknown": missing, "proposal": following}
    result = as_json(trial, told)
    raw = {"file": str(args.csv), "station": station.name, "marks": asdict(marks), "setup": asdict(setup)}
    keep(config, "trial", result, raw)
    if args.json:
        print_json(result)
    return OK


def _draw(picture: Path, config: LineConfig, marks: Marks, setup: Setup, trial: Trial) -> None:
    from controller.plots import plot_trial

    try:
        plot_trial(picture, f"{config.name}: where the marks landed", marks, setup, trial, config.display)
    except (OSError, ValueError) as error:
        raise BadInputError(f"--plot {picture}: {error}; name a .png in a directory that can be written") from None
