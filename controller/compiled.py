"""The compiled core, where `deploy/compile` has built one: the same source as extension modules, for long virtual runs.

It stands apart from the source, in build/compiled, with a digest of every file it was built from. Where a source has
changed since, or another Python runs, nothing of it is used and the source runs as if there were none.
"""

from __future__ import annotations

import hashlib
import json
import os
import sys
from functools import cache
from importlib.machinery import EXTENSION_SUFFIXES, ExtensionFileLoader
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
BUILT = ROOT / "build" / "compiled"
STAMP = "sources.json"
SWITCH = "BELTCUE_COMPILED"
"""Environment variable: 0 leaves the compiled core out, a folder's path takes it from there."""


def stamp_of(sources: list[str]) -> str:
    """What a core built now by this Python from these sources (paths from the root) is stamped with."""
    digests = {source: hashlib.sha256((ROOT / source).read_bytes()).hexdigest() for source in sorted(sources)}
    return json.dumps({"suffix": EXTENSION_SUFFIXES[0], "sources": digests}, indent=1)


def prefer(package: str, path: list[str]) -> None:
    """Let the compiled modules of a package come before their source; `path` is the package's `__path__`."""
    folder = _folder()
    if folder is not None and _fits(folder):
        path.insert(0, str(folder / package))
        if str(folder) not in sys.path:
            sys.path.append(str(folder))  # the library that the modules share


def runs_compiled() -> bool:
    """Whether the decision that runs here is the compiled one."""
    from controller import scan

    return isinstance(scan.__loader__, ExtensionFileLoader)


def core_text() -> str:
    """What runs here, in words for a display."""
    if runs_compiled():
        return "compiled"
    folder = _folder()
    if folder is None or not (folder / STAMP).exists():
        return "interpreted"
    return "interpreted: the compiled one is of other source or another Python; deploy/compile builds it anew"


def _folder() -> Path | None:
    asked = os.environ.get(SWITCH, "")
    return None if asked == "0" else Path(asked).resolve() if asked else BUILT


@cache
def _fits(folder: Path) -> bool:
    """Whether what is in the folder was built by this Python from the source as it is now."""
    try:
        stamp = (folder / STAMP).read_text()
        return stamp == stamp_of(list(json.loads(stamp)["sources"]))
    except (OSError, ValueError, LookupError, TypeError):
        return False
