"""The points of a line on a screen, as plain lines and for scripts, with how often each has changed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from controller.cli.points_source import Seen
from controller.point_list import ListedPoint
from controller.units import Display, to_unit

if TYPE_CHECKING:
    from rich.console import RenderableType

HEADS = ("point", "", "place", "raw", "value", "age", "changes")
RIGHT = ("raw", "age", "changes")
"""What is set to the right, as numbers are."""
FRESH = 10
"""A change within so many looks is shown as one."""


class Tally:
    """What the points were at the last look, and how often each was another than at the look before."""

    def __init__(self, points: Sequence[ListedPoint], display: Display) -> None:
        self.points, self._display = points, display
        self.looks = 0
        self.seen = Seen()
        self._raw: list[int | None] = [None] * len(points)
        self._changes = [0] * len(points)
        self._changed_at = [-FRESH] * len(points)

    def take(self, seen: Seen) -> None:
        """Take one look."""
        self.looks += 1
        self.seen = seen
        for n, point in enumerate(self.points):
            raw, before = point.raw(seen.values), self._raw[n]
            if raw != before and before is not None:
                self._changes[n] += 1
                self._changed_at[n] = self.looks
            self._raw[n] = raw

    def rows(self) -> list[tuple[str, ...]]:
        """All points as texts under `HEADS`."""
        return [self._row(n) for n in range(len(self.points))]

    def lines(self) -> list[str]:
        """All points as lines of text, one under the other."""
        table = [HEADS, *self.rows()]
        widths = [max(len(row[column]) for row in table) for column in range(len(HEADS))]
        return [
            "  ".join(
                text.rjust(width) if head in RIGHT else text.ljust(width)
                for head, text, width in zip(HEADS, row, widths, strict=True)
            )
            for row in table
        ]

    def screen(self, heads: Sequence[str], height: int) -> RenderableType:
        """As many points as fit below the heads: what is held, then what changed last, each in its place."""
        from rich.console import Group
        from rich.table import Table
        from rich.text import Text

        fits = max(1, height - len(heads) - 4)
        latest = sorted(range(len(self.points)), key=lambda n: (not self._held(n), -self._changed_at[n]))
        shown = sorted(latest[:fits])
        table = Table(box=None, padding=(0, 2, 0, 0))
        for head in HEADS:
            table.add_column(head, justify="right" if head in RIGHT else "left", no_wrap=True)
        for n in shown:
            fresh = self._changed_at[n] > self.looks - FRESH
            style = "reverse" if self._held(n) else "bold" if fresh else ""
            table.add_row(*[Text(text) for text in self._row(n)], style=style)
        left = len(self.points) - len(shown)
        more = [] if not left else [Text(f"{left} more points do not fit: a higher window, or --only NAME")]
        return Group(*[Text(head) for head in heads], table, *more)

    def as_json(self) -> list[dict[str, Any]]:
        """All points for scripts; lengths in mm, times in ms."""
        return [
            {
                "name": point.name,
                "direction": "out" if point.out else "in",
                "place": point.place,
                "raw": raw,
                "scaled": None if raw is None else point.scaled(raw),
                "unit": point.unit,
                "text": "" if raw is None else point.text(raw),
                "age_ms": None if raw is None else self.seen.age_ms,
                "changes": changes,
                "auxiliary": bool(point.auxiliary),
            }
            for point, raw, changes in zip(self.points, self._raw, self._changes, strict=True)
        ]

    def _held(self, n: int) -> bool:
        return self.seen.forced is not None and self.seen.forced["name"] == self.points[n].auxiliary

    def _row(self, n: int) -> tuple[str, ...]:
        point, raw, age_ms = self.points[n], self._raw[n], self.seen.age_ms
        where = "out" if point.out else "in"
        if raw is None or age_ms is None:
            return (point.name, where, point.place, "–", "not known", "–", str(self._changes[n]))
        scaled = point.scaled(raw)
        text = point.text(raw)
        if scaled is not None:
            text = f"{scaled:.3f} ms" if point.unit == "ms" else self._length(scaled)
        age = self._display.time(age_ms / 1e3, 3)
        return (point.name, where, point.place, str(raw), text, age, str(self._changes[n]))

    def _length(self, mm: float) -> str:
        """To a hundredth of a millimetre or less, however many counts there are."""
        unit = self._display.length_unit
        return f"{to_unit(mm, unit):.{4 if unit == 'in' else 2}f} {unit}"
