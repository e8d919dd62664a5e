"""`beltcue commission trial`: where marks landed at several speeds, and what to change."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller.cli.commission_marks import add_marks, marks_of, setup_of, station_of
from controller.cli.commission_results import keep
from controller.cli.commission_trial_view import as_json, proposed, term_rows
from controller.cli.commission_watch import add_apply, settle
from controller.cli.common import OK, BadInputError, Verbs, print_json, print_rows, verb
from controller.cli.reckoning import add_plot, plotted

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
        '[m/min],position [mm]". Without --csv or --typed it proposes the speeds and how many marks.',
    )
    parser.add_argument("line_file", metavar="LINE.toml", help="the line's file, as it was in the trial")
    add_marks(parser)
    add_apply(parser)
    add_plot(parser, "draw error over speed there, as PNG")


def execute(args: argparse.Namespace) -> int:
    """Reckon and print."""
    from controller.settings.base import SettingsError
    from controller.settings.line import load_line

    try:
        config = load_line(args.line_file, must_work=False)
        number, station = station_of(config, args.station)
        setup = setup_of(config, station, args)
        if args.csv is None and not args.typed:
            return propose_marks(config, setup, args.json)
        return _judge(config, number, station, setup, args)
    except SettingsError as error:
        raise BadInputError(str(error)) from None


def propose_marks(config: LineConfig, setup: Setup, as_json: bool) -> int:
    """Say at which speeds how many marks are needed."""
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
    from controller.commissioning.trial_words import outcome, unknowns, verdict

    (marks, source), display = marks_of(config, setup, args), config.display
    try:
        trial = analyse(marks, setup)
    except ValueError as error:
        raise BadInputError(f"{source}: {error}") from None
    says, missing = verdict(trial, setup, display), unknowns(trial, setup, display)
    new = proposed(config, number, station, trial)
    plot = plotted(args.plot, lambda picture: _draw(picture, config, marks, setup, trial))
    next_text, following = _proposal(config, setup, trial.scatter_mm)
    rows = [
        ("line", f"{config.name}, station {station.name}: {len(marks.position_mm)} marks"),
        *term_rows(trial, display),
        *(("verdict", text) for text in says),
        *(("as it stands", outcome(p, False, setup, display)) for p in trial.predicted),
        *(("after changes", outcome(p, True, setup, display)) for p in trial.predicted if new.changes),
        *(("unknown", f"{u.what}: {u.why}; needs {u.needs}") for u in missing),
        ("next trial", next_text),
        *plot,
        *(("caution", line) for line in MARKING),
    ]
    applied = settle(args, config, rows, new.changes, encoder=new.encoder, station=new.station)
    told = {"verdict": says, "changes": new.changes, "applied": applied, "unknown": missing, "proposal": following}
    result = as_json(trial, told)
    raw = {"file": source, "station": station.name, "marks": asdict(marks), "setup": asdict(setup)}
    keep(config, "trial", result, raw)
    if args.json:
        print_json(result)
    return OK


def _draw(picture: Path, config: LineConfig, marks: Marks, setup: Setup, trial: Trial) -> None:
    from controller.plots import plot_trial

    plot_trial(picture, f"{config.name}: where the marks landed", marks, setup, trial, config.display)
