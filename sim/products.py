"""What lies on the belt: products one after another, made as they are asked for, from a seed.

A product is known by the true belt travel at which its leading edge is at the eye, and by its length. On endless
material the length is infinite. Products never overlap: where chance would have it so, they touch.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum


class Spread(StrEnum):
    """How a length or a spacing varies: not, evenly within ± spread, normally with sd = spread, or exponentially."""

    FIXED = "fixed"
    UNIFORM = "uniform"
    NORMAL = "normal"
    EXPONENTIAL = "exponential"


class Spacing(StrEnum):
    """Whether spacing is from leading edge to leading edge, or from trailing edge to the next leading edge."""

    PITCH = "pitch"
    GAP = "gap"


@dataclass(frozen=True, slots=True)
class Vary:
    """A quantity in mm with its spread; never below zero."""

    mean_mm: float
    spread_mm: float = 0.0
    kind: Spread = Spread.FIXED

    def draw(self, chance: random.Random) -> float:
        """One value in mm."""
        match self.kind:
            case Spread.FIXED:
                return self.mean_mm
            case Spread.UNIFORM:
                return max(0.0, self.mean_mm + self.spread_mm * (2.0 * chance.random() - 1.0))
            case Spread.NORMAL:
                return max(0.0, chance.gauss(self.mean_mm, self.spread_mm))
            case Spread.EXPONENTIAL:
                return -self.mean_mm * math.log(1.0 - chance.random())


@dataclass(frozen=True, slots=True)
class Flow:
    """A stretch of the line's supply.

    `first_mm` is the travel of its first leading edge (None: one spacing after what was before). It ends after
    `count` products or at travel `until_mm`. `missing` and `touching` are chances from 0 to 1 for each product.
    """

    length: Vary
    space: Vary
    spacing: Spacing = Spacing.PITCH
    first_mm: float | None = None
    count: int | None = None
    until_mm: float | None = None
    missing: float = 0.0
    touching: float = 0.0

    def __post_init__(self) -> None:
        if self.spacing is Spacing.PITCH and self.space.mean_mm <= 0:
            raise ValueError("a pitch must be above 0 mm")
        if self.space.mean_mm + self.length.mean_mm <= 0:
            raise ValueError("products without length need a gap above 0 mm")


@dataclass(frozen=True, slots=True)
class Web:
    """Endless material that begins at a travel and never ends."""

    begins_mm: float = 0.0


class Product:
    """One true product. `captured` says whether the I/O side captured its leading edge."""

    __slots__ = ("before_start", "captured", "lead_mm", "length_mm", "marked", "number")

    def __init__(self, number: int, lead_mm: float, length_mm: float) -> None:
        self.number = number
        self.lead_mm = lead_mm
        self.length_mm = length_mm
        self.captured = False
        self.before_start = False
        self.marked: dict[tuple[int, int], int] = {}
        """(station, index of the mark) → how often it was made; kept by the verdict."""

    @property
    def trail_mm(self) -> float:
        """Travel at which the trailing edge is at the eye."""
        return self.lead_mm + self.length_mm


def products(flows: Sequence[Flow | Web], chance: random.Random) -> Iterator[Product]:
    """Give the products in the order in which they come, numbered from 1; endless where the supply is."""
    number, lead_mm, free_mm = 0, 0.0, -math.inf
    for flow in flows:
        if isinstance(flow, Web):
            yield Product(number + 1, max(flow.begins_mm, free_mm), math.inf)
            return
        made, touch = 0, False
        following_mm = flow.first_mm
        while flow.count is None or made < flow.count:
            if following_mm is None:
                space_mm = flow.space.draw(chance)
                before_mm = lead_mm if flow.spacing is Spacing.PITCH else max(lead_mm, free_mm)
                following_mm = free_mm if touch else before_mm + space_mm
            lead_mm, following_mm = max(following_mm, free_mm), None
            if flow.until_mm is not None and lead_mm >= flow.until_mm:
                break
            length_mm = flow.length.draw(chance)
            absent = chance.random() < flow.missing if flow.missing else False
            made += 1
            if absent:
                touch = False
                if flow.spacing is Spacing.GAP:
                    lead_mm += length_mm  # the empty place is as long as the product would have been
                continue
            number += 1
            yield Product(number, lead_mm, length_mm)
            free_mm = lead_mm + length_mm
            touch = chance.random() < flow.touching if flow.touching else False
