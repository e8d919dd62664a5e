"""One writer for one file: an advisory lock that the operating system drops when its holder ends, however it ends."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path
from typing import Self

from controller.records.schema import JournalError, explain


class WriterLock:
    """Held from `take` to `release` on a small file beside the journal, which carries the holder's process number."""

    def __init__(self, handle: int) -> None:
        self._handle = handle

    @classmethod
    def take(cls, journal: Path) -> Self:
        """Take the lock without waiting. Raises JournalError where another process has it or it cannot be made."""
        path = journal.with_name(journal.name + ".lock")
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
        except OSError as error:
            raise JournalError(explain(journal, error)) from error
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            os.ftruncate(handle, 0)
            os.pwrite(handle, str(os.getpid()).encode(), 0)
        except BlockingIOError as error:
            holder = os.pread(handle, 20, 0).decode(errors="replace").strip() or "unknown"
            os.close(handle)
            raise JournalError(
                f"journal {journal}: another controller (process {holder}) is writing it; "
                "stop that one, or give this line a journal of its own"
            ) from error
        except OSError as error:
            os.close(handle)
            raise JournalError(explain(journal, error)) from error
        return cls(handle)

    def release(self) -> None:
        """Let go; the small file stays, since removing it would let two processes lock two files of one name."""
        os.close(self._handle)
