"""Speed, printed and never asserted: `python -m tests.performance [--json] [--only KEY]`, from the root."""

from __future__ import annotations

import argparse
import json
import platform
from collections.abc import Callable
from importlib.metadata import version
from typing import Any

from tests.performance import pending, shift

ROWS: dict[str, Callable[[], dict[str, Any]]] = {
    "pending_cost": pending.measure,
    "virtual_shift": shift.measure,
}


def main() -> None:
    """Measure the rows asked for and print them with the machine they were measured on."""
    parser = argparse.ArgumentParser(prog="python -m tests.performance", description=__doc__)
    parser.add_argument("--json", action="store_true", help="print one JSON object as the last line")
    parser.add_argument("--only", choices=ROWS, help="measure one row")
    args = parser.parse_args()
    machine = {
        "machine": f"{platform.node()} {platform.machine()}",
        "python": platform.python_version(),
        **{name: version(name) for name in ("numpy", "pymodbus", "pydantic")},
    }
    print(", ".join(f"{name} {value}" for name, value in machine.items()))
    found = {}
    for key in [args.only] if args.only else ROWS:
        found[key] = ROWS[key]()
        print(f"{key}:")
        for name, value in found[key].items():
            print(f"  {name}: {json.dumps(value)}")
    if args.json:
        print(json.dumps({**found, "machine": machine}))


if __name__ == "__main__":
    main()
