"""What of a line's two files belongs to a saved job, as text and back.

A job is the whole job file (the mark plans) together with what commissioning settles in the line file:

- of the product, and so of every job its own: the detector's filters, and what each marker can do (`PRODUCT`);
- of the machine, the same whatever is marked: scale and sense of the counter, distances, responses, and how well all of
  that is known (`MACHINE`).

A revision keeps both. Loading another job takes its own part only, so that a scale from before the wheel was changed
never comes back with it; restoring takes all. How the device is wired and asked belongs to no job.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from enum import Enum
from pathlib import Path
from typing import Any, Literal, get_args

from pydantic.fields import FieldInfo

from controller.job_text import Place, write
from controller.settings.base import SettingsError, Strict, check
from controller.settings.job import JobSettings
from controller.settings.line import LineConfig, LineSettings
from controller.settings.quantities import Quantity
from controller.settings.sections import DetectorSection, EncoderSection, StationSection
from controller.settings.uncertainty import UncertaintySection

PRODUCT: dict[str, tuple[str, ...]] = {
    "detector": ("least_length", "least_gap", "hold_off", "jam_length", "silent_after"),
    "stations": ("mark_time", "rearm", "max_speed", "window", "mark_window"),
    "encoder": (),
    "uncertainty": (),
}
MACHINE: dict[str, tuple[str, ...]] = {
    "detector": ("response",),
    "stations": ("distance", "response", "pacing"),
    "encoder": ("mm_per_count", "wheel", "forward"),
    "uncertainty": tuple(UncertaintySection.model_fields),
}
"""Section of the line file → its settings that are saved with a job; those of the stations for each of them."""


class SavedJob(Strict):
    """A revision's text, read back. Of the sections only the settings named in `PRODUCT` and `MACHINE` count."""

    format: Literal[1] = 1
    job: JobSettings
    detector: DetectorSection
    stations: list[StationSection]
    encoder: EncoderSection
    uncertainty: UncertaintySection


def is_machine(place: Place) -> bool:
    """Whether a setting's place in a job's text is one of the machine's."""
    section, name = place[0], place[2 if place[0] == "stations" else 1]
    return name in MACHINE.get(section, ())


def text_of(config: LineConfig) -> str:
    """The job's text of a line as its files are. Raises SettingsError where it could not be read back."""
    text = _text(config.job, config.settings)
    read_saved(text, config.path)
    return text


def saved_text(saved: SavedJob) -> str:
    """The text of a saved job, which the same program reads as the same job."""
    return _text(saved.job, saved)


def read_saved(text: str, where: Path | str) -> SavedJob:
    """Read a job's text. Raises SettingsError, with `where` it came from, for what this program does not know."""
    try:
        data = json.loads(text)
        data["stations"] = [{"name": name} | station for name, station in data["stations"].items()]
    except (ValueError, KeyError, TypeError, AttributeError):
        raise SettingsError(where, [("", "is no saved job of this program")]) from None
    return check(Path(where), data, SavedJob)


def quantity_of(field: FieldInfo) -> Quantity | None:
    """The quantity that a setting is, also where it may be left out; None for a plain number or word."""
    inner = [m for arg in get_args(field.annotation) for m in getattr(arg, "__metadata__", ())]
    return next((m for m in (*field.metadata, *inner) if isinstance(m, Quantity)), None)


def _text(job: JobSettings, sections: LineSettings | SavedJob) -> str:
    def of(name: str) -> tuple[str, ...]:
        return PRODUCT[name] + MACHINE[name]

    return write(
        {
            "format": 1,
            "job": _values(job, list(JobSettings.model_fields)),
            "detector": _values(sections.detector, of("detector")),
            "stations": {station.name: _values(station, of("stations")) for station in sections.stations},
            "encoder": _values(sections.encoder, of("encoder")),
            "uncertainty": _values(sections.uncertainty, of("uncertainty")),
        }
    )


def _values(model: Strict, names: Sequence[str]) -> dict[str, Any]:
    """The model's values by their names, with their units; what is not set is left out."""
    return dict(_pairs(model, names))


def _pairs(model: Strict, names: Sequence[str]) -> Iterator[tuple[str, Any]]:
    for name in names:
        value, quantity = getattr(model, name), quantity_of(type(model).model_fields[name])
        if value is None:
            continue
        if quantity is not None:
            yield name, f"{value + 0.0!r} {quantity.kind.base}"
        elif isinstance(value, Strict):
            yield name, _values(value, _fields(value, whole=not isinstance(model, UncertaintySection)))
        elif isinstance(value, list):
            yield name, [_values(item, _fields(item, whole=True)) for item in value]
        else:
            yield name, value.value if isinstance(value, Enum) else value


def _fields(model: Strict, *, whole: bool) -> list[str]:
    """The names of its settings; not `whole`: of those that are not as they are when left out."""
    return [name for name, field in type(model).model_fields.items() if whole or getattr(model, name) != field.default]
