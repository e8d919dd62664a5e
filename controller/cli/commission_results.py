"""`beltcue commission results`: what the steps found on a line, and keeping what one has found."""

from __future__ import annotations

import argparse
import time
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from controller.cli.common import OK, BadInputError, Verbs, complain, print_json, print_rows, verb, who

if TYPE_CHECKING:
    from controller.settings.line import LineConfig


def register(steps: Verbs) -> None:
    """Add the verb."""
    parser = verb(
        steps,
        "results",
        execute,
        "list what the steps found on a line, with when and who",
        "Every step keeps what it found and the data it was computed from, for good; --json has all of it.",
    )
    parser.add_argument("line_file", metavar="LINE.toml", help="the line's file")
    parser.add_argument("--step", metavar="STEP", help="of this step only, e.g. trial")


def execute(args: argparse.Namespace) -> int:
    """Print what is kept."""
    from controller.commission_record import results_of
    from controller.job_state import when
    from controller.records.store import StoreError
    from controller.settings.base import SettingsError
    from controller.settings.line import load_line

    try:
        config = load_line(args.line_file, must_work=False)
        found = results_of(config, args.step)
    except (SettingsError, StoreError) as error:
        raise BadInputError(str(error)) from None
    rows = [
        (f"{kept.number} {kept.step}", f"{when(kept.wall_ns)}, {kept.who}" + ("" if same else ", with other settings"))
        for kept, same in found
    ]
    print_rows(rows or [("results", f"none is kept of {config.name}" + (f" by {args.step}" if args.step else ""))])
    if args.json:
        print_json({
            "line": config.name,
            "results": [
                {"number": kept.number, "step": kept.step, "kept_s": kept.wall_ns / 1e9, "who": kept.who,
                 "same_settings": same, "settings_sha256": kept.settings_sha256, "result": kept.result, "raw": kept.raw}
                for kept, same in found
            ],
        })  # fmt: skip
    return OK


def keep(config: LineConfig, step: str, result: Mapping[str, Any], raw: Mapping[str, Any]) -> None:
    """Keep what a step found, in the name of whoever typed it, and say so; that it cannot be kept ends no step."""
    from controller.commission_record import keep_result
    from controller.records.store import StoreError
    from controller.settings.base import SettingsError

    try:
        number = keep_result(config, step, who=who(), wall_ns=time.time_ns(), result=result, raw=raw)
    except (SettingsError, StoreError) as error:
        complain(f"not kept: {error}")
    else:
        print_rows([("kept", f"as result {number}; see beltcue commission results {config.path}")])
