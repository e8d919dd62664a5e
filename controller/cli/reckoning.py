"""What the verbs share that reckon with a line as its files are: the line with its link, and a picture on request."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from controller.cli.common import BadInputError

if TYPE_CHECKING:
    from controller.link_figures import LinkFigures
    from controller.settings.line import LineConfig
    from controller.spec import LineSpec


def add_line_file(parser: argparse.ArgumentParser) -> None:
    """Add the line's file."""
    parser.add_argument("line_file", metavar="LINE.toml", help="the line's file")


def line_and_link(line_file: str) -> tuple[LineConfig, LineSpec, LinkFigures, str]:
    """Read a line, which need not work, and what is known of its link and from where. Raises BadInputError."""
    from controller.link_known import figures_of
    from controller.settings.base import SettingsError
    from controller.settings.line import load_line

    try:
        config = load_line(line_file, must_work=False)
        spec = config.spec()
        figures, source = figures_of(config, spec)
    except SettingsError as error:
        raise BadInputError(str(error)) from None
    return config, spec, figures, source


def add_plot(parser: argparse.ArgumentParser, text: str) -> None:
    """Add --plot; the text says what is drawn."""
    parser.add_argument("--plot", metavar="FILE", type=Path, help=text)


def plotted(picture: Path | None, draw: Callable[[Path], None]) -> list[tuple[str, str]]:
    """Draw where a picture is wanted; gives the row that says where it is, or none. Raises BadInputError."""
    if picture is None:
        return []
    try:
        draw(picture)
    except (OSError, ValueError) as error:
        raise BadInputError(f"--plot {picture}: {error}; name a .png in a directory that can be written") from None
    return [("plot", str(picture))]
