"""What the verbs about the plant's OPC UA server share: which files of it the line's file means."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from controller.cli.common import BadInputError

if TYPE_CHECKING:
    from controller.settings.plant import OpcUaServerSection


def opcua_section(line_file: str) -> tuple[OpcUaServerSection, Path]:
    """The line's [plant.opcua], and the folder where paths in it start. Raises BadInputError."""
    from controller.settings.base import SettingsError
    from controller.settings.line import load_line

    try:
        config = load_line(line_file, must_work=False)
    except SettingsError as error:
        raise BadInputError(str(error)) from None
    plant = config.settings.plant
    if plant is None or plant.opcua is None:
        raise BadInputError(f"{line_file}: has no [plant.opcua]; write that section to have an OPC UA server")
    return plant.opcua, config.path.parent
