"""`beltcue commission marker`: ready, release, busy and done of a marker over some test marks, and its times."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from controller.cli.commission_results import keep
from controller.cli.commission_watch import Change, add_apply, load, settle, tell
from controller.cli.common import (
    NOT_OK,
    OK,
    BadInputError,
    RefusedError,
    Verbs,
    complain,
    duration_s,
    print_json,
    verb,
)

if TYPE_CHECKING:
    from controller.commissioning.marker import Figure, Study
    from controller.commissioning.marker_marks import Mark
    from controller.settings.line import LineConfig
    from controller.settings.sections import StationSection

MARKS = 10
MOST_MARKS = 1000


def register(steps: Verbs) -> None:
    """Add the step."""
    parser = verb(
        steps,
        "marker",
        execute,
        "check a marker's signals and measure its times over some test marks",
        "THE MARKER FIRES, once for each mark: scrap in front of it, nobody in its reach. The line must run in mode "
        "Maintenance, in state Execute, and a person must confirm at a terminal. It says whether ready, busy and done "
        "come in order, how long the marker takes to answer, to mark and to be ready again, each with how well the "
        "scan lets it be known, and holds that against response, mark_time and rearm of the station. Exit code 1: "
        "something is out of order, or a setting was left wrong. Nothing is changed without --apply.",
    )
    parser.add_argument("line_file", metavar="LINE.toml", help="the line's file")
    parser.add_argument("--station", metavar="NAME", help="which marker, when the line has several")
    parser.add_argument("--marks", metavar="N", type=int, default=MARKS, help=f"make so many (default: {MARKS})")
    parser.add_argument(
        "--every", metavar="TIME", type=duration_s, default="1s", help='from mark to mark (default: "1 s")'
    )
    parser.add_argument(
        "--busy-tells", choices=("trigger", "mark"),
        help="what its papers say of busy: that it comes with the trigger, or with the mark itself; only then busy "
        "tells response and mark time",
    )  # fmt: skip
    parser.add_argument(
        "--yes-bench", action="store_true", help="without the question; only where the I/O side is a test bench"
    )
    add_apply(parser)


def execute(args: argparse.Namespace) -> int:
    """Have it confirmed, make the marks, and say."""
    from controller.cli.commission_marker_marks import names_of
    from controller.cli.commission_marks import station_of
    from controller.commissioning.marker import Settings, study
    from controller.commissioning.marker_words import NAMES, figure_text, verdict_texts

    config = load(args.line_file)
    number, station = station_of(config, args.station)
    if not 1 <= args.marks <= MOST_MARKS:
        raise BadInputError(f"--marks is 1 to {MOST_MARKS}, e.g. {MARKS}")
    marks, raw, looks_s = _made(args, config, number, station)
    busy_marks = args.busy_tells == "mark"
    found = study(marks, Settings(station.response, station.mark_time, station.rearm, busy_marks))
    wanted, changes = _proposed(number, station, found, config)
    show, names = config.display, names_of(config, number)
    says = verdict_texts(found, station.mark_window, config.settings.line.top_speed, looks_s, show)
    absent = [word for word in ("ready", "busy", "done") if getattr(names, word) is None]
    unknown = _unknown(found, absent, args.busy_tells)
    rows = [
        ("line", f"{config.name}, {station.name}: {found.marks} of {args.marks} test marks"),
        *((NAMES[name], figure_text(figure, show)) for name, figure in found.figures.items()),
        *(("verdict", text) for text in says),
        *(("unknown", f"{u['what']}: {u['why']}; needs {u['needs']}") for u in unknown),
    ]
    applied = settle(args, config, rows, changes, station=wanted)
    result = {
        "line": config.name,
        "station": station.name,
        "source": "controller",
        "marks_asked": args.marks,
        "marks": found.marks,
        "looks_every_ms": 1e3 * looks_s,
        "busy_tells": args.busy_tells,
        "times": {name.value: _as_json(figure) for name, figure in found.figures.items()},
        "wrong": {what.value: count for what, count in found.wrong.items()},
        "good": found.good,
        "verdict": says,
        "unknown": unknown,
        "changes": [change.as_json() for change in changes],
        "applied": applied,
    }
    keep(config, "marker", result, {"marks": raw})
    if args.json:
        print_json(result)
    in_order = bool(found.figures) and not found.wrong and found.marks == args.marks
    return OK if in_order and (applied or not changes) else NOT_OK


def _made(
    args: argparse.Namespace, config: LineConfig, number: int, station: StationSection
) -> tuple[list[Mark], list[dict[str, Any]], float]:
    """Make the marks; gives them, their raw data, and the time from look to look. Raises RefusedError."""
    import time
    from itertools import pairwise

    from controller.cli.commands import confirm_marks
    from controller.cli.commission_marker_marks import Marking, names_of
    from controller.commissioning.cautions import MARKING
    from controller.commissioning.marker_marks import Wrong, mark_of
    from controller.local_client import LocalClient, NotRunningError
    from controller.local_socket import socket_path

    marks: list[Mark] = []
    raw: list[dict[str, Any]] = []
    gaps_s: list[float] = []
    plain = config.spec().plain
    try:
        with LocalClient(socket_path(config.name)) as client:
            status = client.status()
            _refuse_unfit(status)
            for caution in MARKING:
                tell(f"caution: {caution}")
            confirm_marks(status, args.yes_bench, args.marks)
            marking = Marking(client, config, station, names_of(config, number))
            for n in range(args.marks):
                began_s = time.monotonic()
                try:
                    looks, kept = marking.mark()
                except RefusedError as error:
                    if not marks:
                        raise
                    complain(f"mark {n + 1} was not made, and no more are: {error}")
                    break
                exchange_s = client.status()["worst_exchange_ms"] * 1e-3
                # Where the I/O side has no clock, a look is dated by the end of its exchange.
                late_s = (0.0 if plain is None else plain.io_scan_s) + (0.0 if marking.dated else exchange_s)
                each = mark_of(looks, exchange_s, late_s)
                marks.append(each)
                raw.append(kept)
                gaps_s += [float(b - a) for a, b in pairwise(looks.t_s)]
                wrong = ", ".join(each.wrong) + (f" ({kept['answer']})" if Wrong.NOT_RELEASED in each.wrong else "")
                tell(f"Mark {n + 1} of {args.marks}" + (f": {wrong}" if wrong else ""))
                if {Wrong.NOT_RELEASED, Wrong.NEVER_READY, Wrong.FAULT} & set(each.wrong):
                    break
                if n + 1 < args.marks:
                    time.sleep(max(0.0, began_s + args.every - time.monotonic()))
    except NotRunningError as error:
        raise RefusedError(str(error)) from None
    return marks, raw, sorted(gaps_s)[len(gaps_s) // 2] if gaps_s else 0.0


def _refuse_unfit(status: dict[str, Any]) -> None:
    """Refuse a line that would make no test mark, before anybody is asked."""
    if status["dry"]:
        raise RefusedError("the line is run dry: no mark can be made; start its controller without --dry")
    if (status["mode"], status["state"]) != ("Maintenance", "Execute"):
        raise RefusedError(
            f"the line is in {status['state']} of mode {status['mode']}; test marks need Execute of mode Maintenance: "
            "stop the line, then beltcue mode maintenance, beltcue command reset, beltcue command start"
        )


def _proposed(
    number: int, station: StationSection, found: Study, config: LineConfig
) -> tuple[StationSection, list[Change]]:
    """The station with the times that were found, as they are shown."""
    from controller.units import parse_duration_s

    show, changes, update = config.display, [], {}
    old, new = found.settings, found.proposed
    for name, before_s, after_s in (
        ("response", old.response_s, new.response_s),
        ("mark_time", old.mark_s, new.mark_s),
        ("rearm", old.rearm_s, new.rearm_s),
    ):
        if show.time(before_s) != show.time(after_s):
            changes.append(Change(f"stations#{number}.{name}", show.time(before_s), show.time(after_s)))
            update[name] = parse_duration_s(show.time(after_s))
    return station.model_copy(update=update), changes


def _unknown(found: Study, absent: list[str], busy_tells: str | None) -> list[dict[str, str]]:
    from controller.commissioning.marker_marks import Times

    unknown = [
        {"what": word, "why": f"this line has no such signal of the marker ({word})", "needs": "its point in the file"}
        for word in absent
    ]
    if busy_tells != "mark" or Times.RESPONSE not in found.figures:
        unknown.append({
            "what": "response",
            "why": "no signal tells when the mark itself begins"
            if busy_tells == "trigger"
            else "whether busy comes with the mark itself is not said",
            "needs": "a trial at two speeds (beltcue commission trial)"
            + ("" if busy_tells == "trigger" else ", or --busy-tells mark where the marker's papers say so"),
        })  # fmt: skip
    return unknown


def _as_json(figure: Figure) -> dict[str, Any]:
    """A figure for scripts, in ms."""
    values = asdict(figure)
    fits, same = values.pop("fits"), values.pop("same")
    values |= {"same_low_s": same and same["low"], "same_high_s": same and same["high"]}
    ms = {name.removesuffix("_s") + "_ms": v for name, v in values.items() if name != "n"}
    return {"n": figure.n, **{name: None if v is None else 1e3 * v for name, v in ms.items()}, "fits": fits}
