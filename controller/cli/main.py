"""`beltcue`: finds the verb, runs it, and turns whatever goes wrong into one line and an exit code.

0 done · 1 refused, not running, or not as it should be · 2 bad input · 70 a defect of ours, with a log saved ·
130 interrupted.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from importlib.metadata import entry_points
from pathlib import Path
from typing import NoReturn

from controller import __version__
from controller.cli import (
    cable_pull,
    check,
    commands,
    commission,
    commission_walk,
    job,
    measure,
    plant_map,
    points,
    promise,
    report,
    run,
    schema,
    status,
    trust,
    users,
)
from controller.cli.common import BAD_INPUT, DEFECT, NOT_OK, BadInputError, RefusedError, complain

OWN = (
    run, check, measure, promise, commission, job, cable_pull, points, status, commands, report, plant_map, trust,
    users, schema,
)  # fmt: skip
INTERRUPTED = 130


class _Parser(argparse.ArgumentParser):
    """An argument parser that says what is wrong in one line."""

    def error(self, message: str) -> NoReturn:
        complain(f"{message}; see {self.prog} --help")
        sys.exit(BAD_INPUT)


def parser(everything: bool = True) -> argparse.ArgumentParser:
    """The whole command line; without `everything`, only the verbs that the controller carries itself."""
    top = _Parser(
        prog="beltcue",
        description="Puts each mark at the right place on a line whose speed changes, proves it, and stops safely.",
        epilog="Not a safety function: guards, emergency stop and beam shutters act in hard wiring.",
        allow_abbrev=False,
    )
    top.add_argument("--version", action="version", version=f"beltcue {__version__}")
    verbs = top.add_subparsers(title="verbs", metavar="VERB", required=True, parser_class=_Parser)
    for module in OWN:
        module.register(verbs)
    if everything:
        for point in entry_points(group="beltcue.verbs"):
            point.load()(verbs)
    return top


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one verb; the exit code. Nothing but SystemExit of argparse leaves here."""
    words = list(sys.argv[1:] if arguments is None else arguments)
    try:
        # Looking for the verbs of others takes longer than asking a running controller.
        args = parser(everything=not words or words[0] not in _own_names()).parse_args(commission_walk.spelled(words))
        code: int = args.execute(args)
        return code
    except BadInputError as error:
        complain(str(error))
        return BAD_INPUT
    except RefusedError as error:
        complain(str(error))
        return NOT_OK
    except KeyboardInterrupt:
        complain("interrupted")
        return INTERRUPTED
    except BrokenPipeError:
        sys.stderr.close()
        return NOT_OK
    except Exception as error:
        complain(f"unexpected {type(error).__name__}: {error}; details are in {_save_traceback()}, please report it")
        return DEFECT


def _own_names() -> set[str]:
    return {name for module in OWN for name in module.NAMES}


def _save_traceback() -> Path:
    """Write the traceback to a file of its own, for whoever mends it."""
    import os
    import tempfile
    import traceback

    handle, name = tempfile.mkstemp(prefix="beltcue-error-", suffix=".log")
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        file.write(f"beltcue {__version__}: {sys.argv}\n{traceback.format_exc()}")
    return Path(name)


if __name__ == "__main__":
    sys.exit(main())
