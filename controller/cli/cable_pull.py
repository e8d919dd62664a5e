"""`beltcue cable-pull`: prove that a plain device drops its outputs by itself, and keep that with the line."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

from controller.cli.common import OK, BadInputError, RefusedError, Verbs, print_json, print_rows, verb, who
from controller.cli.run import load

if TYPE_CHECKING:
    from controller.cable_pull import Pulled
    from controller.settings.line import LineConfig

NAMES = ("cable-pull",)


def register(verbs: Verbs) -> None:
    """Add the verb."""
    parser = verb(
        verbs,
        "cable-pull",
        execute,
        "prove with the cable pulled that a plain device drops its outputs",
        "For a line with [plain]: raises the enable output, asks you to pull the cable and to measure when the output "
        "drops, and keeps the test in a file beside the line's. Without it such a line is run dry only. "
        "A test that fails removes the one kept before.",
    )
    parser.add_argument("line_file", metavar="LINE.toml", help="the line's file")
    parser.add_argument("--trigger", metavar="STATION", help="raise this station's trigger too (asks once more)")
    parser.add_argument("--address", metavar="HOST:PORT", help="a test bench's device instead of the line's own")
    parser.add_argument(
        "--yes-simulated",
        action="store_true",
        help="on a test bench only: stop writing in place of the pull, and look at the input wired back",
    )


def execute(args: argparse.Namespace) -> int:
    """Make the test, and keep it when it passed."""
    import asyncio
    from datetime import datetime

    from controller.cable_pull import NotMadeError, PullFailedError, pull_by_hand, pull_simulated
    from controller.ports import LinkError
    from controller.settings.base import SettingsError
    from controller.settings.proof import Proof, digest, keep, proof_path

    try:
        config, (host, port) = load(args.line_file, args.address)
    except SettingsError as error:
        raise BadInputError(str(error)) from None
    section = config.settings.plain
    station = _may_test(args, config, host, port)
    assert section is not None
    path = proof_path(config.path)
    try:
        if args.yes_simulated:
            pulled = asyncio.run(pull_simulated(config, host, port))
        else:
            pulled = asyncio.run(pull_by_hand(config, host, port, station, Terminal()))
    except (LinkError, NotMadeError) as error:
        raise RefusedError(str(error)) from None
    except PullFailedError as error:
        path.unlink(missing_ok=True)
        raise RefusedError(f"{args.line_file}: {error}") from None
    proof = Proof(
        line=config.name,
        date=datetime.now().astimezone().isoformat(sep=" ", timespec="seconds"),
        who=who(),
        output=pulled.output,
        dropped_within_s=round(pulled.within_s, 4),
        how=pulled.how,
        simulated=args.yes_simulated,
        digest=digest(config.settings.link, section),
    )
    try:
        keep(path, proof)
    except OSError as error:
        raise BadInputError(f"{path}: the test passed and cannot be kept: {error.strerror}") from None
    print_rows([*_rows(pulled), ("kept in", str(path))])
    if args.json:
        print_json(proof.model_dump())
    return OK


def _may_test(args: argparse.Namespace, config: LineConfig, host: str, port: int) -> int | None:
    """The station whose trigger is to be raised. Raises BadInputError where the test cannot be made as asked."""
    from controller.local_client import LocalClient, NotRunningError
    from controller.local_socket import socket_path
    from controller.serial_line import place_text

    section, names = config.settings.plain, [s.name for s in config.settings.stations]
    if section is None:
        raise BadInputError(f"{args.line_file}: the line has no [plain]: a field block drops its outputs by its rules")
    test = config.is_test_address(host, port)
    if args.yes_simulated and not test:
        place = place_text(host, port)
        raise BadInputError(f"--yes-simulated is for a test bench; {place} is none: pull the cable by hand")
    if not args.yes_simulated and not sys.stdin.isatty():
        raise BadInputError("the test needs a person at a terminal; on a test bench use --yes-simulated")
    if section.watchdog is None and not section.one_shot:
        raise BadInputError(f"{args.line_file}: plain.watchdog: name it, or one_shot: without one nothing drops")
    if args.trigger is not None and args.trigger not in names:
        raise BadInputError(f'--trigger: the line has no station "{args.trigger}"; it has {", ".join(names)}')
    try:
        with LocalClient(socket_path(config.name)):
            raise BadInputError(f"a controller of {config.name} is running: end it before this test")
    except NotRunningError:
        pass
    if args.trigger is not None:
        return names.index(args.trigger)
    return 0 if section.enable is None else None


def _rows(pulled: Pulled) -> list[tuple[str, str]]:
    return [("passed", f"{pulled.output} dropped within {pulled.within_s:.3f} s"), ("how", pulled.how)]


class Terminal:
    """The person at this terminal."""

    async def tell(self, text: str) -> None:
        """Print it."""
        print(text, flush=True)

    async def ask(self, question: str) -> str:
        """Print the question and wait for a line."""
        import asyncio

        try:
            return await asyncio.to_thread(input, question)
        except EOFError:
            return ""
