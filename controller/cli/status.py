"""`beltcue status`: what the running controller is doing, and why it stands."""

from __future__ import annotations

import argparse
import contextlib
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from controller.cli.common import OK, RefusedError, Verbs, add_line, print_json, print_rows, verb

NAMES = ("status",)
WATCH_S = 0.5


def register(verbs: Verbs) -> None:
    """Add the verb."""
    parser = verb(
        verbs,
        "status",
        execute,
        "show what the running controller is doing",
        "State, speed, products, marks, missed marks by reason, faults, and what to do next.",
    )
    add_line(parser)
    parser.add_argument("--watch", action="store_true", help="keep showing it until Ctrl-C")


def execute(args: argparse.Namespace) -> int:
    """Print the status once, or keep printing it."""
    from controller.cli.panel import rows
    from controller.local_client import NotRunningError, find

    try:
        with find(args.line) as client:
            if args.watch and not args.json:
                _watch(lambda: _with_job_state(client.status()))
                return OK
            status = _with_job_state(client.status())
    except NotRunningError as error:
        raise RefusedError(str(error)) from None
    if args.json:
        print_json(status)
    else:
        print_rows(rows(status))
    return OK


def _with_job_state(status: dict[str, Any]) -> dict[str, Any]:
    """The status with how the settings at work stand to the saved job, instead of these settings themselves."""
    from controller.job_state import job_state

    at_work = status.pop("job_settings", None)
    if at_work is not None:
        state = job_state(Path(at_work["store"]), status["line"], at_work["text"], running=True)
        status["job_state"] = state.as_dict() | {"says": str(state)}
    return status


def _watch(ask: Callable[[], dict[str, Any]]) -> None:
    from rich.live import Live

    from controller.cli.panel import rows, table

    with contextlib.suppress(KeyboardInterrupt), Live(auto_refresh=False) as live:
        while True:
            live.update(table(rows(ask())), refresh=True)
            time.sleep(WATCH_S)
