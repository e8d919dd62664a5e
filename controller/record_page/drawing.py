"""Pictures of a record: black on white, told apart without colour, as SVG that needs nothing from outside."""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from controller.record_page.model import Picture

if TYPE_CHECKING:
    from matplotlib.figure import Figure

WIDTH_IN = 6.7
"""The width between the margins of both papers, so that letters are printed as large as they are drawn."""
GREYS = ("0.0", "0.45", "0.65", "0.2", "0.55", "0.3")


def draw(height_in: float, caption: str, onto: Callable[[Figure], None]) -> Picture:
    """Draw one picture. The same data give the same picture to the byte."""
    import matplotlib as mpl
    from cycler import cycler
    from matplotlib.figure import Figure

    style: dict[Any, Any] = {
        "axes.prop_cycle": cycler(color=GREYS),
        "axes.spines.top": False,
        "axes.spines.right": False,
        "font.family": "DejaVu Sans",  # comes with the library
        "font.size": 8.0,
        "axes.titlesize": 8.0,
        "axes.labelsize": 8.0,
        "legend.fontsize": 7.5,
        "hatch.linewidth": 0.6,
        "lines.linewidth": 1.1,
        "text.parse_math": False,  # names are words, whatever they hold
        "svg.fonttype": "path",
        "svg.hashsalt": "record",
    }
    with mpl.rc_context(style), warnings.catch_warnings():
        warnings.filterwarnings("ignore", "Glyph .* missing")  # a name in letters that this font has not: boxes
        figure = Figure(figsize=(WIDTH_IN, height_in), layout="constrained")
        onto(figure)
        buffer = io.StringIO()
        empty = {"Date": None, "Creator": None, "Format": None, "Type": None}
        figure.savefig(buffer, format="svg", metadata=empty)
    return Picture(_inline(buffer.getvalue()), caption)


def _inline(svg: str) -> str:
    """Make a whole SVG file a part of a page: no prologue and no name spaces."""
    svg = re.sub(r"<!--.*?-->\s*", "", svg[svg.index("<svg") :], flags=re.DOTALL)
    svg = re.sub(r'\sxmlns(:xlink)?="[^"]*"', "", svg)
    svg = re.sub(r"<metadata>.*?</metadata>\s*", "", svg, flags=re.DOTALL)
    return svg.replace("xlink:href=", "href=").strip()


def named(picture: Picture, name: str) -> Picture:
    """Give the picture's parts ids of its own, as pictures on one page need them."""
    return Picture(re.sub(r'( id="|href="#|url\(#)', rf"\g<1>{name}-", picture.svg), picture.caption)
