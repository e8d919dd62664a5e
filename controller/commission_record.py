"""Keeping what a step of commissioning found, with the data it was computed from, in the line's job store."""

from __future__ import annotations

import math
from collections.abc import Mapping
from enum import Enum
from typing import Any

from controller.job_files import store_of
from controller.records.store import CommissioningResult, checksum
from controller.settings.line import LineConfig
from controller.settings.saved import text_of


def keep_result(
    config: LineConfig, step: str, *, who: str, wall_ns: int, result: Mapping[str, Any], raw: Mapping[str, Any]
) -> int:
    """Keep a step's result and its raw data with the checksum of the line's settings; the result's number.

    Both are JSON values or arrays; what is no finite number is kept as null. Raises StoreError, SettingsError.
    """
    settings_sha256 = checksum(text_of(config))
    return store_of(config.path, config.settings).add_result(
        step, who=who, wall_ns=wall_ns, result=_plain(result), raw=_plain(raw), settings_sha256=settings_sha256
    )


def results_of(config: LineConfig, step: str | None = None) -> list[tuple[CommissioningResult, bool]]:
    """What was found on the line, oldest first, each with whether its settings were those of now.

    Raises StoreError, SettingsError.
    """
    now = checksum(text_of(config))
    found = store_of(config.path, config.settings).results(step)
    return [(result, result.settings_sha256 == now) for result in found]


def _plain(value: Any) -> Any:
    if isinstance(value, Enum):
        return value.value
    if hasattr(value, "tolist"):  # an array, or a number of one; its library need not be loaded for what has none
        return _plain(value.tolist())
    if isinstance(value, Mapping):
        return {name: _plain(inner) for name, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(inner) for inner in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value
