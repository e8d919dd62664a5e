from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path
from typing import Any

from controller.settings.job import JobSettings
from controller.settings.line import LineSettings
from controller.settings.schema import job_schema, line_schema

CONFIG = Path(__file__).parents[2] / "config"


def resolve(schema: dict[str, Any], node: dict[str, Any]) -> dict[str, Any]:
    return schema["$defs"][node["$ref"].rsplit("/", 1)[1]] if "$ref" in node else node


def test_schemas_are_json_and_know_every_key() -> None:
    for schema, model in ((line_schema(), LineSettings), (job_schema(), JobSettings)):
        json.dumps(schema, allow_nan=False)
        assert set(schema["properties"]) == set(model.model_fields)
        assert schema["additionalProperties"] is False
        assert schema["$schema"].startswith("https://json-schema.org/")


def test_a_quantity_is_text_with_a_pattern_and_its_default_has_a_unit() -> None:
    schema = line_schema()
    link = resolve(schema, schema["properties"]["link"])
    timeout = link["properties"]["timeout"]
    assert timeout["type"] == "string"
    assert timeout["default"] == "0.1 s"
    assert re.search(timeout["pattern"], "5 ms")
    assert re.search(timeout["pattern"], "5") is None
    assert "default" not in resolve(schema, schema["properties"]["line"])["properties"]["top_speed"]


def test_every_default_of_a_quantity_is_what_the_schema_takes() -> None:
    for schema in (line_schema(), job_schema()):
        found = [p for d in schema["$defs"].values() for p in d.get("properties", {}).values() if "x-quantity" in p]
        assert found
        for entry in found:
            if "default" in entry:
                assert re.search(entry["pattern"], entry["default"]), entry


def test_the_patterns_take_what_the_examples_write() -> None:
    schema = line_schema()
    written = tomllib.loads((CONFIG / "demo-line.toml").read_text(encoding="utf-8"))
    checked = 0
    for section, keys in written.items():
        node = schema["properties"][section]
        model = resolve(schema, node.get("items", node))
        for entry in keys if isinstance(keys, list) else [keys]:
            for key, value in entry.items():
                form = model.get("properties", {}).get(key, {})
                form = next((f for f in form.get("anyOf", []) if "pattern" in f), form)
                if "pattern" in form:
                    assert re.search(form["pattern"], value), (section, key)
                    checked += 1
    assert checked >= 15
