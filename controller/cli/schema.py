"""`beltcue schema`: the JSON Schema of a file, for editors that complete and check while one writes."""

from __future__ import annotations

import json
from typing import Any

from controller.cli.common import OK, Verbs, verb

NAMES = ("schema",)


def register(verbs: Verbs) -> None:
    """Add the verb with the files that the controller reads; the simulator adds its own."""
    parser = verb(
        verbs,
        "schema",
        lambda args: show(args.make()),
        "print the JSON Schema of a configuration file",
        "Save it and name it in your editor: it then completes keys and marks mistakes.",
        json_too=False,
    )
    files = parser.add_subparsers(title="files", metavar="FILE", required=True)
    files.add_parser("line", help="a line's file").set_defaults(make=_line)
    files.add_parser("job", help="a job's file").set_defaults(make=_job)


def show(schema: dict[str, Any]) -> int:
    """Print a schema."""
    print(json.dumps(schema, indent=2, ensure_ascii=False))
    return OK


def _line() -> dict[str, Any]:
    from controller.settings.schema import line_schema

    return line_schema()


def _job() -> dict[str, Any]:
    from controller.settings.schema import job_schema

    return job_schema()
