"""The verbs that the simulator adds to `beltcue`: sim and bench, and the scenario's schema."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller.cli.common import OK, BadInputError, Verbs, add_for, print_json, verb
from controller.serial_line import is_serial

if TYPE_CHECKING:
    from controller.settings.line import LineConfig
    from sim.scenario import Scenario


def register(verbs: Verbs) -> None:
    """Add the verbs."""
    parser = verb(
        verbs,
        "sim",
        _sim,
        "be the line's I/O side, simulated",
        "Serves the field block on the address that the line names, with a belt, products and a marker as the scenario "
        "has them, until Ctrl-C. At the end it says where the marks really landed.",
    )
    _add_world(parser)
    add_for(parser, "end by itself after so long (default: at Ctrl-C)")
    parser.add_argument(
        "--address",
        metavar="HOST:PORT",
        help="serve there instead; port 0: any free one; for a serial line a port's path, or pty",
    )
    parser.add_argument("--truth", metavar="FILE", help="write what really happens as JSON lines; - is standard output")
    parser.add_argument(
        "--tray", metavar="FILE", type=Path, help="write where a ruler finds each mark, as the CSV file of a trial"
    )

    parser = verb(
        verbs,
        "bench",
        _bench,
        "try a line against the simulator and judge where each mark landed",
        "Simulator and controller run as two processes over real sockets, with live progress, then the verdict. "
        "With --virtual both run in one process in virtual time, as fast as the computer can. Exit code 0: the counts "
        "balance, every mark is within tolerance and the products were seen; 1: not so; 2: bad input.",
    )
    _add_world(parser)
    add_for(parser, "how long (default: the scenario's duration)")
    parser.add_argument("--virtual", action="store_true", help="in virtual time, in one process")
    parser.add_argument("--dry", action="store_true", help="the enable output stays off; nothing is marked")
    parser.add_argument(
        "--port", metavar="N", type=int, help="serve on this port instead of the line's; 0: any free one"
    )
    parser.add_argument("--journal", metavar="FILE", type=Path, help="keep the records in this file")
    parser.add_argument("--keep-journal", action="store_true", help="keep the records in the line's own journal")


def _add_world(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("line_file", metavar="LINE.toml", help="the line's file")
    parser.add_argument("--scenario", metavar="S.toml", type=Path, help="what happens (default: the line's own)")
    parser.add_argument("--seed", metavar="N", type=int, help="of everything at random (default: the scenario's)")


def load(args: argparse.Namespace, *, must_work: bool = True) -> tuple[LineConfig, Scenario, Path]:
    """Read the line and its scenario, as `load_line` does with `must_work`. Raises SettingsError, BadInputError."""
    from controller.settings.line import load_line
    from sim.scenario import load_scenario

    config = load_line(args.line_file, must_work=must_work)
    path = args.scenario or config.scenario_path
    if path is None:
        raise BadInputError(f"{args.line_file}: line.scenario: names no scenario; give one with --scenario S.toml")
    return config, load_scenario(path, config.spec()), path


def scenario_schema() -> dict[str, Any]:
    """The JSON Schema of a scenario file."""
    from controller.settings.schema import make_schema
    from sim.scenario import Scenario

    return make_schema(Scenario, "A beltcue bench scenario")


def _sim(args: argparse.Namespace) -> int:
    import asyncio
    import contextlib
    import sys

    from controller.check import problems
    from controller.cli.common import print_rows
    from controller.settings.base import SettingsError
    from sim.show import SideText, verdict_rows
    from sim.side import run_side
    from sim.tray import Tray

    try:
        # Also a line that may not run before its link has been measured: this is what there is to measure.
        config, scenario, _ = load(args, must_work=False)
        if refused := problems(config.spec(), config.display):
            raise SettingsError(config.path, [("", text) for text in refused])
        if config.access is not None and config.access.policy is not None:
            raise BadInputError(f"{config.path}: opcua.security: the simulator serves without: try a copy without it")
        host, port = serve_at(args.address, config)
        with contextlib.ExitStack() as stack:
            out = None
            if args.truth == "-":
                out = sys.stdout
            elif args.truth is not None:
                out = stack.enter_context(Path(args.truth).open("w", encoding="utf-8", buffering=1))
            text, tray = SideText(config.display), None
            if args.tray is not None:
                file = stack.enter_context(args.tray.open("w", encoding="utf-8"))
                tray = Tray(file, config.display, scenario.seed if args.seed is None else args.seed)

            def tell(item: dict[str, Any]) -> None:
                if out is not None:
                    print(json.dumps(item), file=out, flush=True)
                if out is not sys.stdout:
                    text.tell(item)
                if tray is not None:
                    tray.tell(item)

            verdict = asyncio.run(run_side(config, scenario, args.seed, host, port, args.for_s, tell))
    except SettingsError as error:
        raise BadInputError(str(error)) from None
    except ValueError as error:
        raise BadInputError(f"{args.scenario or config.scenario_path}: {error}") from None
    except OSError as error:
        raise BadInputError(f"{error.filename or ''} {error.strerror or error}".strip()) from None
    if args.truth != "-":
        print_rows(verdict_rows(verdict, config.display))
    if args.json:
        print_json(verdict)
    return OK


def serve_at(address: str | None, config: LineConfig) -> tuple[str, int]:
    """The address to serve on. Raises BadInputError."""
    from sim.server import NEW_PAIR

    if address is None:
        return config.address
    if is_serial(config.address[0]):
        if address != NEW_PAIR and not is_serial(address):
            raise BadInputError(f'--address: "{address}" is no serial port; write its path, or {NEW_PAIR}')
        return address, 0
    host, _, port = address.rpartition(":")
    if not host or not port.isdigit() or int(port) > 65535:
        raise BadInputError(f'--address: "{address}" is not HOST:PORT; write e.g. 127.0.0.1:15020')
    return host.strip("[]"), int(port)


def _bench(args: argparse.Namespace) -> int:
    from sim.bench import bench

    return bench(args)
