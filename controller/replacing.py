"""Writing a file so that whatever happens in between leaves the old one or the new one, whole."""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path


def replace_file(path: Path, content: bytes) -> None:
    """Write the content in place of the file, with its rights; through a link the file that it leads to.

    When this returns, the new content survives a power cut. Raises OSError, with the old file as it was.
    """
    target = path.resolve()
    handle, name = tempfile.mkstemp(prefix=f".{target.name}.", suffix=".new", dir=target.parent)
    new = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            new.chmod(target.stat().st_mode & 0o7777 if target.exists() else 0o644)
            os.fsync(file.fileno())
        new.replace(target)
    except BaseException:
        with contextlib.suppress(OSError):
            new.unlink()
        raise
    folder = os.open(target.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
