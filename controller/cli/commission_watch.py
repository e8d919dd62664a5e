"""What the steps share that look at a live line: looking, asking whoever is at the terminal, changing the file."""

from __future__ import annotations

import argparse
import contextlib
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from controller.cli.common import BadInputError, RefusedError, complain, print_rows

if TYPE_CHECKING:
    from controller.cli.points_source import Seen, Source
    from controller.commissioning.watched import Look, Watched
    from controller.settings.line import LineConfig
    from controller.settings.sections import DetectorSection, EncoderSection, StationSection
    from controller.spec import LineSpec

LOOK_S = 0.02
"""From look to look; the count of a small wheel must be seen several times a turn."""


@dataclass(frozen=True, slots=True)
class Change:
    """One setting to change: its name in the line's file, and what people read of it before and after."""

    setting: str
    old: str
    new: str

    def as_json(self) -> dict[str, str]:
        """The same for scripts."""
        return {"setting": self.setting, "from": self.old, "to": self.new}


def add_watching(parser: argparse.ArgumentParser, text: str, default: str | None = "10s") -> None:
    """Add --for and --address."""
    from controller.cli.common import add_for

    add_for(parser, text, default)
    parser.add_argument("--address", metavar="HOST:PORT", help="look at this I/O side instead of the line's own")


def add_apply(parser: argparse.ArgumentParser) -> None:
    """Add --apply and --ask."""
    parser.add_argument("--apply", action="store_true", help="write the changes to the line's file, comments kept")
    parser.add_argument("--ask", action="store_true", help="show the changes, and ask at the terminal whether to")


def load(line_file: str) -> LineConfig:
    """Read the line. Raises BadInputError."""
    from controller.settings.base import SettingsError
    from controller.settings.line import load_line

    try:
        return load_line(line_file, must_work=False)
    except SettingsError as error:
        raise BadInputError(str(error)) from None


@contextlib.contextmanager
def source_for(config: LineConfig, address: str | None) -> Any:
    """The source of a line's live values: its running controller, or the I/O side. Raises BadInputError."""
    from controller.cli.points import controller_of, source_of

    client = controller_of(config)
    with client or contextlib.nullcontext():
        yield source_of(address, config, client)


def watch(config: LineConfig, address: str | None, for_s: float) -> tuple[Watched, str]:
    """Look at the line for so long; gives what was seen, and where. Raises RefusedError when nothing answers."""
    import asyncio

    from controller.commissioning.watched import watched
    from controller.local_client import NotRunningError

    try:
        with source_for(config, address) as source:
            looks = asyncio.run(_looks(source, config.spec(), for_s))
            name = str(source.name)
    except NotRunningError as error:
        raise RefusedError(str(error)) from None
    return watched(looks, config.spec()), name


async def _looks(source: Source, spec: LineSpec, for_s: float) -> list[Look]:
    """Look until the time is over, from the first answer on."""
    import asyncio
    import time

    looks: list[Look] = []
    began_s, error = time.monotonic(), ""
    try:
        while time.monotonic() - began_s < for_s:
            seen = await source.look()
            now_s = time.monotonic()
            if seen.note:
                error = seen.note
            elif seen.age_ms is not None:
                if not looks:
                    began_s = now_s
                looks.append(look_of(seen, now_s, spec))
            await asyncio.sleep(LOOK_S)
    finally:
        await source.close()
    if not looks:
        raise RefusedError(error or "nothing was read in that time")
    if error:
        complain(f"while it was looked at: {error}")
    return looks


def look_of(seen: Seen, now_s: float, spec: LineSpec) -> Look:
    """Make a look of the values by name; a plain device has names of its own."""
    from controller.commissioning.watched import Look
    from controller.registers import RING_SIZE, Capture

    values = seen.values
    if "belt_count" not in values:
        drive = values.get("drive")
        t_s = now_s - (seen.age_ms or 0.0) * 1e-3
        raw = values["count"] % spec.counter.modulus
        ran = None if drive is None else bool(drive)
        return Look(t_s, raw, values.get("sample_us"), ran, blocked=bool(values.get("detector", 0)))
    ring = [Capture(values[f"captures.{n}.edge"], values[f"captures.{n}.count"]) for n in range(RING_SIZE)]
    return Look(
        t_s=now_s - (seen.age_ms or 0.0) * 1e-3,
        raw=values["belt_count"],
        sample_us=values.get("sample_us"),
        running=bool(values["bits.drive_running"]) if spec.has_drive else None,
        capture_total=values["capture_total"],
        captures=tuple(ring),
        blocked=bool(values["bits.detector_blocked"]),
    )


def tell(text: str) -> None:
    """Say something to the person at the terminal; standard output is for the result."""
    print(text, file=sys.stderr, flush=True)


def ask_yes(question: str, given: str | None) -> bool | None:
    """Take yes or no as given, else ask at the terminal; None: nobody is there, or does not know."""
    if given is not None:
        return {"yes": True, "no": False, "unknown": None}[given]
    if not sys.stdin.isatty():
        return None
    while True:
        tell(f"{question} [yes/no/unknown]")
        try:
            answer = input("> ").strip().lower()
        except EOFError:
            return None
        for word, value in (("yes", True), ("no", False), ("unknown", None)):
            if answer and word.startswith(answer):
                return value


def apply(
    config: LineConfig,
    encoder: EncoderSection | None = None,
    station: StationSection | None = None,
    detector: DetectorSection | None = None,
) -> None:
    """Write a changed encoder or detector, and the changed station of that name, to the line's file, comments kept.

    Raises BadInputError, with the file as it was.
    """
    import tomllib

    from controller.replacing import replace_file
    from controller.settings.base import SettingsError, check
    from controller.settings.line import LineSettings
    from controller.settings.rewrite import RewriteError, line_file_text
    from controller.settings.saved import SavedJob

    now = config.settings
    wanted = SavedJob.model_construct(
        job=config.job,
        detector=now.detector if detector is None else detector,
        stations=[station if station is not None and s.name == station.name else s for s in now.stations],
        encoder=now.encoder if encoder is None else encoder,
        uncertainty=now.uncertainty,
    )
    try:
        if load(str(config.path)).settings != now:
            raise BadInputError(f"{config.path} was changed meanwhile; nothing was written, begin again")
        text = line_file_text(config.path.read_text(encoding="utf-8"), now, wanted, config.display, machine=True)
        check(config.path, tomllib.loads(text), LineSettings)
        replace_file(config.path, text.encode())
    except SettingsError as error:
        raise BadInputError(str(error)) from None
    except RewriteError as error:
        raise BadInputError(f"{config.path}: {error}") from None
    except OSError as error:
        raise BadInputError(f"{config.path}: cannot be written ({error.strerror}); nothing was changed") from None


def settle(
    args: argparse.Namespace,
    config: LineConfig,
    rows: Sequence[tuple[str, str]],
    changes: Sequence[Change],
    *,
    encoder: EncoderSection | None = None,
    station: StationSection | None = None,
    detector: DetectorSection | None = None,
) -> bool:
    """Print what was found, and write the changes where that is wanted (--apply), or agreed to now (--ask).

    Gives whether they were written. Raises BadInputError as `apply` does.
    """
    applied = bool(args.apply and changes)
    shown = list(rows)
    if args.ask and changes and not applied:
        print_rows([*shown, *(("change", f"{c.setting}: {c.old} → {c.new}") for c in changes)])
        shown = []
        applied = bool(
            ask_yes(f"Write {'these changes' if len(changes) > 1 else 'this change'} to {config.path}?", None)
        )
    if applied:
        apply(config, encoder, station, detector)
    print_rows([*shown, *change_rows(config, changes, applied)])
    return applied


def change_rows(config: LineConfig, changes: Sequence[Change], applied: bool) -> list[tuple[str, str]]:
    """What is to be changed, or was, as rows."""
    rows = [("changed" if applied else "change", f"{c.setting}: {c.old} → {c.new}") for c in changes]
    if applied:
        rows.append(("", f"written to {config.path}; a running controller takes it up at its next start"))
    elif changes:
        rows.append(("", "nothing was written; --apply writes it to the line's file"))
    return rows


def raw_of(seen: Watched) -> dict[str, Any]:
    """What was seen, to keep beside what was made of it: instants, travel in counts, drive, products."""
    series = seen.series
    return {
        "t_s": [round(float(t), 6) for t in series.t_s],
        "counts": [int(c) for c in series.counts],
        "running": None if series.running is None else [int(r) for r in series.running],
        "leads": [float(lead) for lead in seen.leads],
        "lengths": [None if length != length else float(length) for length in seen.lengths],
    }
