"""Reading a TOML file into a model, and telling what is wrong with it in one line.

A problem reads "FILE: where.key: what; how to mend it". Entries of a list are counted from one: `stations#1.distance`.
"""

from __future__ import annotations

import difflib
import json
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any, TypeVar, get_args, get_origin

from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails, PydanticCustomError

from controller.settings.quantities import Quantity


class Strict(BaseModel):
    """The base of every settings model: unknown keys refused, nothing coerced, nothing changed afterwards."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False, str_strip_whitespace=True)


Model = TypeVar("Model", bound=Strict)


class SettingsError(Exception):
    """The configuration cannot be used. Its text is one line; `all_lines` has every problem found."""

    def __init__(self, file: Path | str, problems: Sequence[tuple[str, str]]) -> None:
        """Take the file and (where, what) pairs; an empty `where` means the file as a whole."""
        self.file = Path(file)
        self.problems = tuple(problems)
        more = len(self.problems) - 1
        super().__init__(self.all_lines()[0] + (f" (and {more} more)" if more > 0 else ""))

    def all_lines(self) -> list[str]:
        """Every problem, one line each."""
        return [": ".join(p for p in (str(self.file), where, _one_line(what)) if p) for where, what in self.problems]


def problem(key: str, text: str) -> PydanticCustomError:
    """An error for a model's validator to raise when several keys together are wrong; `key` is the one to name."""
    return PydanticCustomError("setting", "{text}", {"text": text, "key": key})


def load_toml(path: Path | str, model: type[Model]) -> Model:
    """Read a TOML file into the model. Raises SettingsError for whatever is wrong with the file or in it."""
    file = Path(path)
    return check(file, _parse(file, _read(file)), model)


def check(file: Path, data: dict[str, Any], model: type[Model]) -> Model:
    """Validate what was read from the file. Raises SettingsError."""
    try:
        # By way of JSON: strict there means no coercion, and still takes arrays and the names of choices.
        return model.model_validate_json(json.dumps(data, default=str))
    except ValidationError as error:
        # Unknown keys first: a misspelt one is also the reason why another is missing.
        found = sorted(error.errors(include_url=False), key=lambda e: e["type"] != "extra_forbidden")
        raise SettingsError(file, [_explain(e, model) for e in found]) from None


def _read(file: Path) -> str:
    try:
        if file.is_dir():
            raise SettingsError(file, [("", "is a directory; name the TOML file in it")])
        if file.exists() and not file.is_file():
            raise SettingsError(file, [("", "is not a plain file; name a TOML file")])
        raw = file.read_bytes()
    except FileNotFoundError:
        near = difflib.get_close_matches(file.name, _neighbours(file), n=1)
        hint = f"did you mean {file.parent / near[0]}?" if near else "check the path"
        raise SettingsError(file, [("", f"no such file; {hint}")]) from None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise SettingsError(file, [("", f"cannot be read ({reason}); check the path and its permissions")]) from None
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise SettingsError(file, [("", f"is not UTF-8 text (line {line}); save it as UTF-8")]) from None


def _neighbours(file: Path) -> list[str]:
    try:
        return [p.name for p in file.parent.iterdir() if p.suffix == ".toml"]
    except OSError:
        return []


def _parse(file: Path, text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        lines = text.splitlines() or [""]
        what = str(error).replace("at end of document", f"at line {len(lines)}, column {len(lines[-1]) + 1}")
        raise SettingsError(file, [("", f"TOML syntax: {what}; mend it there")]) from None
    except RecursionError:
        raise SettingsError(file, [("", "TOML syntax: nested too deeply; write it flat")]) from None


def _one_line(text: str) -> str:
    return " ".join(text.split())


def where_text(loc: Sequence[str | int]) -> str:
    """A place in the file as people write it: keys joined by dots, list entries counted from one."""
    text = ""
    for step in loc:
        text += f"#{step + 1}" if isinstance(step, int) else f".{step}" if text else str(step)
    return text


def _explain(error: ErrorDetails, model: type[BaseModel]) -> tuple[str, str]:
    loc, kind, ctx = error["loc"], error["type"], error.get("ctx", {})
    where = where_text(loc)
    if kind == "setting":
        return where_text((*loc, ctx["key"]) if ctx["key"] else loc), ctx["text"]
    if kind == "value_error":
        return where, str(ctx["error"])
    if kind == "extra_forbidden":
        return where, f"unknown key; {_right_names(str(loc[-1]), _model_at(model, loc[:-1]))}"
    if kind == "missing":
        example = _example(_field_at(model, loc))
        return where, "is missing; " + (f'write e.g. {loc[-1]} = "{example}"' if example else "add it")
    if kind in ("enum", "literal_error"):
        given = error["input"]
        expected = str(ctx["expected"])
        choices = [w.strip(" '") for w in expected.replace(" or ", ",").split(",")]
        near = difflib.get_close_matches(str(given), choices, n=1)
        hint = f'did you mean "{near[0]}"?' if near else "choose one"
        return where, f"{given!r} is not one of {expected}; {hint}"
    if kind in ("list_type", "tuple_type") and isinstance(error["input"], dict):
        return where, f"is one table, and there may be several; write [[{loc[-1]}]]"
    given = _one_line(repr(error["input"]))
    wanted = _PLAIN.get(kind) or error["msg"].removeprefix("Input should ").removeprefix("be ").lower()
    return where, f"{given if len(given) <= 60 else given[:57] + '…'} is not accepted; wanted: {wanted}"


_PLAIN = {
    "string_type": 'text in quotes, e.g. "abc"',
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "float_type": "a number",
    "bool_type": "true or false",
    "list_type": "a list in brackets [ ]",
    "tuple_type": "a list in brackets [ ]",
    "dict_type": "a section",
    "model_type": "a section",
    "model_attributes_type": "a section",
    "too_short": "at least one",
    "string_too_short": "at least one character",
}
"""What the validating library calls by its own words, said plainly."""


def _right_names(given: str, model: type[BaseModel] | None) -> str:
    names = [field.alias or name for name, field in model.model_fields.items()] if model is not None else []
    near = difflib.get_close_matches(given, names, n=1, cutoff=0.6)
    if near:
        return f'did you mean "{near[0]}"?'
    return f"known here: {', '.join(names)}" if names else "remove it"


def _field_at(model: type[BaseModel], loc: Sequence[str | int]) -> FieldInfo | None:
    owner = _model_at(model, loc[:-1])
    if owner is None or not loc:
        return None
    return next((f for n, f in owner.model_fields.items() if loc[-1] in (n, f.alias)), None)


def _model_at(model: type[BaseModel], loc: Sequence[str | int]) -> type[BaseModel] | None:
    """The model that a place in the file belongs to; None where it is no model's."""
    here: Any = model
    for step in loc:
        if isinstance(here, type) and issubclass(here, BaseModel):
            field = next((f for n, f in here.model_fields.items() if step in (n, f.alias)), None)
            here = _item(field.annotation) if field is not None else here  # a union's tag in the path is no key
    return here if isinstance(here, type) and issubclass(here, BaseModel) else None


def _item(annotation: Any) -> Any:
    """The model inside Optional, list, tuple, dict or Annotated; the annotation itself where there is none."""
    if isinstance(annotation, type) and get_origin(annotation) is None:
        return annotation
    inner = [_item(arg) for arg in get_args(annotation)]
    return next((i for i in inner if isinstance(i, type) and issubclass(i, BaseModel)), None)


def _example(field: FieldInfo | None) -> str | None:
    if field is None:
        return None
    quantity = next((m for m in field.metadata if isinstance(m, Quantity)), None)
    return quantity.kind.example if quantity is not None else None
