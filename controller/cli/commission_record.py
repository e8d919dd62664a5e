"""`beltcue commission record`: all that the steps found on a line as one page to print and sign."""

from __future__ import annotations

import argparse
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from controller.cli.common import OK, BadInputError, Verbs, print_json, print_rows, verb

if TYPE_CHECKING:
    from controller.record_page.model import Record
    from controller.record_page.render import Paper
    from controller.settings.line import LineConfig

ENDING = "-commissioning.html"


def register(steps: Verbs) -> None:
    """Add the verb."""
    parser = verb(
        steps,
        "record",
        execute,
        "write all that the steps found as one page to print and sign",
        "One HTML file that needs nothing else: every step with its figures, uncertainties and pictures, settings "
        "before and after, what was not done, the job as it is saved, lines to sign, and the data. A file that is "
        "there and differs is only replaced with --force.",
    )
    parser.add_argument("line_file", metavar="LINE.toml", help="the line's file")
    parser.add_argument("--out", metavar="FILE.html", type=Path, help=f"write it there (default: NAME{ENDING}, here)")
    parser.add_argument("--since", metavar="DATE", help='leave out what is older, e.g. "2026-11-26 08:30" (UTC)')
    parser.add_argument("--paper", choices=("a4", "letter"), default="a4", help="the paper (default: a4)")
    parser.add_argument("--force", action="store_true", help="replace a file that is there")


def execute(args: argparse.Namespace) -> int:
    """Gather, render and write."""
    from controller.cli.commission_watch import load

    config = load(args.line_file)
    since_ns = None if args.since is None else _since_ns(args.since)
    out, record = write_record(config, args.out, since_ns=since_ns, paper=args.paper, force=args.force)
    missing = [row.title for row in record.done if not row.made]
    n = len(record.steps)
    print_rows(
        [
            ("line", config.name),
            ("record", f"{record.mark}: {n} result{'' if n == 1 else 's'} in full"),
            *([("not done", ", ".join(missing))] if missing else []),
            ("written", f"{out}; open it in a browser and print it"),
        ]
    )
    if args.json:
        steps = [{"number": step.number, "title": step.title} for step in record.steps]
        print_json({"line": config.name, "record": record.mark, "file": str(out), "steps": steps, "not_done": missing})
    return OK


def write_record(
    config: LineConfig,
    out: Path | None = None,
    *,
    since_ns: int | None = None,
    paper: Paper = "a4",
    force: bool = False,
) -> tuple[Path, Record]:
    """Write the line's record; gives where, and what stands in it.

    Raises BadInputError where nothing was kept, another file is there, or it cannot be written.
    """
    from controller.record_page.gather import NothingKeptError, gather
    from controller.record_page.render import render
    from controller.records.store import StoreError
    from controller.settings.base import SettingsError

    try:
        record = gather(config, since_ns)
    except (NothingKeptError, SettingsError, StoreError) as error:
        raise BadInputError(str(error)) from None
    path = Path(f"{config.name}{ENDING}") if out is None else out
    _write(path, render(record, paper).encode(), force)
    return path, record


def _write(path: Path, content: bytes, force: bool) -> None:
    from controller.replacing import replace_file

    try:
        if path.exists():
            if not path.is_file():
                raise BadInputError(f"--out {path}: is no file; name one, e.g. record.html")
            if path.read_bytes() == content:
                return
            if not force:
                raise BadInputError(
                    f"--out {path}: another file of that name is there; give --force to replace it, or another name"
                )
        replace_file(path, content)
    except OSError as error:
        raise BadInputError(
            f"--out {path}: cannot be written ({error.strerror}); name a file in a folder that can be written"
        ) from None


def _since_ns(text: str) -> int:
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        raise BadInputError(f'--since: "{text}" is no date; write e.g. 2026-11-26 or "2026-11-26 08:30"') from None
    return int((found if found.tzinfo else found.replace(tzinfo=UTC)).timestamp()) * 1_000_000_000
