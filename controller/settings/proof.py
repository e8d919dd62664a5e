"""The kept cable-pull test of a line: a record beside the line's file that says that its outputs really drop.

Only a test that passed is kept. It speaks for the [link] and [plain] sections it was made with: their digest is in it,
and a line whose sections have another one has no test.
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Literal

from pydantic import Field, ValidationError

from controller.settings.base import SettingsError, Strict
from controller.settings.plain import PlainSection
from controller.settings.sections import LinkSection

SUFFIX = ".cable-pull.json"


class Proof(Strict):
    """One cable-pull test that passed."""

    format: Literal[1] = 1
    line: str
    date: str = Field(description="day and time of the test, with the offset from UTC")
    who: str = Field(min_length=1)
    output: str = Field(description="which output was watched: enable, or a station's trigger")
    dropped_within_s: float = Field(ge=0.0, description="from the pull of the cable until the output was low")
    how: str = Field(description="how that was found: read back, or measured by the person")
    simulated: bool = Field(description="made at a test bench: it proves nothing of a real device")
    digest: str = Field(description="of the [link] and [plain] sections")


def proof_path(line: Path) -> Path:
    """Where a line's test is kept."""
    return line.with_name(line.stem + SUFFIX)


def digest(link: LinkSection, plain: PlainSection) -> str:
    """What the test depends on, as a number; settings that are left out and those written as usual are the same."""
    parts = [section.model_dump(mode="json", exclude_defaults=True) for section in (link, plain)]
    return hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()


def load_proof(path: Path) -> Proof | None:
    """Read the kept test; None where none is kept. Raises SettingsError for a file that is none."""
    try:
        return Proof.model_validate_json(path.read_bytes())
    except FileNotFoundError:
        return None
    except (OSError, ValidationError):
        text = "is no record of a cable-pull test; remove it and make the test again"
        raise SettingsError(path, [("", text)]) from None


def keep(path: Path, proof: Proof) -> None:
    """Write the test beside the line. Raises OSError."""
    path.write_text(json.dumps(proof.model_dump(), indent=2) + "\n", encoding="utf-8")
