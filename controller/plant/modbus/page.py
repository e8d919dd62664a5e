"""The map for people and for their tools: as a table, as the document, and as CSV. All from the table in `map`."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from controller.faults import FAULTS
from controller.plant.modbus import map as plant_map
from controller.plant.modbus.commands import CODES, REASON_TEXTS, RESULT_TEXTS
from controller.plant.modbus.manual import ARGUMENTS, COMMANDING, READING
from controller.plant.modbus.rows import Bit, Row
from controller.plant.numbers import FAULT_NUMBERS

COLUMNS = (
    "table", "address", "number", "name", "type", "words", "unit", "scale", "access", "meaning",
)  # fmt: skip
"""Address from 0, as in the request; number as other tools count, 4xxxxx for holding registers, 1xxxxx for inputs."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where one line's map is served."""

    line: str
    address: str
    unit: int
    command_clients: tuple[str, ...]


def _scale(scale: float) -> str:
    return f"{scale:.9f}".rstrip("0").rstrip(".")


def _register_cells(row: Row) -> tuple[str, ...]:
    access = "read and write" if row.writable else "read"
    return (
        "holding and input register", str(row.address), str(400001 + row.address), row.name, row.kind.value,
        str(row.words), row.unit, _scale(row.scale), access, row.meaning,
    )  # fmt: skip


def _bit_cells(bit: Bit) -> tuple[str, ...]:
    return (
        "coil and discrete input", str(bit.address), str(100001 + bit.address), bit.name, "bit", "1", "", "1", "read",
        bit.meaning,
    )  # fmt: skip


def cells() -> list[tuple[str, ...]]:
    """Every row of the map under `COLUMNS`."""
    return [*map(_register_cells, plant_map.ROWS), *map(_bit_cells, plant_map.BIT_ROWS)]


def as_csv(place: Place | None = None) -> str:
    """The map as CSV with a row of titles; of a line with its name and unit number in front."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    own = () if place is None else (("line", place.line), ("unit_number", str(place.unit)))
    writer.writerow([*(title for title, _ in own), *COLUMNS])
    writer.writerows([*(value for _, value in own), *row] for row in cells())
    return out.getvalue()


def as_table(place: Place | None = None) -> str:
    """The map as people read it at a terminal."""
    lines = [] if place is None else [_where(place), ""]
    chosen = [(c[1], c[3], c[4], f"{c[7]} {c[6]}".strip() if c[6] else "", c[9]) for c in cells()]
    registers, bits = chosen[: len(plant_map.ROWS)], chosen[len(plant_map.ROWS) :]
    for title, rows in (("registers (holding and input alike)", registers), ("bits (coils and inputs alike)", bits)):
        lines += [title, *_columns([("at", "name", "type", "one is", "meaning"), *rows]), ""]
    return "\n".join(lines)


def as_markdown(place: Place | None = None) -> str:
    """The document."""
    parts = [
        f"# The map of the Modbus TCP server for the plant, version {plant_map.MAP_VERSION}",
        "Made by `beltcue plant-map --markdown` from the table that the server itself uses; do not edit it.",
        *([] if place is None else [_where(place)]),
        READING,
        "## Registers",
        _markdown(("address", "name", "type", "one is", "access", "meaning"),
                  ((c[1], c[3], c[4] if c[5] in "12" else f"{c[4]}, {c[5]} words", f"{c[7]} {c[6]}" if c[6] else "",
                    c[8], c[9]) for c in map(_register_cells, plant_map.ROWS))),
        "## Bits",
        _markdown(("address", "name", "meaning"), ((c[1], c[3], c[9]) for c in map(_bit_cells, plant_map.BIT_ROWS))),
        "## Faults",
        _markdown(("number", "name", "meaning", "what to do"),
                  ((str(n), name, FAULTS[name].text, FAULTS[name].mend) for name, n in FAULT_NUMBERS.items())),
        "## Commands",
        COMMANDING,
        _markdown(("code", "command", "argument"), ((str(c), v, ARGUMENTS.get(v, "0")) for c, v in CODES.items())),
        _markdown(("command_result", "means"), ((str(int(r)), text) for r, text in RESULT_TEXTS.items())),
        _markdown(("command_reason", "means"), ((str(int(r)), text) for r, text in REASON_TEXTS.items())),
    ]  # fmt: skip
    return "\n\n".join(parts) + "\n"


def _where(place: Place) -> str:
    who = ", ".join(place.command_clients) if place.command_clients else "nobody"
    return f"Line {place.line}: Modbus TCP at {place.address}, unit {place.unit}; commands are taken from {who}."


def _columns(rows: Sequence[tuple[str, ...]]) -> Iterable[str]:
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    return ("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows)


def _markdown(titles: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    return "\n".join(f"| {' | '.join(cells)} |" for cells in (titles, ["---"] * len(titles), *rows))
