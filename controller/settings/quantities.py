"""Types for settings with a unit: text in the file, a plain float in mm, mm/s, s, mm/s² or Hz after validation."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, core_schema

from controller.units import PATTERN, Kind, parse


@dataclass(frozen=True, slots=True)
class Quantity:
    """Marks a float as read from text with a unit; `signed` allows negative values, `zero` allows 0."""

    kind: Kind
    signed: bool = False
    zero: bool = True

    def read(self, value: object) -> float:
        """The value in our unit. Raises ValueError with what is wrong and an example."""
        number = parse(value, self.kind)
        if number < 0 and not self.signed:
            least = "0 or more" if self.zero else "more than 0"
            raise ValueError(f'{value!r} is negative; write {least}, e.g. "{self.kind.example}"')
        if number == 0 and not self.zero:
            raise ValueError(f'{value!r} is zero; write more than 0, e.g. "{self.kind.example}"')
        return number

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_before_validator_function(self.read, handler(source))

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        sign = "" if self.signed else " Not negative." if self.zero else " More than 0."
        return {
            "type": "string",
            "pattern": PATTERN,
            "examples": [self.kind.example],
            "description": f"{self.kind.noun.capitalize()} with its unit.{sign}",
            "x-quantity": self.kind.base,
        }


LengthMm = Annotated[float, Quantity(Kind.LENGTH)]
PositiveLengthMm = Annotated[float, Quantity(Kind.LENGTH, zero=False)]
SignedLengthMm = Annotated[float, Quantity(Kind.LENGTH, signed=True)]
SpeedMmS = Annotated[float, Quantity(Kind.SPEED)]
PositiveSpeedMmS = Annotated[float, Quantity(Kind.SPEED, zero=False)]
SignedSpeedMmS = Annotated[float, Quantity(Kind.SPEED, signed=True)]
DurationS = Annotated[float, Quantity(Kind.TIME)]
PositiveDurationS = Annotated[float, Quantity(Kind.TIME, zero=False)]
AccelMmS2 = Annotated[float, Quantity(Kind.ACCELERATION)]
PositiveFrequencyHz = Annotated[float, Quantity(Kind.FREQUENCY, zero=False)]
PositiveAccelMmS2 = Annotated[float, Quantity(Kind.ACCELERATION, zero=False)]
