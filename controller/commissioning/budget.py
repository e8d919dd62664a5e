"""The error budget of a mark's place: what each thing that is not known exactly contributes, and all together.

Rules of this file: pure. An error of an input is what it truly is less what the line is set to; positive in the result
is late, towards the trailing edge. What link and path do is drawn by `controller.promise`, through the code that
decides; what that leaves out (wheel, slip, distance, delays) comes here as inputs, and both are put together by the
rules of `uncertainty`. A known offset of the mean is stated apart as `bias_mm`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from controller.commissioning.uncertainty import (
    Drawn,
    Spread,
    combined,
    coverage_factor,
    effective_dof,
    monte_carlo,
    sensitivities,
)
from controller.needs import lever_mm
from controller.promise import Promise
from controller.spec import LineSpec

Array = NDArray[np.float64]

SEED = 21
NOISE = 4.0
"""A correlation of drawn terms below so many standard errors of none is taken for none."""


class Source(StrEnum):
    """The inputs of a budget beside link and path."""

    DISTANCE = "distance"
    SCALE = "scale"
    SLIP = "slip"
    DETECTOR_RESPONSE = "detector_response"
    DETECTOR_JITTER = "detector_jitter"
    MARKER_RESPONSE = "marker_response"
    MARKER_JITTER = "marker_jitter"


UNITS = {Source.DISTANCE: "mm", Source.SCALE: "mm/mm", Source.SLIP: "mm/mm"}
"""The unit of each input; that of the others is s."""
ORDER = tuple(Source)

_MEND = {
    Source.DISTANCE: "jog one product from the eye to the marker and read the travel, or correct it by a trial",
    Source.SCALE: "measure the wheel against a long taped piece of belt, several times, and state what came of it",
    Source.SLIP: "press the wheel on, keep it and the belt clean, or move the marker nearer to the eye",
    Source.DETECTOR_RESPONSE: "find it by a trial at two speeds and set detector.response, or run slower",
    Source.DETECTOR_JITTER: "a faster eye and a shorter input filter, or run slower",
    Source.MARKER_RESPONSE: "find it by a trial at two speeds and set the station's response, or run slower",
    Source.MARKER_JITTER: "measure it over some test marks and state it; a hardware trigger, or run slower",
}
_STEP, _ROUNDING = "edge within its count", "rounding to a whole count"
_MEND_PATH = {
    _STEP: "a finer encoder: more counts a turn, or a smaller wheel",
    _ROUNDING: "a finer encoder: more counts a turn, or a smaller wheel",
    "edge between two looks": "edges captured in hardware, or a faster scan",
    "the nearest scan": "a compare in the I/O side, or a faster scan",
}
_MEND_LINK = "a compare in the I/O side, or a faster and steadier link"


@dataclass(frozen=True, slots=True)
class Given:
    """How well one input is known; `assumed` where nobody said so. In the unit of its source."""

    spread: Spread
    assumed: bool
    says: str


def _assumed(half_width: float, says: str) -> Given:
    return Given(Spread.within(half_width), True, f"assumed: {says}")


ASSUMED = {
    Source.DISTANCE: _assumed(1.0, "within ± 1 mm, taped"),
    Source.SCALE: _assumed(0.001, "within ± 1 mm on 1 m, from the wheel's data"),
    Source.SLIP: _assumed(0.0005, "within ± 0.5 mm on 1 m"),
    Source.DETECTOR_RESPONSE: _assumed(0.0005, "within ± 0.5 ms of what is set"),
    Source.DETECTOR_JITTER: _assumed(0.0001, "within ± 0.1 ms"),
    Source.MARKER_RESPONSE: _assumed(0.001, "within ± 1 ms of what is set"),
    Source.MARKER_JITTER: _assumed(0.0005, "within ± 0.5 ms"),
}
"""What is reckoned with where nobody says how well an input is known (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Term:
    """One contribution to the budget.

    `u_mm` is what it contributes: |sensitivity| × the input's own standard uncertainty `u_input`, in `unit`.
    """

    name: str
    u_mm: float
    sensitivity: float
    u_input: float
    unit: str
    dof: float
    limit_mm: float
    assumed: bool
    says: str
    mend: str


@dataclass(frozen=True, slots=True)
class Budget:
    """The whole, in mm: terms with the greatest first, and what they come to about `bias_mm`."""

    station: str
    path: str
    speed_mm_s: float
    terms: tuple[Term, ...]
    correlated: bool
    bias_mm: float
    combined_mm: float
    dof: float
    factor: float
    expanded_95_mm: float
    worst_mm: float
    missed_share: float
    """Marks that come outside the permitted window and are not made; the budget is of the others."""
    drawn: Drawn

    @property
    def reach_mm(self) -> float:
        """How far from its place 95 % of the marks may be, the known offset of the mean included."""
        return abs(self.bias_mm) + self.expanded_95_mm

    def share(self, term: Term) -> float:
        """What part of the combined variance a term makes."""
        return (term.u_mm / self.combined_mm) ** 2 if self.combined_mm > 0.0 else 0.0

    def without(self, term: Term) -> float:
        """What the expanded uncertainty would be without a term, in mm."""
        left = max(0.0, self.combined_mm**2 - term.u_mm**2)
        return self.factor * math.sqrt(left)


def place_error_mm(errors: Array, speed_mm_s: float, lever: float) -> Array:
    """Where a mark lands, in mm late, for errors of the inputs in `ORDER` (last axis).

    The belt runs from edge to mark as many counts as were set: with a true scale or slip greater than set it runs
    further. A longer true distance leaves the mark short of its place; a delay that nobody took off makes it late.
    """
    distance, scale, slip = (errors[..., n] for n in range(3))
    ran: Array = lever * ((1.0 + scale) * (1.0 + slip) - 1.0)
    late: Array = ran - distance + speed_mm_s * errors[..., 3:].sum(axis=-1)
    return late


def budget(
    spec: LineSpec,
    station: int,
    promised: Promise,
    path_mm: Mapping[str, Array],
    inputs: Mapping[Source, Given],
    *,
    measured: bool,
) -> Budget:
    """Put a budget together for one station at the speed of `promised`.

    `path_mm` are the drawn parts that link and path have in each mark, by name, mark by mark the same; `inputs` are
    all others. `measured`: the link's figures were, and not assumed.
    """
    speed, lever = promised.speed_mm_s, lever_mm(spec.stations[station], spec.material)
    steps = [max(inputs[source].spread.u / 100.0, 1e-9) for source in ORDER]
    slopes = sensitivities(lambda at: place_error_mm(at, speed, lever), np.zeros(len(ORDER)), steps)[0]
    terms = [_input_term(source, inputs[source], float(c)) for source, c in zip(ORDER, slopes, strict=True)]
    terms += [_path_term(name, values, measured) for name, values in path_mm.items()]
    signed = np.array([math.copysign(t.u_mm, t.sensitivity) for t in terms])
    correlation = _correlation(len(ORDER), list(path_mm.values()))
    u = combined(signed, correlation)
    dof = effective_dof([t.u_mm for t in terms], [t.dof for t in terms], u)
    factor = coverage_factor(dof)
    path_sum = sum(path_mm.values(), np.zeros(1))

    def draw(chance: np.random.Generator, n: int) -> Array:
        errors = np.stack([inputs[source].spread.draw(chance, n) for source in ORDER], axis=-1)
        late: Array = place_error_mm(errors, speed, lever) + chance.choice(path_sum, n)
        return late

    return Budget(
        station=promised.station,
        path=f"{promised.path}, {promised.detector} edges",
        speed_mm_s=speed,
        terms=tuple(sorted(terms, key=lambda t: -t.u_mm)),
        correlated=bool(np.count_nonzero(correlation) > len(terms)),
        bias_mm=promised.bias_mm,
        combined_mm=u,
        dof=dof,
        factor=factor,
        expanded_95_mm=factor * u,
        worst_mm=promised.worst_mm + sum(t.limit_mm for t in terms[: len(ORDER)]),
        missed_share=promised.missed_share,
        drawn=monte_carlo(draw, np.random.default_rng(SEED)),
    )


def _input_term(source: Source, given: Given, sensitivity: float) -> Term:
    spread = given.spread
    return Term(
        name=source.replace("_", " "),
        u_mm=abs(sensitivity) * spread.u,
        sensitivity=sensitivity,
        u_input=spread.u,
        unit=UNITS.get(source, "s"),
        dof=spread.dof,
        limit_mm=abs(sensitivity) * spread.limit,
        assumed=given.assumed,
        says=given.says,
        mend=_MEND[source],
    )


def _path_term(name: str, values_mm: Array, measured: bool) -> Term:
    u, of_counter = _sd(values_mm), name in (_STEP, _ROUNDING)
    says = "the encoder's step" if of_counter else "the link as it was measured" if measured else "assumed of the link"
    return Term(
        name="count step" if name == _STEP else name,
        u_mm=u,
        sensitivity=1.0,
        u_input=u,
        unit="mm",
        dof=math.inf,
        limit_mm=float(np.abs(values_mm).max()),
        assumed=not (measured or of_counter),
        says=says,
        mend=_MEND_PATH.get(name, _MEND_LINK),
    )


def _sd(values_mm: Array) -> float:
    """The standard deviation; what only the summing up leaves of a constant is none."""
    sd = float(values_mm.std())
    return sd if sd > 1e-9 else 0.0


def _correlation(inputs: int, path_mm: list[Array]) -> Array:
    """The correlation of all terms: the inputs hang on nothing else, terms of the path may hang on one another."""
    whole = np.eye(inputs + len(path_mm))
    varying = [n for n, values in enumerate(path_mm) if _sd(values)]
    if len(varying) > 1:
        found = np.corrcoef([path_mm[n] for n in varying])
        found[np.abs(found) < NOISE / math.sqrt(len(path_mm[0]))] = 0.0
        places = [inputs + n for n in varying]
        whole[np.ix_(places, places)] = found
        np.fill_diagonal(whole, 1.0)
    return whole


def biggest_text(found: Budget, length: str, without: str) -> str:
    """The biggest term and what would shrink it, in words; the lengths are how the user reads them."""
    term = found.terms[0]
    if term.u_mm == 0.0:
        return "nothing is uncertain"
    assumed = ", which is assumed and not measured" if term.assumed else ""
    return (
        f"{term.name}{assumed}. It makes {found.share(term):.0%} of the variance; to shrink it: {term.mend}. "
        f"Without it ± {length} would be ± {without}"
    )
