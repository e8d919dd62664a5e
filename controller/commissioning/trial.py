"""The trial at several speeds: from where the marks landed to what is wrong, what to change, and what is not known.

A mark's error is e = a + τ·v + s·(distance + offset): a wrong distance a, what is left of a delay τ after the
configured responses are made up for, a scale that is wrong by s. Positive is towards the trailing edge; s is positive
where a count is really more belt than the line says. With one distance s and a cannot be told apart: what stands for a
is then their sum at that distance, and s is unknown. Lengths tell s only of a marker that paces itself from the same
count. Pure.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from controller.commissioning.correction import Correction, correct, fit_marks
from controller.commissioning.fit_checks import groups_of, hidden_by_step, lack_of_fit, outliers, unequal_scatter_p
from controller.commissioning.least_squares import Block, Fit, rank, student, tells
from controller.commissioning.mark_length import Length, Owner, look
from controller.commissioning.trial_data import AtSpeed, Interval, Marks, Mean, Predicted, Setup, Term, Trial, Why
from controller.commissioning.uncertainty import Array, Spread

SAME_DISTANCE = 0.005
"""Distances closer than this part of them are one."""
UNEQUAL_CHANCE = 0.05
"""How often scatter that is the same at all speeds may be taken for unequal."""
LEAST_SD_MM = 1e-6
"""No scatter is less than this: below it is only the rounding of numbers."""
AGREE = 0.999
"""Two ways to one scale do not agree where so wide intervals, taken together, do not meet."""
LEAST_REPEATS = 4
"""Marks at each speed that its own scatter can be told from."""


def analyse(marks: Marks, setup: Setup) -> Trial:
    """Judge a trial. Raises ValueError, in one line, for marks that are too few or all the same."""
    marks = _at_line_distance(marks, setup)
    _refuse_poor(marks)
    length = _length(marks, setup)
    scales = _length_block(marks, length)
    design, columns, unknown = _model(marks, setup, scales)
    least_sd = max(Spread.of_step(marks.position_step_mm).u, LEAST_SD_MM)
    errors = marks.position_mm - setup.offset_mm
    if len(errors) <= rank(design[:, columns]):
        raise ValueError(
            f"{len(errors)} marks for {rank(design[:, columns])} unknowns leave nothing to tell the scatter from; "
            "measure several marks at each speed"
        )
    out = outliers(_independent(design[:, columns]), errors, groups_of(marks.speed_mm_s), least_sd=least_sd)
    kept = np.setdiff1d(np.arange(len(errors)), out)
    kept_marks = _only(marks, kept)
    if _model(kept_marks, setup, scales)[1] != columns:
        out, kept, kept_marks = [], np.arange(len(errors)), marks  # what tells the unknowns apart is not left out
    blocks = _position_blocks(design[kept], columns, errors[kept], kept_marks, least_sd, setup)
    apart = _apart(blocks, scales, columns)
    judge = _Judge(blocks, None if apart else scales, columns, unknown, kept_marks, setup, least_sd)
    return judge.trial(length, [int(i) for i in out], apart)


_ALL = (Term.DISTANCE, Term.DELAY, Term.SCALE)


def _only(marks: Marks, kept: Array) -> Marks:
    return replace(
        marks,
        speed_mm_s=marks.speed_mm_s[kept],
        position_mm=marks.position_mm[kept],
        length_mm=None if marks.length_mm is None else marks.length_mm[kept],
        distance_mm=None if marks.distance_mm is None else marks.distance_mm[kept],
    )


def _at_line_distance(marks: Marks, setup: Setup) -> Marks:
    """Take one distance that is the line's, but for how it was read, for the line's own."""
    given = marks.distance_mm
    if given is not None and groups_of(given, SAME_DISTANCE).max() > 0:
        return marks
    if given is None or abs(float(np.mean(given)) - setup.distance_mm) <= 2.0 * SAME_DISTANCE * setup.distance_mm:
        return replace(marks, distance_mm=np.full(len(marks.position_mm), setup.distance_mm))
    return marks


def _refuse_poor(marks: Marks) -> None:
    places = marks.position_mm
    if len(places) < 2:
        raise ValueError(f"{len(places)} mark is too few for any unknown; measure several marks at two or more speeds")
    if len(places) > 2 and np.ptp(places) == 0.0:
        raise ValueError(
            f"all {len(places)} marks stand at the same position, as no real marks do: measure each one, in steps fine "
            "enough to show their scatter"
        )


def _length(marks: Marks, setup: Setup) -> Length | None:
    """Judge the lengths where two or more were measured and there is a design to hold them against."""
    if marks.length_mm is None or setup.design_length_mm is None:
        return None
    there = np.isfinite(marks.length_mm)
    if there.sum() < 2:
        return None
    found = look(
        marks.length_mm[there], marks.speed_mm_s[there], setup.design_length_mm, setup.pacing,
        Spread.of_step(marks.length_step_mm).u,
    )  # fmt: skip
    whole = np.zeros(len(there), bool)
    whole[there] = found.whole
    return replace(found, whole=tuple(bool(w) for w in whole))


def _model(marks: Marks, setup: Setup, scales: Block | None) -> tuple[Array, list[int], dict[Term, Why]]:
    """Give the design (distance, delay, scale), the columns to fit, and what cannot be known and why."""
    assert marks.distance_mm is not None
    reach = marks.distance_mm + setup.offset_mm
    design = np.column_stack([np.ones_like(reach), marks.speed_mm_s, reach])
    # Repeats that differ by how they were read tell nothing apart.
    speeds, distances = groups_of(marks.speed_mm_s), groups_of(marks.distance_mm, SAME_DISTANCE)
    told = np.column_stack([np.ones_like(reach), _means(marks.speed_mm_s, speeds), _means(reach, distances)])
    if scales is not None:
        told = np.vstack([told, scales.design[:1]])
    unknown: dict[Term, Why] = {}
    one_speed, one_distance = speeds.max() == 0, distances.max() == 0
    why = Why.ONE_SPEED if one_speed else Why.ONE_DISTANCE if one_distance else Why.TOGETHER
    for number, term in enumerate(_ALL):
        if not tells(told, np.eye(3)[number]):
            unknown[term] = Why.ONE_DISTANCE if term is Term.SCALE and one_distance else why
    if Term.DISTANCE in unknown and Term.DELAY not in unknown and one_distance:
        # The sum of both at this distance is what a correction of the distance there takes away.
        del unknown[Term.DISTANCE]
    columns = [0] + [n for n in (1, 2) if _ALL[n] not in unknown]
    if Term.DELAY in unknown and Term.SCALE in unknown and not one_speed:
        columns.append(1)  # speed and distance together: any one of them carries both
    return design, columns, unknown


def _means(values: Array, groups: Array) -> Array:
    return np.array([values[groups == g].mean() for g in groups])


def _independent(design: Array) -> Array:
    """The columns of a design without those that the ones before make up."""
    kept: list[int] = []
    for n in range(design.shape[1]):
        if rank(design[:, [*kept, n]]) > len(kept):
            kept.append(n)
    return design[:, kept]


def _length_block(marks: Marks, length: Length | None) -> Block | None:
    """The lengths of whole marks as values of the scale."""
    if length is None or length.owner is not Owner.SCALE or marks.length_mm is None:
        return None
    over = marks.length_mm[np.array(length.whole)] - length.design_mm
    if len(over) < 2:
        return None
    rows = np.tile([0.0, 0.0, length.design_mm], (len(over), 1))
    return Block.of(rows, over, least_sd=max(Spread.of_step(marks.length_step_mm).u, LEAST_SD_MM))


def _position_blocks(
    design: Array, columns: list[int], errors: Array, marks: Marks, least_sd: float, setup: Setup
) -> list[Block]:
    """The positions as one block, or as one for each speed where their scatter differs beyond chance.

    All positions weigh alike then too; only the uncertainty is reckoned from each speed's own scatter.
    """
    assert marks.distance_mm is not None
    groups, alike = groups_of(marks.speed_mm_s), groups_of(marks.distance_mm, SAME_DISTANCE)
    if setup.response_s > 0.0:
        # What is made up for goes with the speed, and so does what rounding leaves.
        alike = alike + 1000.0 * groups
    # Rounding to whole counts shifts all marks at one distance alike, by up to half a count either way.
    count_sd = Spread.of_step(setup.count_mm).u
    if hidden_by_step(marks.position_mm, _cells(marks), marks.position_step_mm):
        alike, count_sd = _cells(marks), float(np.hypot(count_sd, Spread.of_step(marks.position_step_mm).u))
    fitted = _independent(design[:, columns])
    left = errors - fitted @ np.linalg.lstsq(fitted, errors, rcond=None)[0]
    kinds = [groups == g for g in np.unique(groups)]
    repeated = len(kinds) > 1 and all(k.sum() >= LEAST_REPEATS for k in kinds)
    if not repeated or unequal_scatter_p([left[k] for k in kinds], least_sd) > UNEQUAL_CHANCE:
        return [Block(design, errors, None, least_sd, alike, count_sd)]
    sd = max(float(np.linalg.norm(left)) / (len(left) - fitted.shape[1]) ** 0.5, least_sd)
    return [Block(design[k], errors[k], None, least_sd, alike[k], count_sd, sd) for k in kinds]


def _cells(marks: Marks) -> Array:
    """Number the marks that are repeats of one another: of one speed and one distance."""
    assert marks.distance_mm is not None
    return groups_of(marks.speed_mm_s) * 1000.0 + groups_of(marks.distance_mm, SAME_DISTANCE)


def _apart(positions: list[Block], scales: Block | None, columns: list[int]) -> tuple[Interval, Interval] | None:
    """The scale's error by positions and by lengths, where both tell it and they do not agree; else None."""
    row = np.eye(3)[2]
    if scales is None or not tells(np.concatenate([b.design for b in positions]), row):
        return None
    own = row[columns]
    by_place, by_length = fit_marks(positions, None, columns), fit_marks([scales], None, [2])
    found = [Interval(f.value(r), f.half_width(r, AGREE)) for f, r in ((by_place, own), (by_length, np.ones(1)))]
    both = (found[0].half_width ** 2 + found[1].half_width ** 2) ** 0.5
    return (found[0], found[1]) if abs(found[0].value - found[1].value) > both else None


class _Judge:
    """From the blocks of a trial to what it says."""

    def __init__(
        self, blocks: list[Block], scales: Block | None, columns: list[int], unknown: dict[Term, Why], marks: Marks,
        setup: Setup, least_sd: float,
    ) -> None:  # fmt: skip
        self._blocks, self._scales, self._columns, self._unknown = blocks, scales, columns, unknown
        self._marks, self._setup, self._least_sd = marks, setup, least_sd
        self._fit: Fit = fit_marks(blocks, scales, columns)
        parts = self._fit.parts[: len(blocks)]
        self._dof = float(sum(p.dof for p in parts))
        self._sd = float((sum(p.dof * p.sd**2 for p in parts) / self._dof) ** 0.5)
        self._told = np.concatenate([b.design for b in ([*blocks] if scales is None else [*blocks, scales])])

    def trial(self, length: Length | None, out: list[int], apart: tuple[Interval, Interval] | None) -> Trial:
        """Say all."""
        setup, columns, tolerance_mm = self._setup, self._columns, self._setup.tolerance_mm
        correction = correct(
            self._blocks,
            self._scales,
            columns,
            self._unknown.keys(),
            setup.response_s,
            setup.distance_mm,
        )

        def predict(speed_mm_s: float) -> Predicted | None:
            return self._predicted(speed_mm_s, correction)

        predicted = [p for v in (setup.lowest_mm_s, setup.highest_mm_s) if (p := predict(v))]
        whole = len(predicted) == 2
        return Trial(
            terms={
                _ALL[number]: Interval(self._fit.value(row), self._fit.half_width(row))
                for row, number in zip(np.eye(len(columns)), columns, strict=True)
                if _ALL[number] not in self._unknown
            },
            unknown=self._unknown,
            standstill=None if (still := self._at(0.0)) is None else still.interval(),
            scatter_mm=self._sd,
            scatter_dof=self._dof,
            by_speed=self._by_speed(),
            unequal=len(self._blocks) > 1,
            lack_of_fit_p=self._lack_of_fit_p(),
            outliers=out,
            length=length,
            scales_apart=apart,
            correction=correction,
            mean=self._at,
            predict=predict,
            predicted=predicted,
            within_tolerance=all(p.now.within(tolerance_mm) for p in predicted) if whole else None,
            within_after=all(p.after.within(tolerance_mm) for p in predicted) if whole else None,
        )

    def _at(self, speed_mm_s: float, less: Correction | None = None) -> Mean | None:
        """The mean error at the line's distance and a speed, less a correction; None where the marks do not tell it."""
        row = np.array([1.0, speed_mm_s, self._setup.distance_mm + self._setup.offset_mm])
        speeds = self._marks.speed_mm_s
        if not tells(self._told, row) or (
            groups_of(speeds).max() == 0 and groups_of([float(speeds.mean()), speed_mm_s]).max() > 0
        ):
            return None
        # A column that is not fitted is made up by those that are: with one distance its share is in the first.
        part = row[self._columns]
        gone = 0.0 if less is None else float(part @ less.in_columns(self._columns))
        return Mean(self._fit.value(part) - gone, self._fit.u(part), self._fit.dof(part))

    def _predicted(self, speed_mm_s: float, correction: Correction | None) -> Predicted | None:
        now, after = self._at(speed_mm_s), self._at(speed_mm_s, correction)
        if now is None or after is None:
            return None
        mark_half_width = student(now.dof) * (now.u_mm**2 + self._sd**2) ** 0.5
        return Predicted(speed_mm_s, now.interval(), after.interval(), mark_half_width)

    def _lack_of_fit_p(self) -> float | None:
        """Test it with the residuals in units of their scatter where that differs between speeds."""
        unequal, marks = len(self._blocks) > 1, self._marks
        groups, cells = groups_of(marks.speed_mm_s), _cells(marks)
        least_sd = self._least_sd
        if hidden_by_step(marks.position_mm, cells, marks.position_step_mm):
            # Rounding that moves all repeats alike is no lack of fit.
            least_sd *= (len(cells) / len(np.unique(cells))) ** 0.5
        residuals = self._fit.residuals[: len(self._blocks)]
        if unequal:
            left = np.concatenate([r / p.sd for r, p in zip(residuals, self._fit.parts, strict=False)])
            cells = np.concatenate([cells[groups == g] for g in np.unique(groups)])
        else:
            left = residuals[0]
        unknowns = rank(np.concatenate([b.design for b in self._blocks])[:, self._columns])
        found = lack_of_fit(left, cells, unknowns, 0.0 if unequal else least_sd)
        return None if found is None else found.p

    def _by_speed(self) -> list[AtSpeed]:
        marks, groups = self._marks, groups_of(self._marks.speed_mm_s)
        errors = marks.position_mm - self._setup.offset_mm
        made = []
        for g in np.unique(groups):
            here = errors[groups == g]
            scatter = float(np.std(here, ddof=1)) if len(here) > 1 else 0.0
            made.append(AtSpeed(float(marks.speed_mm_s[groups == g].mean()), len(here), float(here.mean()), scatter))
        return made
