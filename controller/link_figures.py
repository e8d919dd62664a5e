"""What is known of a link's times, as distributions: measured on the link itself, or assumed and said so.

A distribution is a row of times in s at evenly spaced shares, from the least to the worst that was seen.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from controller.spec import LineSpec

Array = NDArray[np.float64]

EXCHANGE, OUT, BACK, LATE, SEND_LATE = "exchange", "way out", "way back", "loop lateness", "send lateness"
RELEASE = "release, about what came before"
ASSUMED_LATE_S = 0.001
"""Nothing measured: the loop begins late by up to this (ordinary scheduling)."""
ASSUMED_SEND_LATE_S = 0.0001
"""Nothing measured: a release in time is sent late by up to this."""


@dataclass(frozen=True, slots=True)
class Figure:
    """One quantity of the link: its times in s, and where they come from. Positive = later or longer."""

    name: str
    values_s: Array
    measured: bool
    says: str

    def draw(self, chance: np.random.Generator, shape: tuple[int, ...] | int) -> Array:
        """Draw at random from the distribution, in s."""
        drawn: Array = np.interp(chance.random(shape), np.linspace(0.0, 1.0, len(self.values_s)), self.values_s)
        return drawn

    def at(self, share: float) -> float:
        """The time in s that `share` (0 … 1) of all do not exceed."""
        return float(np.interp(share, np.linspace(0.0, 1.0, len(self.values_s)), self.values_s))

    @property
    def worst_s(self) -> float:
        """The longest, in s."""
        return float(self.values_s[-1])


@dataclass(frozen=True, slots=True)
class LinkFigures:
    """The times of one link.

    `out` is from the sending of a request to the I/O side's sample, `back` from there to the answer; both None where
    the I/O side has no clock of its own that would tell them apart. `release` is by how much the way out of a request
    sent at an instant differed from the median of those before it, which is what a line learns; None: reckon with
    `out`. `late` is how late a period begins, `send_late` how late a request left that was to leave at an instant.
    """

    exchange: Figure
    late: Figure
    send_late: Figure
    out: Figure | None = None
    back: Figure | None = None
    release: Figure | None = None

    @property
    def each(self) -> tuple[Figure, ...]:
        """All of them that there are."""
        return tuple(
            f for f in (self.exchange, self.out, self.back, self.release, self.late, self.send_late) if f is not None
        )

    def ways(self, chance: np.random.Generator, shape: tuple[int, ...]) -> tuple[Array, Array]:
        """Draw how long exchanges take there and back, in s.

        Where nothing tells the two apart, half of the least exchange is each way's, and what an exchange takes beyond
        it is divided at random.
        """
        if self.out is not None and self.back is not None:
            return self.out.draw(chance, shape), self.back.draw(chance, shape)
        took = self.exchange.draw(chance, shape)
        least_s = float(self.exchange.values_s[0])
        out = 0.5 * least_s + chance.random(shape) * (took - least_s)
        return out, took - out


def assumed(spec: LineSpec, *, clock: bool) -> LinkFigures:
    """What to reckon with where nothing was measured: the stated worst exchange, and an ordinary computer.

    `clock`: the I/O side dates its samples itself.
    """

    def evenly(name: str, least_s: float, most_s: float, why: str) -> Figure:
        says = f"assumed: evenly between {least_s * 1e3:g} and {most_s * 1e3:g} ms ({why})"
        return Figure(name, np.linspace(least_s, most_s, 101), False, says)

    ways = [evenly(name, 0.0, 0.5 * spec.exchange_s, "half of the line's worst_exchange") for name in (OUT, BACK)]
    return LinkFigures(
        exchange=evenly(EXCHANGE, 0.0, spec.exchange_s, "the line's worst_exchange"),
        late=evenly(LATE, 0.0, ASSUMED_LATE_S, "ordinary scheduling"),
        send_late=evenly(SEND_LATE, 0.0, ASSUMED_SEND_LATE_S, "ordinary scheduling, with a spin"),
        out=ways[0] if clock else None,
        back=ways[1] if clock else None,
    )
