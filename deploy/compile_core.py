"""Build the compiled core; run from the repository's root, by `deploy/compile`.

The modules are those that a run in virtual time spends its time in: the decision, and the simulator's world.
"""

from __future__ import annotations

import argparse
import os
import shlex
import shutil
import sys
import sysconfig
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))
os.environ["BELTCUE_COMPILED"] = "0"  # an earlier one has no say in this

from controller.compiled import BUILT, STAMP, stamp_of  # noqa: E402

CORE = [
    "controller/registers.py",
    "controller/model.py",
    "controller/events.py",
    "controller/outcome.py",
    "controller/snapshot.py",
    "controller/spec.py",
    "controller/travel.py",
    "controller/detect.py",
    "controller/plan.py",
    "controller/marks.py",
    "controller/requests.py",
    "controller/release.py",
    "controller/enable.py",
    "controller/faults.py",
    "controller/watch.py",
    "controller/lead.py",
    "controller/fit.py",
    "controller/timed.py",
    "controller/line.py",
    "controller/ordering.py",
    "controller/unit.py",
    "controller/modes.py",
    "controller/calls.py",
    "controller/view.py",
    "controller/scan.py",
    "sim/profile.py",
    "sim/belt.py",
    "sim/encoder.py",
    "sim/rings.py",
    "sim/compare.py",
    "sim/device_spec.py",
    "sim/products.py",
    "sim/detector.py",
    "sim/marker.py",
    "sim/permit.py",
    "sim/script.py",
    "sim/device.py",
    "sim/virtual.py",
    "sim/verdict.py",
    "sim/terms.py",
    "sim/sums.py",
]


def missing() -> str:
    """What is not there to build with, in words; empty when all is there."""
    compiler = shlex.split(os.environ.get("CC") or sysconfig.get_config_var("CC") or "cc")[0]
    if shutil.which(compiler) is None:
        return f'no C compiler ("{compiler}"): on Debian or Ubuntu, apt-get install gcc libc6-dev'
    if not (Path(sysconfig.get_path("include")) / "Python.h").exists():
        return "no Python.h: on Debian or Ubuntu, apt-get install python3-dev"
    try:
        import mypyc.build  # noqa: F401
        import setuptools  # noqa: F401
    except ImportError as error:
        return f"no {error.name}: deploy/compile installs it"
    return ""


def build(out: Path, opt_level: str) -> None:
    """Build all of the core into a folder, which then takes the place of an older one."""
    from mypyc.build import mypycify
    from setuptools import setup

    out.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix="compiled-", dir=out.parent) as work:
        new = Path(work) / "new"
        modules = mypycify(CORE, opt_level=opt_level, debug_level="0", target_dir=work)
        for module in modules:
            # Fusing a product and a sum into one rounding would make places that the source does not.
            module.extra_compile_args.append("-ffp-contract=off")
        words = ["-q", "build_ext", "--build-lib", str(new), "--build-temp", str(Path(work) / "objects")]
        setup(name="beltcue-core", version="0", packages=[], ext_modules=modules, script_args=words)
        (new / STAMP).write_text(stamp_of(CORE))
        shutil.rmtree(out, ignore_errors=True)
        new.rename(out)


def main() -> int:
    """Build it, or say in one line why not."""
    parser = argparse.ArgumentParser(prog="deploy/compile", description="Build the compiled core.")
    parser.add_argument("--out", type=Path, default=BUILT, help="the folder (default: build/compiled)")
    parser.add_argument("--opt", choices="0123", default="2", help="the C compiler's optimisation (default: 2)")
    args = parser.parse_args()
    why = missing()
    if why:
        print(f"the core is not compiled and runs as it is: {why}", file=sys.stderr)
        return 2
    os.chdir(ROOT)
    build(args.out.resolve(), args.opt)
    print(f"the core is compiled: {len(CORE)} modules in {args.out}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
