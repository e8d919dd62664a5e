"""`beltcue commission sense`: does the count go up as the belt runs forward, and is it quiet at rest."""

from __future__ import annotations

import argparse
from typing import Literal

from controller.cli.commission_results import keep
from controller.cli.commission_watch import (
    Change,
    add_apply,
    add_watching,
    ask_yes,
    load,
    raw_of,
    settle,
    tell,
    watch,
)
from controller.cli.common import NOT_OK, OK, Verbs, print_json, verb
from controller.commissioning.cautions import BELT


def register(steps: Verbs) -> None:
    """Add the step."""
    parser = verb(
        steps,
        "sense",
        execute,
        "see whether the count goes up as the belt runs forward",
        "Run the belt forward while it looks, best with some seconds of standstill in it. It asks whether the belt ran "
        "forward and whether the encoder's two channels are wired as drawn; only then it offers to turn the sense. "
        "Exit code 1: the sense is wrong, or not known. Nothing is changed without --apply.",
    )
    parser.add_argument("line_file", metavar="LINE.toml", help="the line's file")
    add_watching(parser, 'look for so long (default: "10 s")')
    answers = ("yes", "no", "unknown")
    parser.add_argument("--forward", choices=answers, help="whether the belt ran forward, instead of being asked")
    parser.add_argument("--wired", choices=answers, help="whether the channels are wired as drawn, likewise")
    add_apply(parser)


def execute(args: argparse.Namespace) -> int:
    """Look, ask, and say."""
    from controller.commissioning.sense import advise, judge

    config = load(args.line_file)
    tell(f"caution: {BELT}\nLooking for {args.for_s:g} s: run the belt forward now.")
    seen, source = watch(config, args.address, args.for_s)
    sense = judge(seen.series)
    forward = ask_yes("Did the belt run forward, and only forward, in that time?", args.forward)
    wired = ask_yes("Are the encoder's two channels wired as drawn? Look at the terminals.", args.wired)
    advice = advise(sense, forward, wired)
    old = config.settings.encoder.forward
    new: Literal["counts up", "counts down"] = "counts down" if old == "counts up" else "counts up"
    changes = [Change("encoder.forward", old, new)] if advice.turn else []
    rows = [("line", f"{config.name}, looked at for {sense.seconds:.1f} s ({sense.looks} looks)")]
    rows += [("verdict", text) for text in advice.says]
    rows += [("unknown", f"the sense; needs {advice.needs}")] if advice.needs else []
    turned = config.settings.encoder.model_copy(update={"forward": new})
    applied = settle(args, config, rows, changes, encoder=turned)
    result = {
        "line": config.name,
        "source": source,
        "seconds": sense.seconds,
        "looks": sense.looks,
        "moving": sense.moving.value,
        "counts": sense.counts,
        "against_counts": sense.against_counts,
        "jumps": sense.jumps,
        "rest_noise_counts": sense.rest_noise_counts,
        "rest_s": sense.rest_s,
        "forward": forward,
        "wired": wired,
        "right": advice.right,
        "verdict": list(advice.says),
        "unknown": [{"what": "sense", "why": advice.says[0], "needs": advice.needs}] if advice.needs else [],
        "changes": [change.as_json() for change in changes],
        "applied": applied,
    }
    keep(config, "sense", result, raw_of(seen))
    if args.json:
        print_json(result)
    return OK if applied or (advice.right and not advice.needs) else NOT_OK
