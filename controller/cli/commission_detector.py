"""`beltcue commission detector`: the eye's polarity, bounce and repeatability, and the filters that suit them."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller.cli.commission_results import keep
from controller.cli.commission_watch import (
    Change,
    add_apply,
    add_watching,
    ask_yes,
    load,
    settle,
    tell,
    watch,
)
from controller.cli.common import NOT_OK, OK, BadInputError, Verbs, print_json, verb
from controller.cli.reckoning import add_plot, plotted
from controller.commissioning.cautions import BELT

if TYPE_CHECKING:
    from controller.commissioning.detector_study import EyeStudy
    from controller.settings.line import LineConfig


def register(steps: Verbs) -> None:
    """Add the step."""
    parser = verb(
        steps,
        "detector",
        execute,
        "see what the eye tells of the products, and which filters suit that",
        "Let products pass while it looks, best half of the time at a low and half at a high speed. It says which edge "
        "is the leading one, how long products and gaps are, how the eye bounces, and how well it repeats. Exit code "
        "1: something is to be changed, or cannot be said yet. Nothing is changed without --apply.",
    )
    parser.add_argument("line_file", metavar="LINE.toml", help="the line's file")
    add_watching(parser, 'look for so long (default: "30 s")', "30s")
    parser.add_argument("--product-length", metavar="LENGTH", help="of the products that pass, where it is known")
    answers = ("yes", "no", "unknown")
    parser.add_argument(
        "--clear", choices=answers, help="whether no product was before the eye at the start, instead of being asked"
    )
    add_apply(parser)
    add_plot(parser, "draw what was seen there, as PNG")


def execute(args: argparse.Namespace) -> int:
    """Look, ask, and say."""
    from controller.cli.commission_detector_view import as_json, filter_rows, seen_rows, unknowns
    from controller.cli.commission_marks import length_mm
    from controller.commissioning.detector_study import study

    config = load(args.line_file)
    product_mm = None if args.product_length is None else length_mm("--product-length", args.product_length)
    detector = config.settings.detector
    if detector.kind != "captured":
        raise BadInputError(
            f'{config.path}: detector.kind is "{detector.kind}": between two polls bounce is not seen, '
            'nor where an edge was; this step needs an eye with kind = "captured"'
        )
    tell(f"caution: {BELT}\nLooking for {args.for_s:g} s: let products pass now, at a low and at a high speed.")
    seen, source = watch(config, args.address, args.for_s)
    clear = ask_yes("Was no product before the eye when the looking began?", args.clear)
    now_mm = (detector.least_length, detector.least_gap, detector.hold_off)
    found = study(seen.edges, config.settings.encoder.scale_mm(), now_mm, product_mm, clear, config.display)
    display = config.display
    wanted = {f.name: f.value_mm for f in found.filters if not f.suits and f.value_mm is not None}
    changes = [
        Change(f"detector.{f.name}", display.length(f.now_mm), display.length(wanted[f.name]))
        for f in found.filters
        if f.name in wanted
    ]
    plot = plotted(args.plot, lambda picture: _draw(picture, config, found))
    notes = [
        f"{count} {text}"
        for count, text in (
            (seen.captures_lost, "edges came faster than they were looked at, so what was beside them is left out"),
            (
                found.products.odd,
                "times an edge of the same kind came twice in a row: the one between was not captured",
            ),
            (seen.series.jumps, "times the count jumped as no belt does; see beltcue commission sense"),
        )
        if count
    ]
    missing = unknowns(found)
    rows = [
        ("line", f"{config.name}, looked at for {seen.series.seconds:.1f} s ({len(seen.edges)} edges)"),
        *seen_rows(found, display),
        *(("note", note) for note in notes),
        *filter_rows(found, display),
        *(("unknown", f"{u['what']}: {u['why']}; needs {u['needs']}") for u in missing),
        *plot,
    ]
    applied = settle(args, config, rows, changes, detector=detector.model_copy(update=wanted))
    result: dict[str, Any] = {
        "line": config.name,
        "source": source,
        "seconds": seen.series.seconds,
        "edges": len(seen.edges),
        "edges_lost": seen.captures_lost,
        **as_json(found),
        "notes": notes,
        "unknown": missing,
        "changes": [change.as_json() for change in changes],
        "applied": applied,
    }
    e = seen.edges
    raw = {"t_s": e.t_s, "blocked": e.blocked, "travel": e.travel, "speed_counts_s": e.speed_counts_s}
    keep(config, "detector", result, raw | {"broken": e.broken, "blocked_at_start": e.blocked_at_start})
    if args.json:
        print_json(result)
    settled = all(f.suits or (applied and f.name in wanted) for f in found.filters)
    return OK if settled and found.inverted is False and found.filters else NOT_OK


def _draw(picture: Path, config: LineConfig, found: EyeStudy) -> None:
    from controller.plots_detector import plot_detector

    plot_detector(picture, f"{config.name}: what the eye told", found, config.display)
