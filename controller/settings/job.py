"""The job file: what is marked on the product, station by station."""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Sequence
from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from controller.settings.base import Strict, problem
from controller.settings.quantities import LengthMm, PositiveLengthMm
from controller.spec import Grid, MarkPlan, Material, PlanEdge


def _count(value: object) -> object:
    if value == "continuous" or (isinstance(value, int) and not isinstance(value, bool) and 1 <= value <= 100_000):
        return value
    raise ValueError(f'{value!r} is no number of marks; write 1 to 100000, or "continuous"')


Count = Annotated[Annotated[int, Field(ge=1, le=100_000)] | Literal["continuous"], BeforeValidator(_count)]


class PlanSettings(Strict):
    """Where one station puts its marks on a product."""

    station: str | None = Field(default=None, description="the station's name; needed where the line has several")
    edge: PlanEdge = Field(default=PlanEdge.LEADING, description="the product edge that positions count from")
    offset: LengthMm = Field(default=0.0, description="first mark's place from the edge, into the product")
    pitch: LengthMm = Field(default=0.0, description="from one mark to the next, where there are several")
    count: Count = Field(default=1, description='how many marks, or "continuous" while material lasts')
    length: LengthMm = Field(default=0.0, description="length of one mark along the belt")
    tolerance: PositiveLengthMm = Field(default=1.5, description="a mark may be so far from its place either way")
    keep_on_product: bool = Field(default=False, description="do not make a mark that would run off the trailing edge")

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.count != 1:
            if self.pitch == 0:
                raise problem("pitch", f'is missing for count = {self.count!r}; write e.g. pitch = "50 mm"')
            if self.pitch < self.length:
                raise problem("pitch", "is shorter than the mark's length, so marks would overlap; make it longer")
        if self.edge is PlanEdge.TRAILING and self.keep_on_product and self.offset < self.length:
            raise problem(
                "offset",
                "is shorter than the mark's length, so that every mark would run off the trailing edge; "
                "make offset at least length, or keep_on_product = false",
            )
        return self

    def plan(self) -> MarkPlan:
        """Make the plan as the decision core takes it."""
        count = None if isinstance(self.count, str) else self.count
        return MarkPlan(self.edge, self.offset, self.pitch, count, self.length, self.keep_on_product)


class JobSettings(Strict):
    """A job: its name and number, the material, and a mark plan for each station."""

    name: str = Field(min_length=1, max_length=80, description="the job's name, for people")
    number: int = Field(default=0, ge=0, le=65535, description="the number by which the marker knows the job")
    material: Material = Field(default=Material.DISCRETE, description="separate products, or an endless web")
    grid: Grid = Field(default=Grid.EDGE, description="on a web: where the grid of marks begins")
    plans: list[PlanSettings] = Field(min_length=1, description="one mark plan for each station")

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.material is Material.DISCRETE and self.grid is not Grid.EDGE:
            raise problem("grid", 'is for a web; remove it, or write material = "web"')
        if self.material is Material.WEB:
            for number, plan in enumerate(self.plans, start=1):
                if plan.edge is PlanEdge.TRAILING:
                    raise problem(f"plans#{number}.edge", 'a web has no trailing edge; write edge = "leading"')
        return self


def plan_of(station: str, plans: list[PlanSettings]) -> PlanSettings:
    """The plan of a station; there is one."""
    return next(plan for plan in plans if plan.station in (None, station))


def plan_problems(names: Sequence[str], plans: list[PlanSettings]) -> Iterator[tuple[str, str]]:
    """What of a job's plans does not go with a line that has stations of these names: (where, what) each."""
    seen: list[str | None] = []
    for number, plan in enumerate(plans, start=1):
        where = f"plans#{number}.station"
        if plan.station is None and len(names) > 1:
            yield where, f'is missing; the line has several stations: write e.g. station = "{names[0]}"'
        elif plan.station is not None and plan.station not in names:
            near = difflib.get_close_matches(plan.station, names, n=1, cutoff=0.0)
            yield where, f'the line has no station "{plan.station}"; did you mean "{near[0]}"?'
        elif plan.station in seen or (seen and len(names) == 1):
            yield where, "is a second plan for the same station; keep one"
        seen.append(plan.station)
    for name in names:
        if name not in seen and None not in seen:
            yield "plans", f'no plan for station "{name}"; add [[plans]] with station = "{name}"'
