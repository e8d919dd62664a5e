"""What the steps share that judge marks: their options, the line as it stands, and the marks from a file or typed."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from controller.cli.commission_watch import tell
from controller.cli.common import BadInputError, RefusedError

if TYPE_CHECKING:
    from controller.commissioning.trial_data import Marks, Setup
    from controller.settings.line import LineConfig
    from controller.settings.sections import StationSection

TYPED = Path("as typed")
"""Stands for the file's name where there is none."""


def add_marks(parser: argparse.ArgumentParser) -> None:
    """Add what says where the marks are, and what they are held against."""
    parser.add_argument("--csv", metavar="FILE", type=Path, help="the marks, a row each")
    parser.add_argument("--typed", action="store_true", help="the marks are typed at the terminal instead, a line each")
    parser.add_argument("--station", metavar="NAME", help="which station, when the line has several")
    parser.add_argument("--offset", metavar="LENGTH", help="where the mark should be (default: the job's offset)")
    parser.add_argument("--design-length", metavar="LENGTH", help="the mark's length (default: the job's)")
    parser.add_argument("--tolerance", metavar="LENGTH", help="how far off a mark may be (default: the job's)")
    parser.add_argument("--product-length", metavar="LENGTH", help="of the scrap, so that marks off it are refused")


def station_of(config: LineConfig, name: str | None) -> tuple[int, StationSection]:
    """The station of that name, or the only one, and its number from 1. Raises BadInputError."""
    stations = config.settings.stations
    if name is None and len(stations) > 1:
        raise BadInputError(f'--station is missing; the line has several, e.g. --station "{stations[0].name}"')
    for number, station in enumerate(stations, start=1):
        if name in (None, station.name):
            return number, station
    known = ", ".join(f'"{s.name}"' for s in stations)
    raise BadInputError(f'--station: the line has no station "{name}"; it has {known}')


def setup_of(config: LineConfig, station: StationSection, args: argparse.Namespace) -> Setup:
    """The line as it stands, with what the options say instead. Raises BadInputError."""
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


def marks_of(config: LineConfig, setup: Setup, args: argparse.Namespace) -> tuple[Marks, str]:
    """The marks and where they are from; what cannot be as typed is refused. Raises BadInputError, SettingsError."""
    from controller.commissioning.trial_slips import slips
    from controller.settings.trial import load_trial

    product_mm = config.settings.detector.jam_length
    if args.product_length is not None:
        product_mm = length_mm("--product-length", args.product_length)
    if args.typed:
        if args.csv is not None:
            raise BadInputError("--csv and --typed: give one of the two")
        return _typed(config, setup, product_mm), str(TYPED)
    marks = load_trial(args.csv)
    for slip in slips(marks, setup, product_mm, config.display):
        raise BadInputError(f"{args.csv}: {slip}")
    return marks, str(args.csv)


def _typed(config: LineConfig, setup: Setup, product_mm: float | None) -> Marks:
    """Have the marks typed, each line as a row of the file would be; one that is wrong is asked for again."""
    from controller.commissioning.trial_slips import slips
    from controller.settings.base import SettingsError
    from controller.settings.trial import read_trial

    if not sys.stdin.isatty():
        raise BadInputError("--typed asks for each mark: sit at a terminal, or give a file with --csv")
    display = config.display
    header = f"speed [{display.speed_unit}],position [{display.length_unit}]"
    tell(f"The marks' columns: {header}. Enter takes them; or type others, such as length [mm] or other units.")
    while True:
        asked = _line("columns> ") or header
        try:
            # A header alone has no marks; a row of numbers shows whether it is one.
            read_trial(TYPED, f"{asked}\n{','.join('1' for _ in asked.split(','))}")
            break
        except SettingsError as error:
            tell(str(error))
    tell(f"A mark a line: {asked}. An empty line ends.")
    rows: list[str] = []
    while True:
        row = _line(f"mark {len(rows) + 1}> ")
        if not row and rows:
            return read_trial(TYPED, "\n".join([asked, *rows]))
        if not row:
            tell("No mark has been typed so far; Ctrl-C leaves this step.")
            continue
        try:
            # By itself first, so that what is wrong is said of this line and no other.
            read_trial(TYPED, f"{asked}\n{row}")
            wrong = next(slips(read_trial(TYPED, "\n".join([asked, *rows, row])), setup, product_mm, display), None)
        except SettingsError as error:
            wrong = str(error)
        if wrong is None:
            rows.append(row)
        else:
            tell(f"{wrong}\nThat line is left out; type it again.")


def _line(prompt: str) -> str:
    """A typed line. Raises RefusedError where nobody is there any more."""
    try:
        return input(prompt).strip()
    except EOFError:
        raise RefusedError("nobody is at the terminal any more; nothing was judged, and nothing was changed") from None
