"""Reading the marks of a trial from a CSV file whose header names each column and its unit."""

from __future__ import annotations

import csv
import io
import math
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from controller.commissioning.trial_data import Marks
from controller.settings.base import SettingsError
from controller.units import Kind, parse

COLUMNS = {"speed": Kind.SPEED, "position": Kind.LENGTH, "length": Kind.LENGTH, "distance": Kind.LENGTH}
NEEDED = ("speed", "position")
EXAMPLE = 'write e.g. "speed [m/min],position [mm]"'
_HEADER = re.compile(r"\s*([A-Za-z]+)\s*\[\s*([^\[\]]+?)\s*\]\s*")
_NUMBER = re.compile(r"[+-]?(\d+(?:\.(\d*))?|\.(\d+))(?:[eE][+-]?\d+)?")


@dataclass(frozen=True, slots=True)
class _Column:
    name: str
    unit: str


def load_trial(path: Path | str) -> Marks:
    """Read the marks, one row each. Raises SettingsError, in one line, for what is wrong with the file or in it."""
    file = Path(path)
    try:
        text = file.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError:
        raise SettingsError(file, [("", "is not UTF-8 text; save it as CSV in UTF-8")]) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise SettingsError(file, [("", f"cannot be read ({reason}); check the path")]) from None
    return read_trial(file, text)


def read_trial(file: Path, text: str) -> Marks:
    """Take the text of such a file; `file` is named in what is wrong. Raises SettingsError likewise."""
    header = text.lstrip().split("\n", 1)[0]
    comma = ";" if ";" in header else "\t" if "\t" in header else ","
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=comma, strict=True))
    except csv.Error as error:
        raise SettingsError(file, [("", f"is no CSV ({error}); save it as CSV")]) from None
    numbered = [(n, row) for n, row in enumerate(rows, start=1) if any(cell.strip() for cell in row)]
    if not numbered:
        raise SettingsError(file, [("", f"is empty; the header comes first, {EXAMPLE}")])
    columns = _columns(file, numbered[0][1])
    values: dict[str, list[float]] = {c.name: [] for c in columns}
    steps: dict[str, float] = dict.fromkeys(values, math.inf)
    for line, row in numbered[1:]:
        _row(file, line, row, columns, values, steps)
    if not values["speed"]:
        raise SettingsError(file, [("", "has no marks below its header; write one row for each mark")])
    arrays = {name: np.array(column, np.float64) for name, column in values.items()}
    return Marks(
        arrays["speed"],
        arrays["position"],
        arrays.get("length"),
        arrays.get("distance"),
        steps["position"],
        steps.get("length", 0.0) if math.isfinite(steps.get("length", 0.0)) else 0.0,
    )


def _columns(file: Path, header: list[str]) -> list[_Column]:
    columns: list[_Column] = []
    for cell in header:
        match = _HEADER.fullmatch(cell)
        if match is None:
            raise SettingsError(
                file, [("header", f"{cell.strip()!r} is no column with its unit in brackets; {EXAMPLE}")]
            )
        name, unit = match[1].lower(), match[2]
        if name not in COLUMNS:
            raise SettingsError(file, [("header", f'no column "{name}" is known; known are {", ".join(COLUMNS)}')])
        if name in [c.name for c in columns]:
            raise SettingsError(file, [("header", f'"{name}" stands there twice; keep one')])
        try:
            parse(f"1 {unit}", COLUMNS[name])
        except ValueError as error:
            raise SettingsError(file, [("header", f"{name}: {error}")]) from None
        columns.append(_Column(name, unit))
    for name in NEEDED:
        if name not in [c.name for c in columns]:
            raise SettingsError(file, [("header", f'a column "{name}" is missing; {EXAMPLE}')])
    return columns


def _row(
    file: Path, line: int, row: list[str], columns: list[_Column], values: dict[str, list[float]],
    steps: dict[str, float],
) -> None:  # fmt: skip
    where = f"line {line}"
    cells = [cell.strip() for cell in row]
    while len(cells) > len(columns) and not cells[-1]:
        cells.pop()
    if len(cells) != len(columns):
        hint = " (a decimal comma? write a point, e.g. 35.2)" if len(cells) > len(columns) else ""
        raise SettingsError(
            file, [(where, f"has {len(cells)} values for {len(columns)} columns{hint}; write one value a column")]
        )
    for cell, column in zip(cells, columns, strict=True):
        if not cell and column.name == "length":
            values[column.name].append(math.nan)
            continue
        match = _NUMBER.fullmatch(cell)
        if match is None:
            decimal_comma = re.fullmatch(r"[+-]?\d*,\d+", cell)
            what = "has a decimal comma; write a point" if decimal_comma else "is no number; write the number alone"
            raise SettingsError(file, [(where, f"{column.name} {cell!r} {what}, e.g. 35.2")])
        try:
            values[column.name].append(parse(f"{cell} {column.unit}", COLUMNS[column.name]))
        except ValueError as error:
            raise SettingsError(file, [(where, f"{column.name}: {error}")]) from None
        digits = len(match[2] or match[3] or "")
        step = parse(f"1 {column.unit}", COLUMNS[column.name]) * 10.0**-digits
        steps[column.name] = min(steps[column.name], step)
