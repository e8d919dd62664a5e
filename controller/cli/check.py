"""`beltcue check`: read a line's files and say what the line will do, without touching it."""

from __future__ import annotations

import argparse
import dataclasses

from controller.cli.common import BAD_INPUT, OK, BadInputError, Verbs, complain, print_json, print_rows, verb

NAMES = ("check",)


def register(verbs: Verbs) -> None:
    """Add the verb."""
    parser = verb(
        verbs,
        "check",
        execute,
        "read a line's files and say what the line will do",
        "Everything in your own units, with the least distance, orders a second and lease that the link needs. "
        "A line that cannot keep them is refused.",
    )
    parser.add_argument("line_file", metavar="LINE.toml", help="the line's file")


def execute(args: argparse.Namespace) -> int:
    """Print what the line will do; bad input where it cannot work."""
    from controller.check import describe
    from controller.job_files import state_of
    from controller.needs import feasible
    from controller.settings.base import SettingsError
    from controller.settings.line import line_problems, load_line

    try:
        # What the link would need is worth most where the line does not have it, so such a line is described too.
        config = load_line(args.line_file, must_work=False)
        state = state_of(config)
        rows = [(name, f"{text}, {state}" if name == "job" else text) for name, text in describe(config)]
        found = line_problems(config)
    except SettingsError as error:
        raise BadInputError(str(error)) from None
    print_rows([*rows, *(("PROBLEM", text) for text in found)])
    if found:
        more = f" (and {len(found) - 1} more)" if len(found) > 1 else ""
        complain(f"{args.line_file}: {found[0]}{more}")
    if args.json:
        needs = dataclasses.asdict(feasible(config.spec()))
        print_json({"line": config.name, "works": not found, "problems": found, "needs": needs, "says": rows,
                    "job_state": state.as_dict()})  # fmt: skip
    return BAD_INPUT if found else OK
