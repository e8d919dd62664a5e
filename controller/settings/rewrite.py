"""Changing settings in a TOML file as it stands: comments, order and whatever is not changed stay as they were written.

Rules of this file: texts in, texts out; nothing is written to disk. Only a setting whose value differs is touched, and
what comes out is read again and must give what was wanted.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from enum import Enum
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, InlineTable, Table

from controller.settings.base import Strict
from controller.settings.job import JobSettings
from controller.settings.line import LineSettings
from controller.settings.saved import MACHINE, PRODUCT, SavedJob, quantity_of
from controller.settings.uncertainty import UncertaintySection
from controller.units import Display, Kind, parse, show

_FEW_DIGITS, _MOST_DIGITS = 9, 17
_USUAL = {Kind.LENGTH: ("mm", "in"), Kind.SPEED: ("m/min", "ft/min", "mm/s"), Kind.TIME: ()}


class RewriteError(Exception):
    """The text is written in a form that cannot be changed here; the text says what to change by hand."""


def job_file_text(old: str | None, now: JobSettings | None, wanted: JobSettings, display: Display) -> str:
    """Give the job file's text with the wanted settings; `old` is its text now, None where that cannot be used.

    `now` is what the old text says. Raises RewriteError.
    """
    if old is None or now is None:
        document = tomlkit.document()
        document.add(tomlkit.comment("Written from a saved job by beltcue job."))
        _write(document, None, wanted, list(JobSettings.model_fields), display)
        return tomlkit.dumps(document)
    document = _parsed(old)
    _write(document, now, wanted, list(JobSettings.model_fields), display)
    return tomlkit.dumps(document)


def line_file_text(old: str, now: LineSettings, wanted: SavedJob, display: Display, *, machine: bool) -> str:
    """Give the line file's text with the job's part of the settings, and the machine's if so. Raises RewriteError."""
    names = {section: PRODUCT[section] + (MACHINE[section] if machine else ()) for section in PRODUCT}
    document = _parsed(old)
    sections = {"detector": now.detector, "encoder": now.encoder, "uncertainty": now.uncertainty}
    for section, model in sections.items():
        if _differ(model, getattr(wanted, section), names[section]):
            if section not in document:
                document.add(section, tomlkit.table())
            _write(_table(document[section], section), model, getattr(wanted, section), names[section], display)
    tables = {table["name"]: table for table in _tables(document, "stations")}
    saved = {station.name: station for station in wanted.stations}
    for station in now.stations:
        if station.name in saved:
            _write(tables[station.name], station, saved[station.name], names["stations"], display)
    return tomlkit.dumps(document)


def quantity_text(value: float, kind: Kind, display: Display) -> str:
    """A quantity as people write it, meaning that very value: in the line's unit, unless that takes many digits."""
    times = ("s", "ms") if abs(value) >= 1.0 else ("ms", "s")
    own = times if kind is Kind.TIME else (display.speed_unit if kind is Kind.SPEED else display.length_unit,)
    for units, most in ((own, _FEW_DIGITS), ((*own, *_USUAL[kind]), _MOST_DIGITS)):
        for digits in range(1, most + 1):
            for unit in units:
                text = show(value, unit, digits)
                if _means(text, value, kind):
                    return text
    return f"{value!r} {kind.base}"


def _means(text: str, value: float, kind: Kind) -> bool:
    try:
        return parse(text, kind) == value
    except ValueError:
        return False


def _parsed(text: str) -> tomlkit.TOMLDocument:
    try:
        return tomlkit.parse(text)
    except TOMLKitError as error:
        raise RewriteError(f"cannot be changed here ({error}); change it by hand") from None


def _differ(now: Strict, wanted: Strict, names: Sequence[str]) -> bool:
    return any(getattr(now, name) != getattr(wanted, name) for name in names)


def _table(item: Any, where: str) -> Any:
    """The item, if settings can be put in it."""
    if not isinstance(item, Mapping):
        raise RewriteError(f"{where} is written in a form that cannot be changed here; write it as [{where}]")
    return item


def _tables(document: Any, name: str) -> Iterator[Any]:
    """The tables of a list."""
    yield from document[name]


def _write(table: Any, now: Strict | None, wanted: Strict, names: Sequence[str], display: Display) -> None:
    """Write into the table what differs between the two; `now` None: the table is empty."""
    for name in names:
        field = type(wanted).model_fields[name]
        value = getattr(wanted, name)
        before = field.default if now is None else getattr(now, name)
        if value == before:  # a setting that has no default equals nothing, so a new table gets it
            continue
        if value is None:
            del table[name]
        elif isinstance(value, Strict):
            # Of how well a figure is known each setting forbids others, also as they are when left out.
            whole = isinstance(wanted, UncertaintySection) or not isinstance(before, Strict)
            _write_model(table, name, None if whole else before, value, display)
        elif isinstance(value, list):
            _write_list(table, name, before if isinstance(before, list) else [], value, display)
        else:
            quantity = quantity_of(field)
            plain = value.value if isinstance(value, Enum) else value
            table[name] = plain if quantity is None else quantity_text(value, quantity.kind, display)


def _write_model(table: Any, name: str, before: Strict | None, value: Strict, display: Display) -> None:
    names = list(type(value).model_fields)
    if before is None:
        inner = tomlkit.inline_table()
        _write(inner, None, value, names, display)
        if name in table and not isinstance(table[name], InlineTable):
            del table[name]
        table[name] = inner
    else:
        _write(_table(table[name], name), before, value, names, display)


def _write_list(table: Any, name: str, before: list[Any], value: list[Any], display: Display) -> None:
    """Write a list of tables: those that are there are changed, what is missing added, what is too much taken away."""
    if name not in table:
        table[name] = tomlkit.aot()
    tables = table[name]
    for number, wanted in enumerate(value):
        names = list(type(wanted).model_fields)
        if number < len(before):
            _write(tables[number], before[number], wanted, names, display)
        else:
            new: Table | InlineTable = tomlkit.table() if isinstance(tables, AoT) else tomlkit.inline_table()
            _write(new, None, wanted, names, display)
            tables.append(new)
    for number in range(len(before) - 1, len(value) - 1, -1):
        del tables[number]
