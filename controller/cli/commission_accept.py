"""`beltcue commission accept`: is the line as good as its tolerance, over all its speeds."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from controller.cli.commission_marks import add_marks, marks_of, setup_of, station_of
from controller.cli.commission_results import keep
from controller.cli.common import NOT_OK, OK, BadInputError, Verbs, print_json, print_rows, verb

if TYPE_CHECKING:
    from controller.commissioning.accept import Acceptance
    from controller.commissioning.trial_data import Interval, Marks, Setup
    from controller.records.store import CommissioningResult
    from controller.settings.line import LineConfig


def register(steps: Verbs) -> None:
    """Add the step."""
    parser = verb(
        steps,
        "accept",
        execute,
        "say whether the marks are within tolerance at all the line's speeds",
        "Mark scrap anew, after the last correction, from a low speed to the line's highest, and give the marks as for "
        "trial. Pass: with 95 % confidence at least 95 % of the marks (--share) land within the job's tolerance at "
        "every speed from the line's lowest to its highest; single marks decide, and the mean's band stands beside "
        "them. Exit code 1: it fails, or is not proven yet. Without --csv or --typed it proposes speeds and marks.",
    )
    parser.add_argument("line_file", metavar="LINE.toml", help="the line's file, as it was in the trial")
    add_marks(parser)
    parser.add_argument("--share", metavar="PERCENT", type=float, default=95.0, help="of the marks (default: 95)")


def execute(args: argparse.Namespace) -> int:
    """Judge, print, and keep."""
    from controller.settings.base import SettingsError
    from controller.settings.line import load_line

    if not 50.0 <= args.share < 100.0:
        raise BadInputError(f"--share: {args.share:g} % is outside 50 to less than 100; leave it out for 95")
    try:
        config = load_line(args.line_file, must_work=False)
        _, station = station_of(config, args.station)
        setup = setup_of(config, station, args)
        if args.csv is None and not args.typed:
            return _propose(config, setup, args)
        marks, source = marks_of(config, setup, args)
        return _judge(config, station.name, setup, marks, source, args)
    except SettingsError as error:
        raise BadInputError(str(error)) from None


def _propose(config: LineConfig, setup: Setup, args: argparse.Namespace) -> int:
    """Say how many marks are needed, by the scatter of the last trial where there was one."""
    from controller.cli.commission_trial import SUPPOSED_PART
    from controller.commissioning.accept import marks_wanted
    from controller.commissioning.cautions import MARKING

    display, last = config.display, _results(config, "trial")[-1:]
    scatter = last[0][0].result.get("scatter_mm") if last else None
    known = f"as in trial result {last[0][0].number}" if scatter else "supposed, since there was no trial"
    scatter = scatter or SUPPOSED_PART * setup.tolerance_mm
    wanted = marks_wanted(setup, scatter, args.share / 100.0)
    why = f"single marks scatter by {display.length(scatter, 2)} (one sigma), {known}"
    if wanted is None:
        text = f"less scatter first: {why}, and no number of marks up to 100 at each speed would be expected to pass"
    else:
        speeds = ", ".join(display.speed(v) for v in wanted.speeds_mm_s)
        text = f"{wanted.each} marks at each of {speeds}: so many are expected to pass a line that is right; {why}"
    header = f"speed [{display.speed_unit}],position [{display.length_unit}]"
    rows = [
        ("line", config.name),
        ("make", text),
        ("write", f'"{header}" and a row for each mark, to a file (--csv) or at the terminal (--typed)'),
    ]
    print_rows([*rows, *(("caution", line) for line in MARKING)])
    if args.json:
        proposal = None if wanted is None else {"marks_each": wanted.each, "speeds_mm_s": list(wanted.speeds_mm_s)}
        print_json({"line": config.name, "scatter_mm": scatter, "proposal": proposal})
    return OK


def _judge(config: LineConfig, station: str, setup: Setup, marks: Marks, source: str, args: argparse.Namespace) -> int:
    from controller.commissioning.accept import Verdict, judge
    from controller.commissioning.accept_words import end_text, needs_text, verdict_texts
    from controller.commissioning.cautions import MARKING

    _refuse_old(config, marks, source)
    try:
        found = judge(marks, setup, args.share / 100.0)
    except ValueError as error:
        raise BadInputError(f"{source}: {error}") from None
    display = config.display
    says, needs = verdict_texts(found, setup, display), needs_text(found, setup, display)
    print_rows(
        [
            ("line", f"{config.name}, station {station}: {len(marks.position_mm)} marks"),
            *(("accept" if n == 0 else "", text) for n, text in enumerate(says)),
            *(("marks", end_text(end, setup, display)) for end in found.ends),
            (
                "scatter",
                f"{display.length(found.trial.scatter_mm, 3)}, one sigma of a single mark, all speeds together",
            ),
            *([("needs", needs)] if needs else []),
            *(("caution", line) for line in MARKING),
        ]
    )
    result = _as_json(config, setup, found, says, needs)
    keep(config, "accept", result, {"file": source, "station": station, "marks": asdict(marks), "setup": asdict(setup)})
    if args.json:
        print_json(result)
    return OK if found.verdict is Verdict.PASS else NOT_OK


def _refuse_old(config: LineConfig, marks: Marks, source: str) -> None:
    """Refuse marks that an earlier trial has judged with other settings. Raises BadInputError, SettingsError."""
    import numpy as np

    for old, same in _results(config, "trial"):
        was = old.raw.get("marks", {}).get("position_mm", [])
        if not same and len(was) == len(marks.position_mm) and np.array_equal(was, marks.position_mm):
            raise BadInputError(
                f"{source}: these are the marks of trial result {old.number}, made with other settings than those of "
                "now; mark scrap anew, with the settings that are to be accepted"
            )


def _results(config: LineConfig, step: str) -> list[tuple[CommissioningResult, bool]]:
    """What a step kept; nothing where nothing can be read, which is said as the result is to be kept."""
    from controller.commission_record import results_of
    from controller.records.store import StoreError

    try:
        return results_of(config, step)
    except StoreError:
        return []


def _as_json(config: LineConfig, setup: Setup, found: Acceptance, says: list[str], needs: str) -> dict[str, Any]:
    def interval(mm: Interval) -> dict[str, float]:
        return {"low95": mm.low, "high95": mm.high}

    more = found.more
    return {
        "line": config.name,
        "verdict": found.verdict.value,
        "reasons": [reason.value for reason in found.reasons],
        "says": says,
        "needs": needs,
        "tolerance_mm": setup.tolerance_mm,
        "share_percent": found.share * 100.0,
        "lowest_mm_s": setup.lowest_mm_s,
        "highest_mm_s": setup.highest_mm_s,
        "marks": sum(s.n for s in found.trial.by_speed) + len(found.trial.outliers),
        "at_speeds": [
            {
                "speed_mm_s": end.speed_mm_s,
                "mean_mm": {"value": end.mean.value, **interval(end.mean)},
                "single_marks_mm": interval(end.marks),
                "scatter_mm": end.scatter_mm,
                "outside_percent_expected": end.outside * 100.0,
                "outside_percent_at_most": end.outside_most * 100.0,
            }
            for end in found.ends
        ],
        "mean_within_tolerance": found.mean_within,
        "outside": [i + 1 for i in found.outside],
        "outliers": [i + 1 for i in found.trial.outliers],
        "scatter_mm": found.trial.scatter_mm,
        "lack_of_fit_p": found.trial.lack_of_fit_p,
        "cut_from_mm_s": None if found.length is None else found.length.cut_from_mm_s,
        "more": None
        if more is None
        else {"marks_each": more.each, "speeds_mm_s": list(more.speeds_mm_s), "towards": more.towards.value},
    }
