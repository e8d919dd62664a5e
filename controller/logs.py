"""Structured logs on standard error or in a file: what a technician reads, or what a collector takes in.

Logged are starts and ends, states, modes, faults, commands and the link; never one product or one mark, which
belong to the journal.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Literal, TextIO

import structlog

from controller.events import CallAnswered, Event, FaultChanged, ModeChanged, StateChanged, TestMarked
from controller.model import FaultPhase
from controller.modes import title

Style = Literal["json", "console"]


def open_log(style: Style, path: Path | None = None) -> Any:
    """A logger to standard error, or appended to `path`. Raises OSError when the file cannot be opened."""
    out: TextIO = sys.stderr if path is None else path.open("a", encoding="utf-8", buffering=1)
    renderer: Any = (
        structlog.processors.JSONRenderer()
        if style == "json"
        else structlog.dev.ConsoleRenderer(colors=path is None and out.isatty(), pad_event_to=0, sort_keys=False)
    )
    processors: list[Any] = [
        structlog.processors.add_log_level,
        structlog.processors.TimeStamper(fmt="iso" if style == "json" else "%H:%M:%S", utc=style == "json"),
        renderer,
    ]
    return structlog.wrap_logger(structlog.PrintLogger(out), processors=processors)


def log_events(log: Any, events: Sequence[Event]) -> None:
    """Log those of a scan's events that a person wants to read as they happen."""
    for event in events:
        match event:
            case StateChanged():
                log.info("state", state=title(event.new), was=title(event.old), cause=event.cause)
            case FaultChanged(phase=FaultPhase.RAISED):
                log.warning("fault", fault=event.fault, **_given(detail=event.detail), first_cause=event.first)
            case FaultChanged():
                log.info("fault", fault=event.fault, phase=event.phase.value)
            case CallAnswered():
                call = event.reply.call
                words = {"command": call.verb, **_given(argument=call.argument), "who": call.who, "source": call.source}
                if event.reply.accepted:
                    log.info("command accepted", **words)
                else:
                    log.warning("command refused", reason=event.reply.reason, **words)
            case ModeChanged():
                log.info("mode", mode=event.new.name.capitalize(), who=event.who)
            case TestMarked():
                log.info("test mark", station=event.station, result=event.result)
            case _:
                pass


def _given(**words: str) -> dict[str, str]:
    return {key: text for key, text in words.items() if text}
