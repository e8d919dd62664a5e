"""JSON Schemas of the files, for editors that complete and check while one writes."""

from __future__ import annotations

from typing import Any

from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

from controller.settings.base import Strict
from controller.settings.job import JobSettings
from controller.settings.line import LineSettings
from controller.units import show


class _WithUnits(GenerateJsonSchema):
    """Writes the default of a quantity as one writes it in the file, with its unit."""

    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        made = super().default_schema(schema)
        unit, default = made.get("x-quantity"), made.get("default")
        if isinstance(unit, str) and isinstance(default, float):
            made["default"] = show(default, unit.replace("^2", "²"))
        return made


def line_schema() -> dict[str, Any]:
    """Make the JSON Schema (draft 2020-12) of a line file."""
    return make_schema(LineSettings, "A beltcue line")


def job_schema() -> dict[str, Any]:
    """Make the JSON Schema (draft 2020-12) of a job file."""
    return make_schema(JobSettings, "A beltcue job")


def make_schema(model: type[Strict], title: str) -> dict[str, Any]:
    """Make the JSON Schema of a settings model."""
    made = model.model_json_schema(schema_generator=_WithUnits)
    return {"$schema": GenerateJsonSchema.schema_dialect, **made, "title": title}
