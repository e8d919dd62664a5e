"""`beltcue check`: read a line's files and say what the line will do, without touching it."""

from __future__ import annotations

import argparse

from controller.cli.common import BadInputError, Verbs, verb

NAMES = ("check",)


def register(verbs: Verbs) -> None:
    """Add the verb."""
    parser = verb(
        verbs,
        "check",
        execute,
        "read a line's files and say what the line will do",
        "Everything in your own units; what cannot work is refused with the place to mend.",
    )
    parser.add_argument("line_file", metavar="LINE.toml", help="the line's file")


def execute(args: argparse.Namespace) -> int:
    """Print what the line will do; bad input where it cannot work."""
    raise BadInputError(args.line_file)
