"""The data that a step was computed from, as tables of the appendix. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from controller.record_page.labels import header
from controller.record_page.model import Table

FIRST, LAST = 48, 16
"""Of a longer series so many values from either end are printed."""
ACROSS = 12
"""So many columns at most stand beside one another."""
SERIES = 2
"""Of several passes or marks with series of their own so many are printed."""
TEXT = 200


def data_tables(raw: Mapping[str, Any], where: str) -> list[Table]:
    """Give single values, and then the series that belong together. `where` says where all of them are."""
    singles = list(_singles("", raw))
    tables = [Table("", ["name", "value"], singles, words=(0, 1))] if singles else []
    for columns in _series("", raw):
        tables += _tables(columns, where)
    for name, series in raw.items():
        if _is_list_of_series(series):
            tables += _each(name, series, where)
    return tables


def _is_list_of_series(value: Any) -> bool:
    """Whether it is a list of passes or marks, each with series of its own."""
    return _is_series(value) and all(isinstance(v, Mapping) and any(map(_is_series, v.values())) for v in value)


def _each(name: str, series: Sequence[Mapping[str, Any]], where: str) -> Iterator[Table]:
    for number, one in enumerate(series[:SERIES], start=1):
        left = len(series) - SERIES
        more = f"those of {left} more are left out here; {where}" if number == SERIES and left > 0 else ""
        tables = data_tables(one, where)
        for n, table in enumerate(tables, start=1):
            note = "; ".join(filter(None, (table.note, more if n == len(tables) else "")))
            yield replace(table, caption=f"{header(name)} {number}", note=note)


def _singles(before: str, raw: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    for name, value in raw.items():
        if isinstance(value, Mapping):
            yield from _singles(f"{before}{header(name)}: ", value)
        elif not _is_series(value):
            yield before + header(name), _text(value)


def _is_series(value: Any) -> bool:
    return isinstance(value, Sequence) and not isinstance(value, str) and len(value) > 0


def _series(before: str, raw: Mapping[str, Any]) -> Iterator[dict[str, Sequence[Any]]]:
    """Series of one length are of the same looks or marks, and stand beside one another."""
    by_length: dict[int, dict[str, Sequence[Any]]] = {}
    for name, value in raw.items():
        if isinstance(value, Mapping):
            yield from _series(f"{before}{header(name)}: ", value)
        elif _is_series(value) and not _is_list_of_series(value):
            by_length.setdefault(len(value), {}).update(_columns(before + header(name), value))
    yield from by_length.values()


def _columns(name: str, values: Sequence[Any]) -> dict[str, Sequence[Any]]:
    """A series as its columns: rows of names or of several values have several."""
    if all(isinstance(row, Mapping) for row in values):
        names = list(dict.fromkeys(inner for row in values for inner in row))
        return {f"{name}: {header(inner)}": [row.get(inner) for row in values] for inner in names}
    return {name: values}


def _tables(columns: Mapping[str, Sequence[Any]], where: str) -> Iterator[Table]:
    names = list(columns)
    n = max((len(column) for column in columns.values()), default=0)
    for first in range(0, len(names), ACROSS - 1):
        some = names[first : first + ACROSS - 1]
        whole = n <= FIRST + LAST
        kept = list(range(n)) if whole else [*range(FIRST), *range(n - LAST, n)]
        rows = [[str(row + 1), *(_text(columns[name][row]) for name in some)] for row in kept]
        note = "" if whole else f"{n - FIRST - LAST} of {n} rows, after row {FIRST}, are left out here; {where}"
        words = [at for at, name in enumerate(some, start=1) if any(isinstance(v, str) for v in columns[name])]
        yield _beside(Table("", ["row", *some], rows, note, long=True, words=words))


def _beside(table: Table) -> Table:
    """Put a narrow table's rows into two or more blocks beside one another."""
    width = len(table.columns)
    blocks = min(max(1, ACROSS // width), max(1, len(table.rows) // 4))
    if blocks == 1 or table.words:
        return table
    height = -(-len(table.rows) // blocks)
    empty = [""] * width
    rows = [
        [text for block in range(blocks) for text in _row(table.rows, block * height + row, empty)]
        for row in range(height)
    ]
    return Table(table.caption, list(table.columns) * blocks, rows, table.note, table.long)


def _row(rows: Sequence[Sequence[str]], number: int, empty: Sequence[str]) -> Sequence[str]:
    return rows[number] if number < len(rows) else empty


def _text(value: Any) -> str:
    if value is None:
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return format(value, ".10g")
    if _is_series(value) or value == []:
        value = ", ".join(_text(each) for each in value) or "none"
    text = str(value)
    return text if len(text) <= TEXT else f"{text[:TEXT]}… ({len(text)} letters)"
