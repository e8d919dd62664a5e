"""Every value of an exchange by its point's name: what a check of the wiring looks at, wherever each stands.

Names are those of the line's file: words as "belt_count", bits as "bits.marker_ready", rings as "captures.0.count",
further stations as "station.1.armed", and of the command "command.heartbeat" and "control.enable".
"""

from __future__ import annotations

from dataclasses import dataclass

from controller.layout import COMMAND_WORDS, STATION_WORDS, STATUS_WORDS, flag_name
from controller.model import Forced
from controller.registers import Command, ControlBit, Status, StatusBit


@dataclass(frozen=True, slots=True)
class Look:
    """What is known of a line's points at the instant `t_ns`."""

    t_ns: int
    values: dict[str, int]
    age_ns: int | None
    """Since the exchange that brought them; None: there has been none."""
    error: str = ""
    """Why the I/O side does not answer now; empty: it does."""
    forced: Forced | None = None
    """The output that someone holds."""


def status_values(status: Status) -> dict[str, int]:
    """What was read, by name; of a plain device its own inputs and outputs, by the names of its `PlainMap`."""
    if status.plain_points is not None:
        return dict(status.plain_points)
    values = {name: int(value) for name in STATUS_WORDS if (value := getattr(status, name)) is not None}
    values |= {f"bits.{flag_name(flag)}": int(status.bits & flag != 0) for flag in StatusBit}
    for n, capture in enumerate(status.captures):
        values |= {f"captures.{n}.edge": capture.edge, f"captures.{n}.count": capture.count}
    for n, release in enumerate(status.releases):
        for word in ("token", "result", "count"):
            values[f"releases.{n}.{word}"] = getattr(release, word)
    for n, station in enumerate(status.stations, start=1):
        values |= {f"station.{n}.{word}": int(getattr(station, word)) for word in STATION_WORDS}
    return values


def command_values(command: Command) -> dict[str, int]:
    """What was written to a field block, by name."""
    values = {f"command.{name}": int(getattr(command, name)) for name in COMMAND_WORDS}
    return values | {f"control.{flag_name(flag)}": int(command.control & flag != 0) for flag in ControlBit}
