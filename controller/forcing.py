"""Forced outputs: one auxiliary output held by a person, so that its wiring can be proven.

Rules of this file. Only an output that can neither release nor permit a mark may be forced, and there are two such:
the stop request to the line and its beacon. One at a time, in mode Maintenance, while the line stands, and only from
the line itself. A force changes its own control bit and nothing else of a command; a stop that the controller wants
by itself is never taken away. What is no longer permitted is let go in the same scan.
"""

from __future__ import annotations

from collections.abc import Mapping

from controller.layout import flag_name
from controller.model import Forced, Mode, State
from controller.modes import title
from controller.registers import ControlBit

AUXILIARY: Mapping[str, ControlBit] = {flag_name(bit): bit for bit in (ControlBit.LINE_STOP, ControlBit.RUNNING)}
"""Name → bit of the outputs that may be forced. Of the others, enable and flush permit marks and take them back, the
counting sense and the job decide where and what is marked, and the words are the order channel with its guards."""

STANDING = frozenset({State.STOPPED, State.IDLE, State.COMPLETE, State.ABORTED})
"""The states in which no mark is possible and none becomes so by itself: enable is low and every order is settled."""


def parse(text: str) -> tuple[str, bool]:
    """Read "running=1" as an output's name and what it is forced to. Raises ValueError with one clear line."""
    name, given, value = text.partition("=")
    if not given or value not in ("0", "1"):
        raise ValueError(f"{text!r} is no output and its value: write e.g. line_stop=1; the value is 0 or 1")
    if name not in AUXILIARY:
        raise ValueError(f"{name} is not an auxiliary output: only {' and '.join(AUXILIARY)} may be forced")
    return name, value == "1"


def refusal(state: State, mode: Mode, remote: bool) -> str:
    """Why no output may be forced now; empty when one may."""
    if mode is not Mode.MAINTENANCE:
        return f"outputs are forced in mode Maintenance only, and the mode is {mode.name.capitalize()}"
    if state not in STANDING:
        where = ", ".join(title(s) for s in sorted(STANDING))
        return f"outputs are forced only while the line stands ({where}), and it is in {title(state)}"
    if remote:
        return "the line is set to plant; set it to local first"
    return ""


def applied(control: int, forced: Forced | None) -> int:
    """The control bits with the forced one as it is forced."""
    if forced is None:
        return control
    bit = AUXILIARY[forced.name]
    if forced.on:
        return control | bit
    return control if bit is ControlBit.LINE_STOP else control & ~bit
