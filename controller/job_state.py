"""Whether the settings of a line are those of a saved job: what `status`, `check` and `job` say of it.

Rules of this file: quick to load, and never an error for a store that is not there; nobody has saved anything then.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from controller.job_text import differing, place_text
from controller.records.store import Store, StoreError

_NAMED = 3
"""So many settings that differ are named."""


@dataclass(frozen=True, slots=True)
class JobState:
    """A job's settings beside its last revision that was saved or put in place."""

    job: str
    revision: int | None
    """None: never saved."""
    differs: tuple[str, ...] = ()
    """The settings that are not as in that revision."""
    trouble: str = ""
    """Why it cannot be told, or what was left half done."""
    since: str = ""
    """What was put in place after these settings were taken up."""

    @property
    def saved(self) -> bool:
        """Whether the settings are those of the revision, to the last digit."""
        return self.revision is not None and not self.differs and not self.trouble

    def __str__(self) -> str:
        if self.revision is None:
            text = "not saved"
        elif self.trouble or not self.differs:
            text = f"revision {self.revision}" + ("" if self.trouble else ", saved")
        else:
            n = len(self.differs)
            named = ", ".join(self.differs[:_NAMED]) + (" and others" if n > _NAMED else "")
            text = f"revision {self.revision}, not saved: {n} setting{'s differ' if n > 1 else ' differs'} ({named})"
        return "; ".join(filter(None, (text, self.trouble, self.since)))

    def as_dict(self) -> dict[str, Any]:
        """Plain values, for scripts."""
        return {
            "job": self.job,
            "revision": self.revision,
            "saved": self.saved,
            "differs": list(self.differs),
            "trouble": self.trouble,
            "since": self.since,
        }


def job_state(store: Path, line: str, text: str, *, running: bool = False) -> JobState:
    """Tell how the settings in the text stand to the job's last revision in that store; never raises.

    `running`: the settings are those a controller has taken up, while the files may have been changed since.
    """
    job = str(json.loads(text)["job"]["name"])
    try:
        return _state(Store(store, line), job, text, running)
    except StoreError as error:
        return JobState(job, None, trouble=str(error))


def _state(store: Store, job: str, text: str, running: bool) -> JobState:
    cut = store.cut_short()
    trouble = ""
    if cut is not None:
        trouble = f"the {cut.what} of {cut.job!r} revision {cut.revision} was cut short: do it again"
    last, newest = store.last_placing(job), store.last_placing()
    if last is None:
        return JobState(job, None, trouble=trouble)
    revision = store.revision(job, last.revision)
    if revision is None or revision.damaged:
        damaged = f"its record is damaged, so that nobody knows whether it is saved: save it again ({store.path})"
        return JobState(job, last.revision, trouble="; ".join(filter(None, (trouble, damaged))))
    differs = tuple(place_text(place) for place in differing(revision.text, text))
    number = last.revision
    if differs:
        alike = [r for r in store.revisions(job) if not r.damaged and not differing(r.text, text)]
        if alike:
            number, differs = alike[-1].number, ()
    since = ""
    if running and newest is not None and (newest.job, newest.revision) != (job, number):
        since = (
            f"{newest.job!r} revision {newest.revision} was saved or put in place since; the next launch takes it up"
        )
    return JobState(job, number, differs, trouble, since)


def when(wall_ns: int) -> str:
    """A wall time in ns since 1970 for people: UTC, to the minute."""
    return datetime.fromtimestamp(wall_ns / 1e9, UTC).strftime("%Y-%m-%d %H:%M UTC")
