"""A step that this program has no page of its own for: its figures by their names. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from controller.record_page.labels import COMMON, figure_of, header, text_of
from controller.record_page.model import Body, Figure, Table
from controller.record_page.shown import Shown


def describe(result: Mapping[str, Any], _raw: Mapping[str, Any], shown: Shown) -> Body:
    """Lay out all that was kept: figures, then what has rows of its own."""
    body = Body()
    _add(body, "", {name: value for name, value in result.items() if name not in COMMON}, shown)
    return body


def _add(body: Body, before: str, values: Mapping[str, Any], shown: Shown) -> None:
    for name, value in values.items():
        found = figure_of(name, value, shown)
        if found is not None:
            body.figures.append(Figure(before + found.name, found.value, found.unit, found.spread, found.covers,
                                       found.beside))  # fmt: skip
        elif isinstance(value, Mapping):
            _add(body, f"{before}{header(name)}: ", value, shown)
        elif isinstance(value, Sequence) and value and all(isinstance(row, Mapping) for row in value):
            body.tables.append(rows_table(before + header(name), value, shown))
        else:
            body.figures.append(Figure(before + header(name), text_of(name, value, shown)))


def rows_table(caption: str, rows: Sequence[Mapping[str, Any]], shown: Shown) -> Table:
    """Rows of the same names as a table."""
    names = list(dict.fromkeys(name for row in rows for name in row))
    texts = [[text_of(name, row[name], shown) if name in row else "" for name in names] for row in rows]
    words = [n for n, name in enumerate(names) if any(isinstance(row.get(name), str) for row in rows)]
    return Table(caption, [header(name) for name in names], texts, words=words)
