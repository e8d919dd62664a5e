"""`beltcue job`: the saved jobs of a line, and putting one back into its files."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from controller.cli.common import BadInputError, RefusedError, Verbs, verb

NAMES = ("job",)

TEXT = """\
A job is what stands in the line's job file, together with the settings of the line file that commissioning settles.
Every save makes a new revision with who and why; none is ever changed or removed.

 load     puts in place another job: its mark plans, the detector's filters, what the markers can do.
          Scale, sense, distances and responses are the machine's, and stay as the line has them.
 restore  puts back all of a revision, the machine's settings too.

Both write the line's files, which a controller takes up at its next launch. They are refused while one could mark."""


def register(verbs: Verbs) -> None:
    """Add the verb and its parts."""
    parser = verb(verbs, "job", _run, "save the job of a line, compare it, and put a saved one back", TEXT, False)
    parser.add_argument("line_file", metavar="LINE.toml", type=Path, help="the line's file")
    parts = parser.add_subparsers(title="what", metavar="WHAT", required=True)
    _part(parts, "list", "the saved jobs with who saved them, when and why")
    show = _part(parts, "show", "the settings of the files as they are, or of a revision")
    _name(show)
    save = _part(parts, "save", "save the files as they are, as the job's next revision")
    diff = _part(parts, "diff", "what differs between a revision and the files as they are")
    _name(diff)
    load = _part(parts, "load", "put another job in place; the machine's settings stay")
    load.add_argument("name", metavar="NAME", help="the job's name")
    restore = _part(parts, "restore", "put back a whole revision, the machine's settings too")
    restore.add_argument("name", metavar="NAME", nargs="?", help="the job's name (default: the one in place)")
    for part in (load, restore):
        _revision(part)
        part.add_argument("--yes", action="store_true", help="overwrite what is not saved without asking")
    for part in (save, load, restore):
        part.add_argument("--why", metavar="TEXT", help="the reason, for the record; asked for at a terminal")
        part.add_argument("--who", metavar="NAME", help="the person (default: the login name)")


def _part(parts: Any, name: str, text: str) -> argparse.ArgumentParser:
    part: argparse.ArgumentParser = parts.add_parser(
        name, help=text, description=f"{text[0].upper()}{text[1:]}.", allow_abbrev=False
    )
    part.set_defaults(part=name)
    part.add_argument("--json", action="store_true", help="print one JSON object as the last line, for scripts")
    return part


def _name(part: argparse.ArgumentParser) -> None:
    part.add_argument("name", metavar="NAME", nargs="?", help="the job's name (default: the one in place)")
    _revision(part)


def _revision(part: argparse.ArgumentParser) -> None:
    part.add_argument(
        "--revision", metavar="N", type=int, help="its revision (default: the one that was saved or in place last)"
    )


def _run(args: argparse.Namespace) -> int:
    """Run a part, and turn what goes wrong into one line."""
    from controller.cli import job_put, job_read
    from controller.jobs import JobError
    from controller.placing import NotNowError
    from controller.records.store import StoreError
    from controller.settings.base import SettingsError

    execute = {
        "list": job_read.list_jobs,
        "show": job_read.show,
        "diff": job_read.diff,
        "save": job_put.save,
        "load": job_put.put,
        "restore": job_put.put,
    }[args.part]
    try:
        return execute(args)
    except (JobError, SettingsError, StoreError) as error:
        raise BadInputError(str(error)) from None
    except NotNowError as error:
        raise RefusedError(str(error)) from None
    except BrokenPipeError:
        raise
    except OSError as error:
        raise BadInputError(f"{error.filename or args.line_file}: {error.strerror or error}") from None
