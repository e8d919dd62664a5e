"""A line of its own in a folder: the demo line with its job, its journal and its job store beside it."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from pathlib import Path

from controller.job_files import Files, read_files, store_of
from controller.records.store import Store
from controller.settings.line import LineConfig, load_line
from controller.settings.saved import text_of

CONFIG = Path(__file__).resolve().parents[2] / "config"
NAME = "Tea carton 100 g, flap"
OTHER = """\
name = "Coffee bag, back"  # another product
number = 8

[[plans]]
offset = "30 mm"
length = "18 mm"
"""


@dataclass(frozen=True, slots=True)
class LineFolder:
    """The files of one line, to be changed as people change them."""

    line: Path
    job: Path

    @property
    def config(self) -> LineConfig:
        return load_line(self.line)

    @property
    def files(self) -> Files:
        return read_files(self.line)

    @property
    def text(self) -> str:
        return text_of(self.config)

    @property
    def store(self) -> Store:
        return store_of(self.line, self.files.settings)

    def change(self, *pairs: tuple[str, str]) -> None:
        """Write something else where each of these stands, in whichever of the two files it does."""
        for old, new in pairs:
            (path,) = [p for p in (self.line, self.job) if old in p.read_text()]
            path.write_text(path.read_text().replace(old, new, 1))

    def damage(self, revision: int) -> None:
        """Change a letter of a revision behind the program's back, as a broken disk would."""
        with sqlite3.connect(self.store.path) as connection:
            connection.execute("DROP TRIGGER revisions_update")
            connection.execute("UPDATE revisions SET text = replace(text, '0', '8') WHERE revision = ?", (revision,))
        connection.close()


def line_folder(folder: Path) -> LineFolder:
    """Make the files of the line."""
    (folder / "jobs").mkdir()
    line, job = folder / "line.toml", folder / "jobs" / "tea.toml"
    text = (CONFIG / "demo-line.toml").read_text().replace("jobs/tea-carton-flap.toml", "jobs/tea.toml")
    line.write_text(text.replace("keep_days = 90", 'path = "journal.sqlite"\nkeep_days = 90'))
    job.write_text((CONFIG / "jobs" / "tea-carton-flap.toml").read_text())
    return LineFolder(line, job)
