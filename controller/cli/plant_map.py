"""`beltcue plant-map`: the register map that the plant reads over Modbus, for people and for their tools."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

from controller.cli.common import OK, BadInputError, Verbs, verb

if TYPE_CHECKING:
    from controller.plant.modbus.page import Place

NAMES = ("plant-map",)


def register(verbs: Verbs) -> None:
    """Add the verb."""
    parser = verb(
        verbs,
        "plant-map",
        execute,
        "print the register map that the plant reads over Modbus",
        "The map is the same for every line; with a line's file it says also where that line is served.",
        json_too=False,
    )
    parser.add_argument("line_file", metavar="LINE.toml", nargs="?", help="the line's file")
    form = parser.add_mutually_exclusive_group()
    form.add_argument("--csv", action="store_true", help="print CSV, for import")
    form.add_argument("--markdown", action="store_true", help="print the document")


def execute(args: argparse.Namespace) -> int:
    """Print the map in the form asked for."""
    from controller.plant.modbus.page import as_csv, as_markdown, as_table

    place = None if args.line_file is None else _place(args.line_file)
    form = as_csv if args.csv else as_markdown if args.markdown else as_table
    sys.stdout.write(form(place))
    return OK


def _place(line_file: str) -> Place:
    from controller.plant.modbus.page import Place
    from controller.settings.base import SettingsError
    from controller.settings.line import load_line

    try:
        config = load_line(line_file)
    except SettingsError as error:
        raise BadInputError(str(error)) from None
    plant = config.settings.plant
    section = None if plant is None else plant.modbus
    if section is None:
        raise BadInputError(f"{line_file}: plant.modbus is missing; write [plant.modbus], or ask without a line")
    return Place(config.name, section.address, section.unit, tuple(section.command_clients))
