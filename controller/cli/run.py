"""`beltcue run`: the controller against the I/O side that each line names."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from controller.cli.common import (
    BAD_INPUT,
    NOT_OK,
    OK,
    BadInputError,
    Verbs,
    add_for,
    complain,
    print_json,
    print_rows,
    verb,
    who,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from controller.app import LineEnd, RunOptions
    from controller.settings.line import LineConfig

NAMES = ("run",)


def register(verbs: Verbs) -> None:
    """Add the verb."""
    parser = verb(
        verbs,
        "run",
        execute,
        "run the controller against the I/O side",
        "It begins in Stopped and waits for commands (beltcue command reset, start), from another terminal. "
        "Ctrl-C stops the line in order and leaves the outputs safe; a second Ctrl-C ends at once. "
        "Several lines run in one process, each with its own records and commands; lines that name the same address "
        "share one connection. What fails in one line ends that line alone.",
    )
    parser.add_argument(
        "line_files", metavar="LINE.toml", nargs="+", help="the line's file; several: run them together"
    )
    add_for(parser, 'end by itself after so long, e.g. "30 s" or 2min')
    parser.add_argument(
        "--start", action="store_true", help="give Reset and Start once, if within 5 s nothing stands against it"
    )
    parser.add_argument(
        "--bench-start", action="store_true", help="as --start, also without a terminal; test benches only"
    )
    parser.add_argument("--dry", action="store_true", help="the enable output stays off; record what would be marked")
    parser.add_argument("--address", metavar="HOST:PORT", help="use this I/O side instead of the line's own")
    parser.add_argument("--journal", metavar="FILE", type=Path, help="keep the records in this file")
    parser.add_argument(
        "--event-loop",
        choices=("asyncio", "uvloop"),
        default="asyncio",
        help="uvloop takes less time for each exchange, if it is installed (default: %(default)s)",
    )
    parser.add_argument(
        "--realtime", action="store_true", help="ask the system for real-time scheduling and to lock our memory"
    )
    parser.add_argument("--log", choices=("console", "json"), default="console", help="the log's form (%(default)s)")
    parser.add_argument("--log-file", metavar="FILE", type=Path, help="append the log to this file")


class Plan(NamedTuple):
    """One line, and how it is to be run."""

    config: LineConfig
    options: RunOptions


def execute(args: argparse.Namespace) -> int:
    """Run the lines and print their summaries."""
    import asyncio

    from controller.app import run_lines
    from controller.logs import open_log
    from controller.plant.image import PlantError
    from controller.plant.local import LocalSocketError
    from controller.records.schema import JournalError
    from controller.scheduling import NoSuchLoopError, event_loop
    from controller.settings.base import SettingsError

    try:
        plans = load_plans(args)
        factory = event_loop(args.event_loop)
        log = open_log(args.log, args.log_file)
        with asyncio.Runner(loop_factory=factory) as runner:
            ends = runner.run(run_lines(plans, log, args.realtime))
    except (SettingsError, JournalError, LocalSocketError, PlantError, NoSuchLoopError) as error:
        raise BadInputError(str(error)) from None
    except OSError as error:
        raise BadInputError(f"{error.filename or 'log file'}: {error.strerror or error}") from None
    return tell(ends, args.json)


def load_plans(args: argparse.Namespace) -> list[Plan]:
    """Read the lines and what the command line adds to them. Raises SettingsError, BadInputError."""
    from controller.app import RunOptions

    several = len(args.line_files) > 1
    for option in ("address", "journal"):
        if several and getattr(args, option) is not None:
            raise BadInputError(f"--{option} is for one line; with several, write it in each line's file")
    plans: list[Plan] = []
    for line_file in args.line_files:
        config, (host, port) = load(line_file, args.address)
        may_mark(args, config, host, port)
        options = RunOptions(
            host=host,
            port=port,
            journal=args.journal or config.journal_path,
            who=who(),
            for_s=args.for_s,
            start=may_start(args, config, host, port),
            dry=args.dry,
        )
        plans.append(Plan(config, options))
    _refuse_twice("line.name", plans, [plan.config.name for plan in plans])
    _refuse_twice("journal.path", plans, [str(plan.options.journal.resolve()) for plan in plans])
    _refuse_unlike(plans)
    return plans


def _refuse_unlike(plans: Sequence[Plan]) -> None:
    """Refuse lines that share a connection and do not agree on how it speaks. Raises BadInputError."""
    from controller.field.links import place_of

    for n, plan in enumerate(plans):
        for first in plans[:n]:
            if place_of(first.options.host, first.options.port) != place_of(plan.options.host, plan.options.port):
                continue
            theirs, ours = first.config.settings.link, plan.config.settings.link
            for key in ("protocol", "baud", "parity", "stop_bits"):
                if getattr(theirs, key) != getattr(ours, key):
                    raise BadInputError(
                        f"{plan.config.path}: link.{key} is not that of {first.config.path}, and both go through one "
                        "connection; write the same in both"
                    )


def _refuse_twice(key: str, plans: Sequence[Plan], values: Sequence[str]) -> None:
    """Refuse what two lines of one process must not share. Raises BadInputError."""
    for n, value in enumerate(values):
        first = values.index(value)
        if first < n:
            raise BadInputError(
                f'{plans[n].config.path}: {key} "{value}" is also that of {plans[first].config.path}; '
                "give each line its own"
            )


def tell(ends: Sequence[LineEnd], as_json: bool) -> int:
    """Print how the lines ended; the exit code. A defect is raised again when all has been told."""
    from controller.cli.summary import summary_rows
    from controller.loop import LayoutError

    several = len(ends) > 1
    for end in ends:
        name = f"{end.line}: " if several else ""
        if end.result is not None:
            print_rows(summary_rows(end.result.summary))
        if end.result is not None and end.result.why:
            complain(f"{name}{end.result.why}")
        if end.error is not None and several:
            complain(f"{name}{end.error}")
    errors = [end.error for end in ends if end.error is not None]
    if as_json and several:
        print_json({"lines": [e.result.summary if e.result else {"line": e.line, "error": str(e.error)} for e in ends]})
    elif as_json and ends[0].result is not None:
        print_json(ends[0].result.summary)
    for error in errors:
        if not isinstance(error, LayoutError):
            raise error
    if errors:
        if several:
            return BAD_INPUT
        raise BadInputError(str(errors[0]))
    return OK if all(end.result is not None and end.result.orderly for end in ends) else NOT_OK


def load(line_file: str, address: str | None) -> tuple[LineConfig, tuple[str, int]]:
    """Read the line, and its address or the one given instead. Raises SettingsError, BadInputError."""
    from controller.job_files import cut_short
    from controller.settings.line import load_line

    config = load_line(line_file)
    if half := cut_short(config):
        raise BadInputError(f"{line_file}: {half}")
    return config, address_of(config, address)


def address_of(config: LineConfig, address: str | None) -> tuple[str, int]:
    """The line's address, or the one given instead. Raises BadInputError."""
    from controller.serial_line import is_serial
    from controller.settings.sections import split_address

    if address is None:
        return config.address
    if is_serial(config.address[0]):
        if not is_serial(address):
            raise BadInputError(f'--address: "{address}" is no serial port; write its path, e.g. /dev/ttyUSB0')
        return address, 0
    try:
        host, port = split_address(address)
    except ValueError as error:
        raise BadInputError(f"--address: {error}") from None
    return host, config.default_port if port is None else port


def may_mark(args: argparse.Namespace, config: LineConfig, host: str, port: int) -> None:
    """Refuse a line that may be run dry only and is not to be. Raises BadInputError with what to do."""
    why = "" if args.dry else config.dry_only(host, port)
    if why:
        raise BadInputError(f"{config.path}: this line may not mark: {why}")


def may_start(args: argparse.Namespace, config: LineConfig, host: str, port: int) -> bool:
    """Whether to start once: a person at the terminal may, a script only on a test bench. Raises BadInputError."""
    if args.bench_start:
        from controller.serial_line import place_text

        if not config.is_test_bench(host, port):
            place = place_text(host, port)
            raise BadInputError(
                f"--bench-start is for a test bench; {place} is none: start with --start at a terminal, "
                "or list it in link.test_addresses if it is a bench"
            )
        return True
    if args.start and not sys.stdin.isatty():
        raise BadInputError("--start needs a person at a terminal; on a test bench use --bench-start")
    return bool(args.start)
