"""Where the local control socket of a line stands, and the words spoken over it.

One JSON object a line, one answer to each request:

    {"ask": "status"}                                                → {"ok": true, "status": {…}}
    {"ask": "points"}                                                → {"ok": true, "points": {…}}
    {"ask": "call", "verb": "hold", "argument": "", "who": "anna"}   → {"ok": true} or {"ok": false, "reason": "…"}

`who` says which person typed it; that it is the socket's own user is checked by the system, not by this word. What was
forced over a connection is held as long as that lives and something is asked over it every `HOLD_S`.
"""

from __future__ import annotations

import hashlib
import os
import re
from pathlib import Path

FOLDER = "beltcue"
SUFFIX = ".sock"
MAX_LINE_BYTES = 65536
HOLD_S = 5.0
"""Who forces an output and is silent for so long is no longer there: stopped, or at a terminal that stands still."""
_MAX_PATH_BYTES = 100
"""A unix socket's path may have 107 bytes; some are left for a temporary name."""


def directory() -> Path:
    """The directory of this user's sockets: under $XDG_RUNTIME_DIR, else /tmp/beltcue-<uid>."""
    runtime = os.environ.get("XDG_RUNTIME_DIR")
    return Path(runtime) / FOLDER if runtime else Path(f"/tmp/beltcue-{os.getuid()}")


def socket_path(line: str, runtime: Path | None = None) -> Path:
    """The socket of the line of that name; a name unfit for a file, or too long, is told apart by a digest.

    `runtime` stands for another process's $XDG_RUNTIME_DIR; None: our own.
    """
    folder = directory() if runtime is None else runtime / FOLDER
    plain = re.sub(r"[^A-Za-z0-9_.-]+", "-", line).strip(".-") or "line"
    if plain != line or len(os.fsencode(folder / plain)) > _MAX_PATH_BYTES - len(SUFFIX):
        plain = f"{plain[:24]}-{hashlib.sha256(line.encode()).hexdigest()[:8]}"
    return folder / (plain + SUFFIX)


def sockets() -> list[Path]:
    """The sockets that stand in this user's directory, alive or left over."""
    return sorted(directory().glob("*" + SUFFIX)) if directory().is_dir() else []
