"""What the parts of `beltcue job` share: the files beside their store, and how both are told."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import Any

from controller.job_files import Files, read_files, state_of, store_of
from controller.job_state import JobState
from controller.jobs import Change
from controller.records.store import Revision, Store


def opened(args: argparse.Namespace) -> tuple[Files, Store, JobState | None]:
    """The files, the store, and how they stand to one another; None where the job file cannot be used."""
    files = read_files(args.line_file)
    return files, store_of(files.path, files.settings), None if files.config is None else state_of(files.config)


def state_row(files: Files, state: JobState | None) -> tuple[str, str]:
    """How the files stand to the store, as a row."""
    return ("job", f"the job file cannot be used: {files.unreadable}" if state is None else f"{state.job}, {state}")


def as_dict(revision: Revision) -> dict[str, Any]:
    """A revision as plain values, for scripts; its time in s since 1970."""
    r = revision
    return {"job": r.job, "revision": r.number, "saved_s": r.wall_ns / 1e9, "who": r.who, "why": r.why,
            "kept_aside": r.aside, "damaged": r.damaged, "sha256": r.sha256}  # fmt: skip


def state_dict(files: Files, state: JobState | None) -> dict[str, Any]:
    """How the files stand to the store, as plain values."""
    return {"saved": False, "trouble": files.unreadable} if state is None else state.as_dict()


def change_rows(rows: Sequence[Change]) -> list[dict[str, str]]:
    """Settings that change, as plain values."""
    return [{"setting": place, "from": old, "to": new} for place, old, new in rows]
