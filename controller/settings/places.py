"""Where a line's values stand, made of its sections and checked with what the rest of the file says of them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from controller.node_points import NodeMap
from controller.plain_points import PlainMap
from controller.points import PointMap
from controller.settings.base import SettingsError

if TYPE_CHECKING:
    from controller.settings.line import LineSettings


def plain_points_of(file: Path, settings: LineSettings) -> PlainMap | None:
    """Where a plain device keeps its inputs and outputs; None where it is a field block. Raises SettingsError."""
    if settings.plain is None:
        return None
    try:
        return settings.plain.resolve([s.name for s in settings.stations], _modulus(settings))
    except ValueError as error:
        raise SettingsError(file, [("", str(error))]) from None


def _modulus(settings: LineSettings) -> int | None:
    encoder = settings.encoder
    return encoder.modulus if encoder.counter_bits is None else 1 << encoder.counter_bits


def points_of(file: Path, settings: LineSettings) -> tuple[PointMap, NodeMap | None]:
    """Where the field block's values stand, and which of them are OPC UA nodes. Raises SettingsError."""
    encoder, modulus, further = settings.encoder, _modulus(settings), len(settings.stations) - 1
    opcua, nodes = settings.opcua, None
    try:
        if settings.plain is not None:
            points = settings.plain.played(further, modulus)
        elif opcua is not None and settings.link.protocol == "opcua":
            points = opcua.played(further, modulus, encoder.counter_bits)
            nodes = opcua.whole(points, settings.interlocks)
        elif opcua is not None:
            nodes, elsewhere = opcua.part(settings.interlocks)
            points = settings.points.resolve(further, modulus, elsewhere=elsewhere)
        else:
            points = settings.points.resolve(further, modulus)
    except ValueError as error:
        raise SettingsError(file, [("", str(error))]) from None
    width = points.status["belt_count"].width
    if encoder.counter_bits is not None and encoder.counter_bits != width:
        where = "points.belt_count" if settings.plain is None else "plain.count"
        text = f"{encoder.counter_bits}, but {where} is {width} bits wide; make the two agree"
        raise SettingsError(file, [("encoder.counter_bits", text)])
    if settings.detector.kind == "captured" and not points.has("captures"):
        text = 'captured edges need the points captures; write kind = "sampled", or do not drop them'
        if settings.plain is not None:
            text = 'a plain device captures no edges; write kind = "sampled"'
        raise SettingsError(file, [("detector.kind", text)])
    if settings.interlocks and not points.has("interlocks"):
        text = "named interlocks need the point interlocks; do not drop it, or name none and rely on the summary bit"
        raise SettingsError(file, [("interlocks", text)])
    return points, nodes
