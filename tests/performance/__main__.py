"""Speed, printed and never asserted: `python -m tests.performance [--json] [--only KEY]`, from the root."""

from __future__ import annotations

import argparse
import json
import platform
from collections.abc import Callable
from functools import partial
from importlib.metadata import version
from typing import Any

from tests.performance import exchange, in_time, journal, lateness, lines, pending, plant_opcua, promise, shift


def rows(args: argparse.Namespace) -> dict[str, Callable[[], dict[str, Any]]]:
    """The rows there are, with what was asked of each."""
    return {
        "pending_cost": partial(pending.measure, args.periods),
        "timed_vs_scan": partial(in_time.versus, args.seconds),
        "timed_dynamic_p99_mm": partial(in_time.dynamic, args.seconds),
        "promise_coverage": partial(promise.measure, max(20, round(args.seconds / 2))),
        "scan_vs_bare": partial(exchange.measure, round(100 * args.seconds)),
        "lateness_vs_cyclictest": partial(lateness.measure, args.seconds),
        "lines_per_core": partial(lines.measure, args.seconds / 3),
        "shift_wall_s": partial(shift.measure, args.hours),
        "plant_opcua": partial(plant_opcua.measure, args.seconds),
        "journal_per_s": partial(journal.measure, max(2, round(args.seconds / 5))),
    }


def main() -> None:
    """Measure the rows asked for and print them with the machine they were measured on."""
    parser = argparse.ArgumentParser(prog="python -m tests.performance", description=__doc__)
    parser.add_argument("--json", action="store_true", help="print one JSON object as the last line")
    parser.add_argument("--only", metavar="KEY", help="measure one row")
    parser.add_argument("--periods", type=int, default=12_000, help="pending_cost: scans a line (default %(default)s)")
    parser.add_argument("--hours", type=float, default=8.0, help="shift_wall_s: its length (default %(default)s)")
    parser.add_argument(
        "--seconds", type=float, default=60.0, help="real-time rows: their length (default %(default)s)"
    )
    args = parser.parse_args()
    known = rows(args)
    if args.only is not None and args.only not in known:
        parser.error(f'there is no row "{args.only}"; the rows are {", ".join(known)}')
    machine = {
        "machine": f"{platform.node()} {platform.machine()}",
        "python": platform.python_version(),
        **{name: version(name) for name in ("numpy", "pymodbus", "pydantic")},
    }
    print(", ".join(f"{name} {value}" for name, value in machine.items()))
    found = {}
    for key in [args.only] if args.only else known:
        found[key] = known[key]()
        print(f"{key}:")
        for name, value in found[key].items():
            print(f"  {name}: {json.dumps(value)}")
    if args.json:
        values = {key: row["value"] for key, row in found.items()}
        print(json.dumps({**values, "details": found, "machine": machine}))


if __name__ == "__main__":
    main()
