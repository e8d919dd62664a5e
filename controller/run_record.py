"""The beginning of a run's record: what was run, made from the line's files."""

from __future__ import annotations

from controller.records.journal import Journal
from controller.settings.line import LineConfig
from controller.spec import LineSpec


def begin_record(journal: Journal, config: LineConfig, spec: LineSpec, *, mono_ns: int, wall_ns: int) -> int:
    """Begin a run in the journal with the texts of the line's and the job's file; its number.

    `mono_ns` and `wall_ns` are one and the same instant. Raises JournalError, and OSError for a file that has gone.
    """
    texts = (path.read_text(encoding="utf-8-sig") for path in (config.path, config.job_path))
    return journal.begin_run(
        job=spec.job_name,
        job_number=spec.job_number,
        dry=spec.dry,
        config="\n".join(texts),
        mono_ns=mono_ns,
        wall_ns=wall_ns,
    )
