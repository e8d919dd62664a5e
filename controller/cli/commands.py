"""The verbs that ask something of a running controller: commands, modes, acknowledging, test marks."""

from __future__ import annotations

import argparse
import secrets
import sys
from collections.abc import Mapping
from typing import Any

from controller.cli.common import NOT_OK, OK, BadInputError, RefusedError, Verbs, add_line, print_json, verb, who

PACKML = ("start", "stop", "reset", "hold", "unhold", "suspend", "unsuspend", "complete", "abort", "clear")
MODES = ("production", "maintenance", "manual")
SIMPLE = {
    "reset-counters": "set the job's counters back to zero; what is in flight goes on counting",
    "local": "take commands from here only",
    "remote": "let the plant give commands",
    "line-clear": "confirm that no product lies between detector and the last marker",
}
NAMES = ("command", "mode", "acknowledge", "test-mark", *SIMPLE)

CAUTIONS = """\
A test mark makes the marker fire {times}, now.
 - Nobody may be in the marker's reach; guards and shutters act in hard wiring, not here.
 - Something that may be marked must be in front of the marker.
 - The line must be in mode Maintenance and in state Execute."""


def register(verbs: Verbs) -> None:
    """Add the verbs."""
    parser = verb(
        verbs,
        "command",
        lambda args: give(args, args.command),
        "give a PackML command to the running controller",
        "After a stop by a fault: mend the cause, then clear, reset, start. "
        "A command that the present state does not accept changes nothing and says where it would be accepted.",
    )
    parser.add_argument("command", choices=PACKML, metavar="COMMAND", help=", ".join(PACKML))
    add_line(parser)
    parser = verb(
        verbs,
        "mode",
        lambda args: give(args, "mode", args.mode),
        "change the mode: production, maintenance or manual",
        "Modes are changed only in state Stopped or Idle.",
    )
    parser.add_argument("mode", choices=MODES, metavar="MODE", help=", ".join(MODES))
    add_line(parser)
    parser = verb(
        verbs,
        "acknowledge",
        lambda args: give(args, "acknowledge", args.fault),
        "acknowledge a fault, or all of them",
        "Acknowledging says that someone has seen it; it mends nothing and starts nothing.",
    )
    parser.add_argument("fault", nargs="?", default="", help="the fault's name as status shows it; without it, all")
    add_line(parser)
    for name, summary in SIMPLE.items():
        add_line(verb(verbs, name, lambda args, name=name: give(args, name), summary))  # type: ignore[misc]
    parser = verb(
        verbs,
        "test-mark",
        _test_mark,
        "make one mark now, confirmed by a person",
        "In mode Maintenance and state Execute only; counted apart from production.",
    )
    parser.add_argument(
        "station", nargs="?", default="", help="the marker's name in the line's file (default: the first)"
    )
    parser.add_argument(
        "--yes-bench", action="store_true", help="without the question; only where the I/O side is a test bench"
    )
    add_line(parser)


def give(args: argparse.Namespace, name: str, argument: str = "") -> int:
    """Give one command; refused is exit code 1."""
    from controller.local_client import NotRunningError, find

    try:
        with find(args.line) as client:
            reason = client.call(name, who(), argument)
            state = client.status()["state"]
    except NotRunningError as error:
        raise RefusedError(str(error)) from None
    if args.json:
        print_json({"accepted": reason is None, "reason": reason or "", "state": state})
        return OK if reason is None else NOT_OK
    if reason is not None:
        raise RefusedError(f"refused: {reason}")
    print(f"{name} accepted; the line is in {state}")
    return OK


def _test_mark(args: argparse.Namespace) -> int:
    from controller.local_client import NotRunningError, find

    try:
        with find(args.line) as client:
            status = client.status()
    except NotRunningError as error:
        raise RefusedError(str(error)) from None
    confirm_marks(status, args.yes_bench)
    args.line = status["line"]
    return give(args, "test-mark", args.station)


def confirm_marks(status: Mapping[str, Any], yes_bench: bool, marks: int = 1) -> None:
    """Have so many test marks confirmed, by a person or since the line is a test bench.

    Raises BadInputError where neither can be, RefusedError where the person does not.
    """
    if not yes_bench:
        _confirm(str(status["line"]), str(status["address"]), marks)
    elif not status["test_address"]:
        raise BadInputError(f"--yes-bench is for a test bench; {status['address']} is none, so a person must confirm")


def _confirm(line: str, address: str, marks: int) -> None:
    """Have a person type a word not known before. Raises BadInputError without a terminal, RefusedError for another."""
    if not sys.stdin.isatty():
        raise BadInputError("a test mark must be confirmed by a person at a terminal; run this there")
    word = "".join(secrets.choice("abcdefghkmnprstuvwxyz") for _ in range(5))
    cautions = CAUTIONS.format(times="once" if marks == 1 else f"{marks} times, one after the other")
    what = "the mark" if marks == 1 else f"the {marks} marks"
    print(f"{cautions}\nLine {line} at {address}. To make {what}, type {word} and Enter; anything else stops here.")
    if input("> ").strip() != word:
        raise RefusedError("not confirmed, no mark was made")
