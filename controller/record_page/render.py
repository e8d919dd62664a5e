"""A record as one HTML file: the template of this folder, its style within it, every text escaped."""

from __future__ import annotations

from importlib.resources import files
from typing import Literal

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from controller.record_page.model import Record

Paper = Literal["a4", "letter"]
LONG_WORD = 26
LENGTHY = 64
"""A figure of more letters has a row of its own."""
SIZES: dict[Paper, str] = {"a4": "A4", "letter": "letter"}


def render(record: Record, paper: Paper) -> str:
    """Give the page for that paper; the same record gives the same text."""
    folder = files("controller.record_page")
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    environment.filters["css"] = _css
    environment.tests["unbroken"] = _unbroken
    environment.tests["lengthy"] = lambda text: len(text) > LENGTHY
    style = environment.from_string((folder / "page.css").read_text(encoding="utf-8"))
    page = environment.from_string((folder / "page.html").read_text(encoding="utf-8"))
    css = Markup(style.render(record=record, size=SIZES[paper]))
    return page.render(record=record, css=css) + "\n"


def _unbroken(text: str) -> bool:
    """Whether a word in it is so long that it must be broken anywhere."""
    return any(len(word) > LONG_WORD for word in text.split())


def _css(text: str) -> Markup:
    """A text as it may stand in a string of a style: letters and digits as they are, all else by its code."""
    return Markup("".join(c if c.isascii() and c.isalnum() else f"\\{ord(c):06x}" for c in text))
