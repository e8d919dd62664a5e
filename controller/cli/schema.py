"""`beltcue schema`: the JSON Schema of a file, for editors that complete and check while one writes."""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable
from importlib.metadata import entry_points
from typing import Any

from controller.cli.common import OK, BadInputError, Verbs, verb

NAMES = ("schema",)


def register(verbs: Verbs) -> None:
    """Add the verb."""
    parser = verb(
        verbs,
        "schema",
        execute,
        "print the JSON Schema of a configuration file",
        "Save it and name it in your editor: it then completes keys and marks mistakes.",
        json_too=False,
    )
    parser.add_argument("file", metavar="FILE", help="line, job or scenario")


def execute(args: argparse.Namespace) -> int:
    """Print the schema of one kind of file."""
    known: dict[str, Callable[[], dict[str, Any]]] = {"line": _line, "job": _job}
    known |= {point.name: point.load() for point in entry_points(group="beltcue.schemas")}
    if args.file not in known:
        raise BadInputError(f"no file is called {args.file!r} here; there are {', '.join(known)}")
    print(json.dumps(known[args.file](), indent=2, ensure_ascii=False))
    return OK


def _line() -> dict[str, Any]:
    from controller.settings.schema import line_schema

    return line_schema()


def _job() -> dict[str, Any]:
    from controller.settings.schema import job_schema

    return job_schema()
