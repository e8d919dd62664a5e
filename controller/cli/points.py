"""`beltcue points`: every point of a line, live, and one auxiliary output at a time by hand, to check the wiring."""

from __future__ import annotations

import argparse
import contextlib
import difflib
import sys
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

from controller.cli.common import (
    NOT_OK,
    OK,
    BadInputError,
    RefusedError,
    Verbs,
    add_for,
    complain,
    print_json,
    verb,
    who,
)

if TYPE_CHECKING:
    from controller.cli.points_source import Source
    from controller.cli.points_view import Tally
    from controller.local_client import LocalClient
    from controller.point_list import ListedPoint
    from controller.settings.line import LineConfig

NAMES = ("points",)
LOOK_S = 0.05
"""From look to look; what changes and changes back between two looks is not counted."""
SHOW_S = 0.2
ANSWER_S = 5.0
"""So long without --for is waited for a first answer."""


def register(verbs: Verbs) -> None:
    """Add the verb."""
    parser = verb(
        verbs,
        "points",
        execute,
        "show every point of a line live, to check its wiring",
        "Raw and scaled value, age, and how often each has changed since the command began (looked at every "
        f"{LOOK_S * 1e3:.0f} ms). The values come through the line's running controller; where none runs they are read "
        "from the I/O side, which nothing is changed at. --write forces one auxiliary output (line_stop or running) "
        "through the running controller, in mode Maintenance while the line stands, until the command ends; enable "
        "and orders can never be written. Exit code 1: the I/O side does not answer, or the output was let go.",
    )
    parser.add_argument("line_file", metavar="LINE.toml", help="the line's file")
    parser.add_argument("--only", metavar="NAME", nargs="+", default=[], help="these points or groups only, e.g. bits")
    add_for(parser, 'end after so long, e.g. "10 s" (default: Ctrl-C; without a terminal, the first look)')
    parser.add_argument("--address", metavar="HOST:PORT", help="read this I/O side instead of the line's own")
    parser.add_argument("--write", metavar="NAME=1", action="append", default=[], help="force this output to 0 or 1")
    parser.add_argument("--confirm", metavar="NAME", help="the output's name, instead of typing it; on a bench only")


def execute(args: argparse.Namespace) -> int:
    """Look, and hold an output meanwhile where that was asked for."""
    from controller.local_client import NotRunningError
    from controller.point_list import listed
    from controller.settings.base import SettingsError
    from controller.settings.line import load_line

    try:
        # A line that its link cannot serve is wired all the same.
        config = load_line(args.line_file, must_work=False)
    except SettingsError as error:
        raise BadInputError(str(error)) from None
    points = listed(config)
    shown = _only(points, args.only)
    order = _order(args, points)
    if order is None and args.confirm is not None:
        raise BadInputError("--confirm goes with --write")
    client = controller_of(config)
    if order is not None and client is None:
        raise BadInputError(
            f"--write goes through the running controller, and none is running for {config.name}: "
            f"start one with beltcue run {args.line_file}"
        )
    try:
        with client or contextlib.nullcontext():
            if order is None or client is None:
                return _look(args, config, shown, client)
            return _hold(args, config, shown, client, *order)
    except NotRunningError as error:
        raise RefusedError(str(error)) from None


def _only(points: list[ListedPoint], names: Sequence[str]) -> list[ListedPoint]:
    """The points of those names, or of the groups before a dot. Raises BadInputError for one that is none."""
    for name in names:
        if not any(_is_of(point, name) for point in points):
            raise BadInputError(f"--only: {_unknown(name, points)}")
    return [point for point in points if not names or any(_is_of(point, name) for name in names)]


def _is_of(point: ListedPoint, name: str) -> bool:
    return point.name == name or point.name.startswith(f"{name}.")


def _unknown(name: str, points: Sequence[ListedPoint]) -> str:
    names = [point.name for point in points]
    last = {each.rpartition(".")[2]: each for each in reversed(names)}
    near = difflib.get_close_matches(name, [*names, *last], n=1, cutoff=0.0)
    return f'the line has no point "{name}"; did you mean {last.get(near[0], near[0])}?'


def _order(args: argparse.Namespace, points: Sequence[ListedPoint]) -> tuple[ListedPoint, int] | None:
    """What is to be forced to what; None: nothing. Raises BadInputError."""
    if not args.write:
        return None
    if len(args.write) > 1:
        raise BadInputError("--write: one output at a time; end this command before the next")
    name, _, value = args.write[0].partition("=")
    point = next((p for p in points if name in (p.name, p.auxiliary) and name), None)
    if point is None:
        raise BadInputError(f"--write: {_unknown(name, points)}")
    if not point.auxiliary:
        may = " and ".join(p.name for p in points if p.auxiliary) or "none"
        why = "is no output" if not point.out else "can permit, release or misplace a mark and is never written by hand"
        raise BadInputError(f"--write: {point.name} {why}; the auxiliary outputs of this line: {may}")
    if value not in ("0", "1"):
        raise BadInputError(f'--write: "{args.write[0]}": the value is 0 or 1; write e.g. {point.name}=1')
    return point, int(value)


def controller_of(config: LineConfig) -> LocalClient | None:
    """The line's running controller, if there is one."""
    from controller.local_client import LocalClient, NotRunningError
    from controller.local_socket import socket_path

    try:
        return LocalClient(socket_path(config.name))
    except NotRunningError:
        return None


def _hold(
    args: argparse.Namespace,
    config: LineConfig,
    shown: list[ListedPoint],
    client: LocalClient,
    point: ListedPoint,
    value: int,
) -> int:
    """Look while an output is forced. Whatever ends this process ends the connection too, and with it the force."""
    _force(args, client, point, value)
    try:
        return _look(args, config, shown if point in shown else [point, *shown], client, point)
    finally:
        if client.points()["forced"] is not None:
            client.call("unforce", who(), point.auxiliary)


def _force(args: argparse.Namespace, client: LocalClient, point: ListedPoint, value: int) -> None:
    """Have it confirmed, and force it. Raises BadInputError where it cannot be, RefusedError where it is not to be."""
    status = client.status()
    if status["not_forcible"]:
        raise BadInputError(f"--write: {status['not_forcible']}")
    if args.for_s is None and not sys.stdout.isatty():
        raise BadInputError("--write without a terminal needs --for, since the output is held until the command ends")
    _confirm(args.confirm, status, point, value)
    refused = client.call("force", who(), f"{point.auxiliary}={value}")
    if refused is not None:
        raise BadInputError(f"--write: {refused}")


def _confirm(given: str | None, status: dict[str, Any], point: ListedPoint, value: int) -> None:
    if given is not None:
        if not status["test_address"]:
            raise BadInputError(f"--confirm is for a test bench; {status['address']} is none, so a person must type it")
        if given not in (point.name, point.auxiliary):
            raise BadInputError(f'--confirm: "{given}" is not {point.name}, which is to be written')
        return
    if not sys.stdin.isatty():
        raise BadInputError("--write must be confirmed by a person at a terminal; on a test bench use --confirm NAME")
    print(
        f"Line {status['line']} at {status['address']}: {point.name} ({point.place}) is to be held at {value} until "
        f"this command ends.\nWhatever hangs on that output acts on it. To do so, type {point.name} and Enter; "
        "anything else stops here."
    )
    if input("> ").strip() != point.name:
        raise RefusedError("not confirmed, nothing was written")


def _look(
    args: argparse.Namespace,
    config: LineConfig,
    points: list[ListedPoint],
    client: LocalClient | None,
    held: ListedPoint | None = None,
) -> int:
    """Look for as long as asked, show it, and say what is not as it should be."""
    import asyncio

    from controller.cli.points_view import Tally

    source = source_of(args.address, config, client)
    tally = Tally(points, config.display)
    live = sys.stdout.isatty() and not args.json

    def kept() -> bool:
        forced = tally.seen.forced
        return held is None or (forced is not None and forced["name"] == held.auxiliary)

    try:
        asyncio.run(_watch(config.name, source, tally, args.for_s, live, kept))
    except KeyboardInterrupt:
        if not live:
            raise
    wrong = tally.seen.note
    if held is not None and client is not None and not kept():
        why = client.status()["not_forcible"] or "someone let it go"
        wrong = f"{held.name} is no longer forced: {why}"
    if args.json:
        print_json(
            {
                "line": config.name,
                "source": source.name,
                "looks": tally.looks,
                "note": wrong,
                "forced": tally.seen.forced,
                "points": tally.as_json(),
            }
        )
    elif not live:
        print("\n".join([*_heads(config.name, source, tally), *tally.lines()]))
    if wrong:
        complain(wrong)
    return NOT_OK if wrong else OK


def source_of(address: str | None, config: LineConfig, client: LocalClient | None) -> Source:
    """Give the values through the running controller, or from the I/O side. Raises BadInputError."""
    from controller.cli.points_source import FromController, FromDevice
    from controller.cli.run import address_of
    from controller.field.links import make_reader
    from controller.serial_line import place_text

    if client is not None:
        if address is not None:
            raise BadInputError(
                f"--address: a controller of {config.name} is running and the values come through it; leave it out"
            )
        return FromController(client, str(client.status()["address"]))
    host, port = address_of(config, address)
    try:
        return FromDevice(make_reader(config, config.spec(at=(host, port)), host, port), place_text(host, port))
    except ValueError as error:
        raise BadInputError(f"{config.path}: {error}") from None


async def _watch(
    line: str, source: Source, tally: Tally, for_s: float | None, live: bool, kept: Callable[[], bool]
) -> None:
    """Look until the time is over, what is held is let go, or, with neither time nor screen, something was read."""
    import asyncio
    import time

    from rich.live import Live

    once = for_s is None and not live
    began_s = shown_s = time.monotonic()
    screen = Live(auto_refresh=False) if live else None
    with screen if screen is not None else contextlib.nullcontext():
        try:
            while True:
                tally.take(await source.look())
                now_s = time.monotonic()
                over = now_s - began_s >= (ANSWER_S if once else float("inf") if for_s is None else for_s)
                over = over or not kept() or (once and tally.seen.age_ms is not None)
                if screen is not None and (over or tally.looks == 1 or now_s - shown_s >= SHOW_S):
                    shown_s = now_s
                    heads = _heads(line, source, tally)
                    screen.update(tally.screen(heads, screen.console.height), refresh=True)
                if over:
                    return
                await asyncio.sleep(LOOK_S)
        finally:
            await source.close()


def _heads(line: str, source: Source, tally: Tally) -> list[str]:
    forced, note = tally.seen.forced, tally.seen.note
    heads = [f"{line}: {source.text}"]
    if forced is not None:
        heads.append(f"FORCED: {forced['name']} = {int(forced['on'])} by {forced['who']}, as long as that command runs")
    return heads if not note else [*heads, note]
