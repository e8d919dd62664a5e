"""What the verbs share: exit codes, the two ways of printing, and who is typing."""

from __future__ import annotations

import argparse
import getpass
import json
import shutil
import sys
import textwrap
from collections.abc import Callable, Sequence
from typing import Any, Protocol

OK, NOT_OK, BAD_INPUT, DEFECT = 0, 1, 2, 70


class Verbs(Protocol):
    """Where verbs are added: the object that argparse's add_subparsers gives."""

    def add_parser(self, name: str, **kwargs: Any) -> argparse.ArgumentParser:
        """Add one verb."""
        ...


class BadInputError(Exception):
    """What was asked for cannot be done as written; one line, exit code 2."""


class RefusedError(Exception):
    """It was understood and refused, or there is no one to ask; one line, exit code 1."""


def verb(
    verbs: Verbs,
    name: str,
    execute: Callable[[argparse.Namespace], int],
    summary: str,
    text: str = "",
    json_too: bool = True,
) -> argparse.ArgumentParser:
    """Add a verb that runs `execute`; `summary` stands in the list of verbs, `text` follows it in the verb's help."""
    parser = verbs.add_parser(
        name,
        help=summary,
        description=f"{summary[0].upper()}{summary[1:]}. {text}".strip(),
        allow_abbrev=False,
        formatter_class=argparse.RawDescriptionHelpFormatter if "\n" in text else argparse.HelpFormatter,
    )
    parser.set_defaults(execute=execute)
    if json_too:
        parser.add_argument("--json", action="store_true", help="print one JSON object as the last line, for scripts")
    return parser


def print_json(value: dict[str, Any]) -> None:
    """Print the one JSON object of a verb: one line, the last of standard output."""
    print(json.dumps(value, ensure_ascii=False), flush=True)


def print_rows(rows: Sequence[tuple[str, str]]) -> None:
    """Print rows of a name and its text, the texts under one another and broken between words."""
    size = shutil.get_terminal_size((100, 24)).columns
    first = max((len(name) for name, _ in rows), default=0) + 2
    for name, text in rows:
        print(
            textwrap.fill(text, max(size, first + 30), initial_indent=name.ljust(first), subsequent_indent=" " * first)
        )


def complain(text: str) -> None:
    """Say one line on standard error."""
    print(f"beltcue: {' '.join(text.split())}", file=sys.stderr, flush=True)


def who() -> str:
    """The login name of the person typing, for the record."""
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return "unnamed"


def duration_s(text: str) -> float:
    """Read a time such as 30s or "2 min" from the command line."""
    from controller.units import parse_duration_s

    try:
        value = parse_duration_s(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None
    if value <= 0:
        raise argparse.ArgumentTypeError(f'{text!r} is not more than zero; write e.g. "30 s"')
    return value


def add_for(parser: argparse.ArgumentParser, text: str, default: str | None = None) -> None:
    """Add --for, a time with its unit."""
    parser.add_argument("--for", dest="for_s", metavar="TIME", type=duration_s, default=default, help=text)


def add_line(parser: argparse.ArgumentParser) -> None:
    """Add --line, the name of a running line."""
    parser.add_argument("--line", metavar="NAME", help="which line, when several controllers run on this computer")
