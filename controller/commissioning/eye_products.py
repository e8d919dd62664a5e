"""What is a product and what only a bounce, a window or a stray pulse, told from the eye's edges alone. Pure.

Lengths in counts of travel. No filter of the line is used here: its filters are to be proposed from this.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from controller.commissioning.eye_edges import EyeEdges
from controller.link_figures import Array

APART = 3.0
"""Lengths of two kinds are told apart where one is so many times the next shorter one."""
SHORT_PART = 0.25
"""What is shorter than this part of the usual product is none."""
PIECE_PART = 0.6
"""Two blocked stretches both shorter than this part of it may be one product with a window."""
JOINED_PART = 1.5
"""No pieces are put together that would be longer than this part of it."""


@dataclass(frozen=True, slots=True)
class EyeProducts:
    """Products and what lay between, in counts; arrays of one entry a product, or a pair of neighbours."""

    leads: Array
    lengths: Array
    lead_speeds: Array
    """In counts/s, at the leading edge; likewise at the trailing one."""
    trail_speeds: Array
    gaps: Array
    pitches: Array
    """From leading edge to leading edge."""
    pulses: Array
    """Blocked stretches too short for a product, in a bounce or alone."""
    breaks: Array
    """Clear stretches within a product: of a bounce, or a window."""
    lead_bounces: Array
    """How far behind a leading edge the eye was still changing; only where it was."""
    trail_bounces: Array
    """Likewise before the last change at a trailing edge."""
    lead_bounces_s: Array
    """Those at leading edges in s."""
    odd: int
    """Edges of the same kind twice in a row: the one between was not told."""


@dataclass(slots=True)
class _Run:
    """One blocked stretch: its edges' numbers."""

    first: int
    end: int


def products_of(edges: EyeEdges, product: float | None = None) -> EyeProducts:
    """Put edges together to products; `product`: a product's length where it is known, in counts.

    The first and the last of what was seen in one go are left out: they may not have been seen whole.
    """
    pieces, odd = _pieces(edges)
    place = edges.travel
    dark = np.array([place[run.end] - place[run.first] for piece in pieces for run in piece], np.float64)
    clear = [place[b.first] - place[a.end] for piece in pieces for a, b in itertools.pairwise(piece)]
    usual = _usual(dark) if product is None else product
    apart = apart_of(np.array(clear, np.float64))
    leads: list[float] = []
    found: dict[str, list[float]] = {name: [] for name in _LISTS}
    pulses = [float(length) for length in dark if length < SHORT_PART * usual]
    for piece in pieces:
        before: tuple[float, float] | None = None
        wholes = list(_joined(piece, place, usual, apart))
        for number, whole in enumerate(wholes):
            lead, trail = float(place[whole[0].first]), float(place[whole[-1].end])
            if trail - lead < SHORT_PART * usual:
                continue
            # A bounce may have gone on before the first edge, and may go on behind the last.
            begun, over = number > 0, number < len(wholes) - 1
            if before is not None:
                found["gaps"].append(lead - before[1])
                found["pitches"].append(lead - before[0])
            before = (lead, trail)
            if begun and over:
                leads.append(lead)
                found["lengths"].append(trail - lead)
                found["lead_speeds"].append(float(edges.speed_counts_s[whole[0].first]))
                found["trail_speeds"].append(float(edges.speed_counts_s[whole[-1].end]))
                _bounces(whole, edges, found)
    arrays = {name: np.array(values, np.float64) for name, values in found.items()}
    return EyeProducts(leads=np.array(leads, np.float64), pulses=np.array(pulses, np.float64), odd=odd, **arrays)


_LISTS = ("lengths", "lead_speeds", "trail_speeds", "gaps", "pitches", "breaks", "lead_bounces", "trail_bounces",
          "lead_bounces_s")  # fmt: skip


def _pieces(edges: EyeEdges) -> tuple[list[list[_Run]], int]:
    """Cut where edges are missing; within a piece blocked and clear alternate, from blocked to clear."""
    pieces: list[list[_Run]] = [[]]
    odd, first = 0, None
    for n, blocked in enumerate(edges.blocked):
        twice = n > 0 and not edges.broken[n] and blocked == edges.blocked[n - 1]
        odd += bool(twice)
        if edges.broken[n] or twice:
            pieces.append([])
            first = None
        if blocked:
            first = n
        elif first is not None:
            pieces[-1].append(_Run(first, n))
            first = None
    return [piece for piece in pieces if piece], odd


def apart_of(lengths: Array) -> float:
    """The length between two kinds of lengths, where one kind is much longer; 0: they are one kind."""
    ordered = np.sort(lengths)
    if len(ordered) < 2:
        return 0.0
    # An edge is known to a count: below that nothing is longer than anything else.
    above = np.maximum(ordered, 1.0)
    ratios = above[1:] / above[:-1]
    widest = int(np.argmax(ratios))
    return float(np.sqrt(above[widest] * above[widest + 1])) if ratios[widest] >= APART else 0.0


def _usual(dark: Array) -> float:
    """The usual product, by the belt that blocked the eye: many short pulses make no usual product."""
    if not len(dark) or not dark.sum() > 0.0:
        return 0.0
    ordered = np.sort(dark)
    return float(ordered[np.searchsorted(np.cumsum(ordered), 0.5 * ordered.sum())])


def _joined(piece: list[_Run], place: Array, usual: float, apart: float) -> Iterator[list[_Run]]:
    whole: list[_Run] = []
    for run in piece:
        if whole and not _one(whole, run, place, usual, apart):
            yield whole
            whole = []
        whole.append(run)
    if whole:
        yield whole


def _one(whole: list[_Run], run: _Run, place: Array, usual: float, apart: float) -> bool:
    """Whether this blocked stretch belongs to what came before."""
    clear = place[run.first] - place[whole[-1].end]
    last, this = (place[r.end] - place[r.first] for r in (whole[-1], run))
    if clear >= apart:
        return False
    if min(last, this) < SHORT_PART * usual:
        return bool(clear < SHORT_PART * usual)
    length = place[run.end] - place[whole[0].first]
    return bool(length <= JOINED_PART * usual and max(last, this) < PIECE_PART * usual)


def _bounces(whole: list[_Run], edges: EyeEdges, found: dict[str, list[float]]) -> None:
    place = edges.travel
    lead, trail = float(place[whole[0].first]), float(place[whole[-1].end])
    middle = 0.5 * (lead + trail)
    for a, b in itertools.pairwise(whole):
        found["breaks"].append(float(place[b.first] - place[a.end]))
    early = [float(place[run.first]) - lead for run in whole[1:] if place[run.first] < middle]
    late = [trail - float(place[run.end]) for run in whole[:-1] if place[run.end] >= middle]
    if early:
        speed = float(edges.speed_counts_s[whole[0].first])
        found["lead_bounces"].append(early[-1])
        if speed > 0.0:
            found["lead_bounces_s"].append(early[-1] / speed)
    if late:
        found["trail_bounces"].append(late[0])
