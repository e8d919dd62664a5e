"""The two files that a line's job stands in, as they are, and the store that goes with them."""

from __future__ import annotations

import shlex
import tomllib
from dataclasses import dataclass
from pathlib import Path

from controller.job_state import JobState, job_state
from controller.records.store import Store, StoreError, store_path
from controller.settings.base import SettingsError, load_toml
from controller.settings.job import JobSettings
from controller.settings.line import LineConfig, LineSettings, join, journal_path
from controller.settings.saved import text_of
from controller.units import Display


@dataclass(frozen=True, slots=True)
class Files:
    """The line file and the job file, which may be one that nobody can read."""

    path: Path
    line: bytes
    settings: LineSettings
    job_path: Path
    job: bytes | None
    """None: there is no such file."""
    config: LineConfig | None
    """Both together, where the job file can be read; it need not work."""
    unreadable: str
    """Why the job file cannot be used; empty where it can."""

    @property
    def display(self) -> Display:
        """The units that this line's people read."""
        return Display(self.settings.display.length, self.settings.display.speed)

    @property
    def job_name(self) -> str | None:
        """The job's name; None where the job file cannot be used."""
        return None if self.config is None else self.config.job.name

    @property
    def text(self) -> str | None:
        """The job's text; None where the job file cannot be used."""
        return None if self.config is None else text_of(self.config)

    def as_read(self) -> bool:
        """Whether both files still are what they were when they were read. Raises OSError."""
        job = self.job_path.read_bytes() if self.job_path.is_file() else None
        return self.path.read_bytes() == self.line and job == self.job


def read_files(path: Path) -> Files:
    """Read a line's files. Raises SettingsError where the line file, or both together, cannot be used."""
    settings = load_toml(path, LineSettings)
    job_path = path.parent / settings.line.job
    line = path.read_bytes()
    raw = job_path.read_bytes() if job_path.is_file() else None
    try:
        job = load_toml(job_path, JobSettings)
        config = join(path, settings, job_path, job, must_work=False)
    except SettingsError as error:
        if error.file != job_path:
            raise
        return Files(path, line, settings, job_path, raw, None, str(error))
    return Files(path, line, settings, job_path, raw, config, "")


def store_of(path: Path, settings: LineSettings) -> Store:
    """The job store of a line. Raises SettingsError where its journal has no place."""
    return Store(store_path(journal_path(path, settings)), settings.line.name)


def state_of(config: LineConfig) -> JobState:
    """Whether the line's files are those of a saved job. Raises SettingsError as `store_of` does."""
    store = store_of(config.path, config.settings)
    return job_state(store.path, store.line, text_of(config))


def cut_short(config: LineConfig) -> str:
    """What to do about a load or restore that ended in the middle; empty where there is none, or nobody can know."""
    try:
        cut = store_of(config.path, config.settings).cut_short()
    except (SettingsError, StoreError):
        return ""
    if cut is None:
        return ""
    again = f"beltcue job {config.path} {cut.what} {shlex.quote(cut.job)} --revision {cut.revision}"
    return f"the {cut.what} of a job was cut short, so that the line's files may be half of it; do it again: {again}"


def taken_up(config: LineConfig) -> dict[str, str] | None:
    """What a controller that runs with these settings tells of them, so that they can be compared with what is saved.

    None where there is no place for a store.
    """
    try:
        store = store_of(config.path, config.settings)
        return {"store": str(store.path.absolute()), "text": text_of(config)}
    except SettingsError:
        return None


def lines_sharing(files: Files) -> list[Path]:
    """The other line files of the folder that name the same job file, so that they change with this one."""
    found = []
    for other in sorted(files.path.parent.glob("*.toml")):
        if other.resolve() == files.path.resolve():
            continue
        try:
            job = tomllib.loads(other.read_text(encoding="utf-8-sig"))["line"]["job"]
            if (other.parent / job).resolve() == files.job_path.resolve():
                found.append(other)
        except (OSError, ValueError, KeyError, TypeError):
            continue  # no line file
    return found
