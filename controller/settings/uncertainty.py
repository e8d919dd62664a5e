"""How well the figures of a line file are known: the section that a budget reads, with what it assumes where left out.

`within` is a bound either way ("± 1 mm"), `sd` a standard deviation that was found, from so many `readings`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, Self

from pydantic import Field, model_validator

from controller.settings.base import Strict, problem
from controller.settings.quantities import DurationS, LengthMm, PositiveLengthMm

if TYPE_CHECKING:
    from controller.commissioning.budget import Given, Source
    from controller.commissioning.uncertainty import Spread


class _Known(Strict):
    """What lengths and times share."""

    shape: Literal["rectangular", "triangular", "arcsine"] = Field(
        default="rectangular", description="how the values lie within the bounds; arcsine: mostly near them"
    )
    readings: int | None = Field(default=None, ge=2, le=1_000_000, description="how many the sd was found from")

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        within, sd = self._given()
        if (within is None) == (sd is None):
            raise problem("within", 'give within or sd, one of the two, e.g. { within = "1 mm" }')
        if sd is None and self.readings is not None:
            raise problem("readings", "goes with sd; remove it")
        if within is None and "shape" in self.model_fields_set:
            raise problem("shape", "goes with within; remove it")
        return self

    def _given(self) -> tuple[float | None, float | None]:
        raise NotImplementedError

    def spread(self) -> Spread:
        """Make it an error about zero, in mm, mm/mm or s."""
        # Loading a line must not wait for a library that only a budget needs.
        from controller.commissioning.uncertainty import Shape, Spread

        within, sd = self._given()
        if within is not None:
            return Spread.within(within, Shape(self.shape))
        if sd is None:
            raise ValueError("neither within nor sd is given")
        return Spread(sd) if self.readings is None else Spread.of_readings(sd, self.readings)


class LengthKnown(_Known):
    """How well a length is known."""

    within: LengthMm | None = Field(default=None, description="it lies within ± so much")
    sd: LengthMm | None = Field(default=None, description="its standard deviation; of a mean, that of the mean")

    def _given(self) -> tuple[float | None, float | None]:
        return self.within, self.sd


class ShareKnown(LengthKnown):
    """How well a ratio of lengths is known."""

    over: PositiveLengthMm = Field(default=1000.0, description="on so much belt")

    def _given(self) -> tuple[float | None, float | None]:
        return (
            None if self.within is None else self.within / self.over,
            None if self.sd is None else self.sd / self.over,
        )


class TimeKnown(_Known):
    """How well a time is known."""

    within: DurationS | None = Field(default=None, description="it lies within ± so much")
    sd: DurationS | None = Field(default=None, description="its standard deviation; of a mean, that of the mean")

    def _given(self) -> tuple[float | None, float | None]:
        return self.within, self.sd


class UncertaintySection(Strict):
    """How well the line's figures are known. What is left out is assumed, and a budget says so."""

    distance: LengthKnown | None = Field(default=None, description="from detector to marker, as measured")
    scale: ShareKnown | None = Field(default=None, description="belt for one count, as measured")
    slip: ShareKnown | None = Field(default=None, description="of the wheel on the belt, and the belt's own stretch")
    detector_response: TimeKnown | None = Field(default=None, description="of the eye's response, as it is set")
    detector_jitter: TimeKnown | None = Field(default=None, description="of the eye, edge by edge")
    marker_response: TimeKnown | None = Field(default=None, description="of the marker's response, as it is set")
    marker_jitter: TimeKnown | None = Field(default=None, description="of the marker, mark by mark")


def inputs_of(section: UncertaintySection) -> dict[Source, Given]:
    """The inputs of a budget: as the line file gives them, or assumed."""
    from controller.commissioning.budget import ASSUMED, Given, Source

    given: dict[Source, _Known | None] = {source: getattr(section, source) for source in Source}
    return {
        source: ASSUMED[source] if known is None else Given(known.spread(), False, f"uncertainty.{source}")
        for source, known in given.items()
    }
