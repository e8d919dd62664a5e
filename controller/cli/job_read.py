"""The parts of `beltcue job` that only read: list, show and diff."""

from __future__ import annotations

import argparse

from controller.cli.common import OK, print_json, print_rows
from controller.cli.job_rows import as_dict, change_rows, opened, state_dict, state_row
from controller.job_state import JobState, when
from controller.job_text import changes, rows, unified
from controller.jobs import JobError, find_revision
from controller.records.store import Revision


def list_jobs(args: argparse.Namespace) -> int:
    """Print the saved jobs."""
    files, store, state = opened(args)
    revisions = store.revisions()
    print_rows([state_row(files, state), ("kept in", str(store.path))])
    for job in dict.fromkeys(r.job for r in revisions):
        print(f"\n{job}")
        own = [r for r in revisions if r.job == job]
        print_rows([(f"  {r.number}", f"{when(r.wall_ns)}, {r.who}: {r.why}{_marks(r, state)}") for r in reversed(own)])
    if not revisions:
        print(f"no job has been saved yet; save this one: beltcue job {args.line_file} save")
    if args.json:
        jobs = [as_dict(r) | {"in_place": _in_place(r, state)} for r in revisions]
        print_json({"line": store.line, "state": state_dict(files, state), "jobs": jobs})
    return OK


def _in_place(revision: Revision, state: JobState | None) -> bool:
    return state is not None and (revision.job, revision.number) == (state.job, state.revision) and state.saved


def _marks(revision: Revision, state: JobState | None) -> str:
    damaged = ", DAMAGED: not used" if revision.damaged else ""
    return damaged + (", in place" if _in_place(revision, state) else "")


def show(args: argparse.Namespace) -> int:
    """Print the settings of the files or of a revision."""
    files, store, state = opened(args)
    if args.name is None and args.revision is None:
        text = files.text
        if text is None:
            raise JobError(files.unreadable)
        print_rows([state_row(files, state)])
        said = {"state": state_dict(files, state)}
    else:
        revision = find_revision(store, args.name, args.revision, current=files.job_name)
        text, said = revision.text, as_dict(revision)
        print_rows([("job", f"{revision.job}, revision {revision.number}"),
                    ("saved", f"{when(revision.wall_ns)}, {revision.who}: {revision.why}")])  # fmt: skip
    settings = rows(text, files.display)
    print_rows(settings)
    if args.json:
        print_json(said | {"settings": dict(settings)})
    return OK


def diff(args: argparse.Namespace) -> int:
    """Print what differs between a revision and the files."""
    files, store, _ = opened(args)
    if files.text is None:
        raise JobError(files.unreadable)
    revision = find_revision(store, args.name, args.revision, current=files.job_name)
    names = (f"{revision.job}, revision {revision.number}", "the files as they are")
    found = unified(revision.text, files.text, names, files.display)
    print("\n".join(found) or f"no difference from {names[0]}")
    if args.json:
        print_json(as_dict(revision) | {"changes": change_rows(changes(revision.text, files.text, files.display))})
    return OK
