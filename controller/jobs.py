"""Saving the job of a line, finding a saved one, and working out how the line's files become it.

Rules of this file: nothing of the line's files is changed here. What is to be written is checked whole, as `check`
would check it, before anybody is asked.
"""

from __future__ import annotations

import difflib
import tomllib
from dataclasses import dataclass
from pathlib import Path

from controller.job_files import Files, store_of
from controller.job_text import changes, differing
from controller.records.store import Revision, Store
from controller.settings.base import SettingsError, check
from controller.settings.job import JobSettings
from controller.settings.line import LineConfig, LineSettings, join, load_line
from controller.settings.rewrite import RewriteError, job_file_text, line_file_text
from controller.settings.saved import SavedJob, is_machine, read_saved, saved_text, text_of

_BOM = b"\xef\xbb\xbf"
Change = tuple[str, str, str]


class JobError(Exception):
    """What was asked for cannot be done as written; one line."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What is to be written, worked out and checked."""

    what: str
    """load or restore"""
    files: Files
    revision: Revision
    new_line: bytes
    new_job: bytes
    changed: tuple[Change, ...]
    """Settings that change: place, value now, value then."""
    stays: tuple[Change, ...]
    """Settings of the machine that are not as in the revision and stay: place, value there, value now."""
    unsaved: bool
    """Whether what is overwritten is in no revision."""


def save(path: Path, *, who: str, why: str, wall_ns: int) -> tuple[Revision, bool]:
    """Save a line's files as the job's next revision; gives the revision, and whether it is new.

    Raises SettingsError for a line that does not work, JobError, StoreError.
    """
    config = load_line(path)
    store, text, name = store_of(path, config.settings), text_of(config), config.job.name
    cut, last = store.cut_short(), store.last_placing(name)
    if cut is not None:
        raise JobError(
            f'the {cut.what} of "{cut.job}" revision {cut.revision} was cut short, so the files may be half of it: '
            f"do that again before saving"
        )
    if last is not None and store.last_placing() == last:
        old = store.revision(name, last.revision)
        if old is not None and not old.damaged and not old.aside and not differing(old.text, text):
            return old, False
    return store.save(name, text, who=who, why=why, wall_ns=wall_ns), True


def find_revision(store: Store, job: str | None, number: int | None = None, *, current: str | None = None) -> Revision:
    """Give a sound revision by the job's name and its number. Raises JobError, StoreError.

    `job` None: the `current` one, or else what was last saved or put in place. `number` None: the one that the files
    last were, so that a job that was put back to an older revision does not jump forward unasked.
    """
    every = store.revisions()
    if not every:
        raise JobError(
            f"no job of this line has been saved yet ({store.path}); save it with beltcue job LINE.toml save"
        )
    newest = store.last_placing()
    name = job or current or (every[-1].job if newest is None else newest.job)
    own = [r for r in every if r.job == name]
    if not own:
        near = difflib.get_close_matches(name, {r.job for r in every}, n=1, cutoff=0.0)
        raise JobError(f'no job "{name}" has been saved; did you mean "{near[0]}"?')
    if number is None:
        last = store.last_placing(name)
        asked = [r for r in own if not r.aside] or own
        number = asked[-1].number if last is None else last.revision
    found = next((r for r in own if r.number == number), None)
    if found is None:
        raise JobError(f'job "{name}" has no revision {number}; it has {own[0].number} to {own[-1].number}')
    if found.damaged:
        raise JobError(
            f'job "{name}" revision {number} is damaged: its checksum is not that of its text, so it is not used; '
            f"name another with --revision, or put back a copy of {store.path}"
        )
    return found


def plan(what: str, files: Files, revision: Revision, store: Store) -> Plan:
    """Work out how the files become the revision: `what` "restore" all of it, "load" all but the machine's part.

    Raises JobError for what does not go with this line, SettingsError for a text that this program does not know.
    """
    whole = what == "restore"
    where = f'job "{revision.job}" revision {revision.number}'
    saved = read_saved(revision.text, where)
    _stations_match(where, saved, files.settings)
    old_job = None if files.job is None else _decoded(files.job)
    now = None if files.config is None else files.config.job
    try:
        job = job_file_text(None if now is None else old_job, now, saved.job, files.display)
        line = line_file_text(_decoded(files.line), files.settings, saved, files.display, machine=whole)
    except RewriteError as error:
        raise JobError(f"{files.path}: {error}") from None
    text, wanted, old = text_of(_joined(where, files, line, job)), saved_text(saved), files.text
    if any(whole or not is_machine(place) for place in differing(text, wanted)):
        raise JobError(f"{files.path}: written in a form that cannot be changed here; change it by hand (job … diff)")
    return Plan(
        what,
        files,
        revision,
        (_BOM if files.line.startswith(_BOM) else b"") + line.encode(),
        job.encode(),
        tuple(changes(old or text, text, files.display)),
        tuple(changes(wanted, text, files.display)),
        files.job is not None and not _is_kept(store, files.job_name, old),
    )


def _is_kept(store: Store, job: str | None, text: str | None) -> bool:
    """Whether these settings are in a sound revision."""
    if job is None or text is None:
        return False
    return any(not r.damaged and not differing(r.text, text) for r in store.revisions(job))


def _stations_match(where: str, saved: SavedJob, settings: LineSettings) -> None:
    there, here = {s.name for s in saved.stations}, {s.name for s in settings.stations}
    if there != here:
        raise JobError(
            f"{where} is for the stations {', '.join(sorted(there))}; this line has {', '.join(sorted(here))}: "
            "name the stations in the line file as they were, or save the job anew"
        )


def _joined(where: str, files: Files, line: str, job: str) -> LineConfig:
    """Check the new texts together, as they will be read. Raises JobError."""
    try:
        settings = check(files.path, tomllib.loads(line), LineSettings)
        return join(files.path, settings, files.job_path, check(files.job_path, tomllib.loads(job), JobSettings))
    except SettingsError as error:
        raise JobError(f"{where} does not work on this line as it is now: {error}") from None
    except tomllib.TOMLDecodeError as error:
        raise JobError(f"{files.path}: cannot be changed here ({error}); change it by hand") from None


def _decoded(raw: bytes) -> str:
    return raw.decode("utf-8-sig", errors="replace")
