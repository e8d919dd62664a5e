"""Where the controller keeps what it makes, unless the line's file says otherwise."""

from __future__ import annotations

import os
from pathlib import Path


def state_folder() -> Path:
    """The controller's folder in the user's state directory. Raises RuntimeError where the user has no home."""
    state = os.environ.get("XDG_STATE_HOME", "")
    base = Path(state) if Path(state).is_absolute() else Path("~/.local/state").expanduser()
    return base / "beltcue"
