"""The parts of `beltcue job` that change something: save, load and restore."""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

from controller.cli.common import OK, BadInputError, RefusedError, print_json, print_rows, who
from controller.cli.job_rows import as_dict, change_rows, opened
from controller.job_files import lines_sharing
from controller.job_state import JobState
from controller.jobs import Plan, find_revision, plan
from controller.jobs import save as save_files
from controller.placing import carry_out, nothing_marks

_MOST_WHY = 500
_DONE = {"load": "loaded", "restore": "restored"}


def save(args: argparse.Namespace) -> int:
    """Save the files as the job's next revision."""
    revision, new = save_files(args.line_file, who=_who(args), why=_why(args), wall_ns=time.time_ns())
    if new:
        print(f"saved: {revision.job}, revision {revision.number}")
    else:
        print(f"nothing to save: the files are {revision.job}, revision {revision.number}")
    if args.json:
        print_json(as_dict(revision) | {"new": new})
    return OK


def put(args: argparse.Namespace) -> int:
    """Load or restore a revision."""
    files, store, state = opened(args)
    revision = find_revision(store, args.name, args.revision, current=files.job_name)
    planned = plan(args.part, files, revision, store)
    with nothing_marks(files):
        pass  # who cannot do it now shall not be asked first
    _tell_changes(planned)
    if planned.unsaved and not args.yes:
        _ask(state)
    reason = _why(args)
    with nothing_marks(files) as running:
        kept = carry_out(planned, store, who=_who(args), why=reason, wall_ns=time.time_ns())
    print(f"{_DONE[args.part]}: {revision.job}, revision {revision.number}")
    rows = []
    if kept is not None:
        was = f"{kept}" if isinstance(kept, Path) else f"{kept.job}, revision {kept.number}"
        rows.append(("kept", f"what stood there before, as {was}"))
    newest = [r for r in store.revisions(revision.job) if not r.aside][-1:]
    if args.revision is None and newest and newest[0].number > revision.number:
        rows.append(("newer", f"revision {newest[0].number} is newer; this is the one that was in place last"))
    if shared := lines_sharing(files):
        rows.append(("shared", f"{files.job_path} is the job file of {', '.join(map(str, shared))} too"))
    if running:
        rows.append(("controller", "goes on with what it has; it takes this up at its next launch"))
    print_rows(rows)
    if args.json:
        stays = change_rows(planned.stays)
        print_json(as_dict(revision) | {"changes": change_rows(planned.changed), "stays": stays, "running": running})
    return OK


def _tell_changes(planned: Plan) -> None:
    if planned.files.unreadable:
        print(f"the job file cannot be used and is written anew: {planned.files.unreadable}")
    print_rows([(place, f"{old} → {new}") for place, old, new in planned.changed])
    if not planned.changed and not planned.files.unreadable:
        print("no setting changes")
    if planned.stays:
        print("as the machine has it now, not as in the revision (restore would put that back):")
        print_rows([(f"  {place}", f"{now}, in the revision {there}") for place, there, now in planned.stays])


def _ask(state: JobState | None) -> None:
    """Have a person agree to overwrite what is not saved. Raises BadInputError without a terminal, RefusedError."""
    what = f"{state.job}, {state}" if state is not None else "the job file as it is"
    if not sys.stdin.isatty():
        raise BadInputError(
            f"this would overwrite what is not saved ({what}); save it first, or give --yes: it is kept aside then"
        )
    print(f"This overwrites what is not saved ({what}). It is kept aside first. Go on? y or n")
    if input("> ").strip().lower() not in ("y", "yes"):
        raise RefusedError("nothing was changed")


def _who(args: argparse.Namespace) -> str:
    given = " ".join((args.who or "").split())
    return given[:64] or who()


def _why(args: argparse.Namespace) -> str:
    """The reason that was given or is asked for, on one line. Raises BadInputError for none."""
    given: str | None = args.why
    if given is None:
        if not sys.stdin.isatty():
            raise BadInputError('say why, for the record: --why "wheel changed, scale measured anew"')
        given = input("Why, for the record? ")
    reason = " ".join(given.split())
    if not reason or len(reason) > _MOST_WHY:
        raise BadInputError(
            f"--why: {'is empty' if not reason else 'is too long'}; say it in up to {_MOST_WHY} letters"
        )
    return reason
