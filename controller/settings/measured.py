"""What `beltcue measure` found on a line's link: a record beside the line's file.

It speaks for the link it was measured on: what that hangs on is in its digest, and figures of a line whose settings
have another one are not used. A record is never overwritten: the old one is kept under its date.
"""

from __future__ import annotations

import hashlib
import json
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Literal, Self

import numpy as np
from pydantic import Field, ValidationError, model_validator

from controller.link_figures import BACK, EXCHANGE, LATE, OUT, RELEASE, SEND_LATE, Array, Figure, LinkFigures
from controller.settings.base import SettingsError, Strict, problem

if TYPE_CHECKING:
    from controller.settings.line import LineSettings

SUFFIX = ".measured.json"
SHARES = 201
"""A distribution is kept as so many values at evenly spaced shares; the last is the worst seen."""


class Times(Strict):
    """One distribution: values in ms at evenly spaced shares from the least to the worst, of `n` in all."""

    n: int = Field(ge=1)
    ms: list[float] = Field(min_length=2)

    @model_validator(mode="after")
    def _sorted(self) -> Self:
        if any(b < a for a, b in pairwise(self.ms)):
            raise problem("ms", "does not rise")
        return self

    @classmethod
    def of(cls, seconds: Array) -> Self:
        """Make it of single times in s, at least one."""
        rows = np.quantile(seconds, np.linspace(0.0, 1.0, SHARES))
        return cls(n=len(seconds), ms=[round(float(value) * 1e3, 5) for value in np.maximum.accumulate(rows)])

    def figure(self, name: str) -> Figure:
        """The same for reckoning with."""
        return Figure(name, np.array(self.ms) * 1e-3, True, f"measured, {self.n} of them")


class Measured(Strict):
    """One measurement of a link."""

    format: Literal[1] = 1
    line: str
    date: str = Field(description="day and time, with the offset from UTC")
    host: str = Field(description="the computer that it was measured from")
    address: str = Field(description="the I/O side's host and port")
    bench: bool = Field(description="measured at a test bench: it says nothing of the real link")
    digest: str = Field(description="of the settings that the figures hang on")
    seconds: float = Field(gt=0.0, description="how long was measured")
    period_ms: float = Field(gt=0.0, description="the period of the exchanges")
    exchanges: int = Field(ge=1, description="that were answered")
    failed: int = Field(ge=0, description="that were not")
    largest_gap_ms: float = Field(ge=0.0, description="the longest between two good exchanges")
    exchange: Times
    age: Times = Field(description="of the count when the decision has it")
    late: Times = Field(description="from a deadline to waking")
    send_late: Times | None = Field(description="from an instant to the leaving of a request meant for it")
    gap: Times = Field(description="between the counts of two periods")
    out: Times | None = Field(description="from the sending to the sample, by the I/O side's clock")
    release: Times | None = Field(description="way out when sent at an instant, less the median of those before")
    back: Times | None = Field(description="from the sample to the answer")
    io_step_ms: float | None = Field(description="the I/O side's own scan, where it shows")
    io_step_below_ms: float | None = Field(description="where it does not: it is shorter than this; None: unknown")
    clock_drift_ppm: float | None = Field(description="the I/O side's clock against ours, positive = fast")
    clock_drift_off_ppm: float | None = Field(description="how far off that may be")
    clock_tie_ms: float | None = Field(description="how far off an instant of one clock may be on the other")

    def figures(self, instead: LinkFigures) -> LinkFigures:
        """The figures to reckon with; what was not measured comes from `instead`."""

        def figure(times: Times | None, name: str) -> Figure | None:
            return None if times is None else times.figure(name)

        return LinkFigures(
            self.exchange.figure(EXCHANGE),
            self.late.figure(LATE),
            figure(self.send_late, SEND_LATE) or instead.send_late,
            figure(self.out, OUT),
            figure(self.back, BACK),
            figure(self.release, RELEASE),
        )


def measured_path(line: Path) -> Path:
    """Where a line's measurement is kept."""
    return line.with_name(line.stem + SUFFIX)


def link_digest(settings: LineSettings) -> str:
    """What the figures hang on, as a number: address, how it is asked, the points, how often."""
    # What the line states of the link, and how long it waits, changes nothing at the link itself.
    stated = {"timeout", "worst_exchange", "lease", "lost_after", "test_addresses"}
    link = settings.link.model_dump(mode="json", exclude=stated)
    parts = [
        link,
        settings.points.model_dump(mode="json", exclude_defaults=True),
        None if settings.plain is None else settings.plain.model_dump(mode="json", exclude_defaults=True),
        settings.line.scan_period,
    ]
    if settings.opcua is not None:
        parts.append(settings.opcua.model_dump(mode="json", exclude_defaults=True))
    return hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()


def load_measured(path: Path) -> Measured | None:
    """Read the kept measurement; None where none is kept. Raises SettingsError for a file that is none."""
    try:
        return Measured.model_validate_json(path.read_bytes())
    except FileNotFoundError:
        return None
    except (OSError, ValidationError):
        raise SettingsError(path, [("", "is no measurement of a link; remove it and measure again")]) from None


def keep_measured(path: Path, measured: Measured) -> Path | None:
    """Write the measurement beside the line; gives where an older one is kept now. Raises OSError."""
    old = None
    if path.exists():
        try:
            before = load_measured(path)
            stamp = "unreadable" if before is None else before.date[:19].replace(":", "-")
        except SettingsError:
            stamp = "unreadable"
        old = _free(path.with_name(f"{path.name.removesuffix(SUFFIX)}.measured.{stamp}.json"))
        path.rename(old)
    new = path.with_name(path.name + ".new")
    new.write_text(json.dumps(measured.model_dump()) + "\n", encoding="utf-8")
    new.replace(path)
    return old


def _free(path: Path) -> Path:
    """The path, or one beside it that is not taken."""
    number, free = 1, path
    while free.exists():
        number += 1
        free = path.with_name(f"{path.stem}-{number}.json")
    return free
