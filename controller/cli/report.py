"""`beltcue report`: a run from the journal, printed or as CSV files."""

from __future__ import annotations

import argparse
from pathlib import Path

from controller.cli.common import OK, BadInputError, Verbs, verb

NAMES = ("report",)


def register(verbs: Verbs) -> None:
    """Add the verb."""
    parser = verb(
        verbs,
        "report",
        execute,
        "print a run from the journal",
        "Also while a controller is writing it. Without --run the newest run.",
    )
    parser.add_argument("line_file", metavar="LINE.toml", nargs="?", help="the line whose journal to read")
    parser.add_argument("--journal", metavar="FILE", type=Path, help="the journal's file, instead of a line")
    parser.add_argument("--run", metavar="N", type=int, help="the run's number (default: the newest)")
    parser.add_argument("--list", action="store_true", help="list the runs there are")
    parser.add_argument("--csv", metavar="DIR", type=Path, help="write the run's tables as CSV files into DIR")


def execute(args: argparse.Namespace) -> int:
    """Print the report, or the list of runs."""
    import shutil

    from controller.records.export import export_csv
    from controller.records.printed import render
    from controller.records.reading import runs
    from controller.records.report import report, to_json
    from controller.records.schema import JournalError
    from controller.settings.base import SettingsError

    try:
        path = _journal(args)
        if args.list:
            for info in runs(path):
                print(f"run {info.run}: {info.started_utc}, job {info.job}, {info.ended or 'goes on'}")
            return OK
        if args.csv is not None:
            for file in export_csv(path, args.run, args.csv):
                print(file)
            return OK
        found = report(path, args.run)
    except (JournalError, SettingsError) as error:
        raise BadInputError(str(error)) from None
    except OSError as error:
        raise BadInputError(f"{error.filename}: {error.strerror}") from None
    print(to_json(found) if args.json else render(found, shutil.get_terminal_size((110, 24)).columns))
    return OK


def _journal(args: argparse.Namespace) -> Path:
    from controller.settings.line import load_line

    if (args.journal is None) == (args.line_file is None):
        raise BadInputError("say whose report: either LINE.toml or --journal FILE")
    given: Path | None = args.journal
    return load_line(args.line_file, must_work=False).journal_path if given is None else given
