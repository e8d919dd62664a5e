"""Writing a saved job into the line's files, while nothing on the line can mark.

Rules of this file: the job file and the line file are each replaced as a whole, and what they were is kept first.
Between the two a note in the store says that it is under way, so that a crash there is told until someone repeats it.
No clock is read: the wall time is handed in.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from controller.job_files import Files
from controller.jobs import Plan
from controller.local_client import LocalClient, NotRunningError
from controller.local_socket import socket_path
from controller.model import State
from controller.modes import title
from controller.records.lock import WriterLock
from controller.records.schema import JournalError
from controller.records.store import Placing, Revision, Store, StoreError
from controller.replacing import replace_file
from controller.settings.line import journal_path

QUIET = tuple(title(state) for state in (State.STOPPED, State.IDLE, State.COMPLETE, State.ABORTED))
"""States in which nothing is marked, and which are left by a command only."""


class NotNowError(Exception):
    """Understood, and refused as things are; one line."""


@contextmanager
def nothing_marks(files: Files) -> Iterator[bool]:
    """Hold while the line's controller stands, or while there is none; gives whether one runs. Raises NotNowError.

    Where none runs none can begin until the block ends.
    """
    line = files.settings.line.name
    path = socket_path(line)
    try:
        with LocalClient(path) as client:
            status = client.status()
    except NotRunningError as error:
        # A socket that is not there, or that nobody listens at, is no controller; one that does not answer may be.
        if not isinstance(error.__cause__, FileNotFoundError | ConnectionRefusedError):
            raise NotNowError(f"nobody knows what the controller of {line} is doing ({error}); stop it first") from None
        journal = journal_path(files.path, files.settings).resolve()
        with _held(journal, f"a controller of {line} that does not answer here may be marking; stop it first"):
            yield False
        return
    requests = max(status["requests"]["pending"], status["armed"])
    if status["state"] not in QUIET or requests:
        waiting = f" with {requests} marks to be made" if requests else ""
        raise NotNowError(
            f"{line} is in {status['state']}{waiting}; a job is changed only while the line stands: "
            "beltcue command stop, then again"
        )
    yield True


def carry_out(plan: Plan, store: Store, *, who: str, why: str, wall_ns: int) -> Revision | Path | None:
    """Write the files; gives where what they were was kept, as a revision or as a file, None where it was already.

    The caller is within `nothing_marks`. Raises NotNowError where the files have been changed meanwhile, StoreError,
    and OSError with the files as they were, or else with the store saying that it was cut short.
    """
    with _held(store.path, "another job is being put in place on this line just now; do it again"):
        return _carry_out(plan, store, who, why, wall_ns)


@contextmanager
def _held(path: Path, taken: str) -> Iterator[None]:
    """Hold the lock beside a file; NotNowError with what it means where another process has it. Raises StoreError."""
    try:
        lock = WriterLock.take(path)
    except JournalError as error:
        if isinstance(error.__cause__, BlockingIOError):
            raise NotNowError(f"{taken} ({error})") from None
        raise StoreError(str(error)) from None
    try:
        yield
    finally:
        lock.release()


def _carry_out(plan: Plan, store: Store, who: str, why: str, wall_ns: int) -> Revision | Path | None:
    files, revision = plan.files, plan.revision
    if not files.as_read():
        raise NotNowError(f"{files.path} or {files.job_path} was changed just now; look at them and do it again")
    kept = _keep(plan, store, who, wall_ns)
    note = store.begin_placing(Placing(plan.what, revision.job, revision.number, wall_ns, who, why))
    written = False
    try:
        if plan.new_job != files.job:
            replace_file(files.job_path, plan.new_job)
            written = True
        if plan.new_line != files.line:
            replace_file(files.path, plan.new_line)
    except OSError:
        if not written:
            store.end_placing(note, done=False)
        raise
    store.end_placing(note, done=True)
    return kept


def _keep(plan: Plan, store: Store, who: str, wall_ns: int) -> Revision | Path | None:
    """Keep what will be overwritten, if it is in no revision."""
    files, revision = plan.files, plan.revision
    if not plan.unsaved:
        return None
    if files.job_name is not None and files.text is not None:
        why = f'kept before the {plan.what} of "{revision.job}" revision {revision.number}'
        return store.keep_aside(files.job_name, files.text, who=who, why=why, wall_ns=wall_ns)
    number, copy = 1, files.job_path.with_name(files.job_path.name + ".unreadable")
    while copy.exists():
        number += 1
        copy = files.job_path.with_name(f"{files.job_path.name}.unreadable-{number}")
    replace_file(copy, files.job or b"")
    return copy
