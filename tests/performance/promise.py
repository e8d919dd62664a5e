"""Row `promise_coverage`: what `beltcue promise` says of a measured link, against where the marks really land.

Stated in advance. A scenario is one path at one steady speed over one link. Each link is measured by `beltcue measure`
through the very proxy that the line then runs over and with the belt running, the promise is made from that, and only then marks are made: I/O
side, proxy and controller are processes of their own. A scenario is held when no more marks lie outside bias ± half
width than 95 % sure intervals would leave outside by chance in 97.5 % of such rows (binomial). How wide it is: half
width over half of what lies between the 2.5 % and the 97.5 % quantile of the marks seen. Left out, as the promise
says it is not of them: the first marks of a station, while its delay is learnt, and those whose edge was seen or whose
mark was made while the speed changes or before it.
"""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import AsyncExitStack
from dataclasses import dataclass
from datetime import datetime
from math import ceil
from pathlib import Path
from typing import Any

import numpy as np
from scipy.stats import binom

from controller.fit import DELAYS
from controller.settings.line import load_line
from controller.settings.proof import Proof, digest, keep, proof_path
from sim.children import Child, child

CONFIG = Path(__file__).resolve().parents[2] / "config"
LEARNING = DELAYS
"""So many marks come before those that count: all that the outbound delay is learnt from."""
LEARNING_MM_S = 450.0
"""The speed at which they are made."""
REACH_MM = 254.37
"""From the eye to the mark: what lies between them when the speed has changed was seen at another speed."""
SETTLING = 2
"""And so many more are left out after each change of speed."""
STEADY = 0.001
"""A mark belongs to a speed when the belt then runs at it within this share."""
STARTING_S = 7.0
"""For the processes to start, and for the line to start and to have seen what lies on it."""
JOB = """
name = "coverage"
number = 3
[[plans]]
edge = "leading"
offset = "4 mm"
count = 1
length = "2 mm"
"""
STATION = """
[[stations]]
name = "flap"
distance = "250.37 mm"
{release}
response = "{response_ms} ms"
window = "20 mm"
mark_time = "2 ms"
rearm = "1 ms"
"""
SCENARIO = """
name = "coverage"
seed = {seed}
[belt]
starts = "at once"
segments = [
{segments}
    {{ kind = "constant", speed = "{last} mm/s" }},
]
[[products]]
length = "{length_mm} mm"
pitch = "{pitch_mm} mm"
spread = "{spread_mm} mm"
varies = "uniform"
[link]
delay_min = "{least_ms} ms"
delay_max = "{most_ms} ms"
"""


@dataclass(frozen=True, slots=True)
class Link:
    """Delays each way in ms, at random between the two; both 0: none."""

    least_ms: float = 0.0
    most_ms: float = 0.0

    def __str__(self) -> str:
        return f"{self.least_ms:g}-{self.most_ms:g} ms" if self.most_ms else "direct"


@dataclass(frozen=True, slots=True)
class Bench:
    """One line over one link, run once at several speeds: its path at each of them is a scenario.

    A scan release needs a belt that swings by 2 % about each speed: its error is a constant at one that is steady to a
    thousandth, as no real belt is.
    """

    path: str
    detector: str
    link: Link
    speeds_mm_s: tuple[float, ...]
    marker_ms: float = 0.0
    eye_ms: float = 0.0
    pitch_mm: float = 40.0
    seed: int = 1
    measure_s: float = 7.0

    @property
    def learning(self) -> tuple[float, int]:
        """At which speed the line begins, and how many marks come before those that count; a scan learns nothing."""
        return (self.speeds_mm_s[0], 1) if self.plain else (LEARNING_MM_S, LEARNING)

    @property
    def settling(self) -> int:
        """How many marks after a change of speed do not count: their edges were seen before it, or just after."""
        return ceil(REACH_MM / (0.85 * self.pitch_mm)) + SETTLING

    @property
    def plain(self) -> bool:
        """Whether the I/O side is a plain device, by scan."""
        return self.path == "scan"


BENCHES = (
    Bench("timed", "captured", Link(), (110.0, 270.0, 460.0), seed=11),
    Bench("timed", "sampled", Link(), (150.0, 390.0), marker_ms=3.0, eye_ms=1.0, seed=12),
    Bench("timed", "captured", Link(0.0, 3.0), (190.0, 340.0), marker_ms=4.0, eye_ms=0.5, seed=13),
    Bench("timed", "sampled", Link(1.0, 5.0), (220.0, 430.0), pitch_mm=50.0, seed=14),
    Bench("timed", "captured", Link(4.0, 6.0), (230.0, 480.0), pitch_mm=50.0, seed=15),
    Bench("compare", "captured", Link(), (130.0, 310.0), marker_ms=6.0, eye_ms=1.5, seed=16),
    Bench("compare", "sampled", Link(), (170.0, 350.0), seed=17),
    Bench("compare", "sampled", Link(0.0, 4.0), (210.0, 410.0), marker_ms=2.0, seed=18),
    Bench("compare", "captured", Link(2.0, 9.0), (290.0,), pitch_mm=50.0, seed=19),
    Bench("scan", "sampled", Link(), (240.0, 330.0), seed=20),
)
"""20 scenarios of paths, speeds, delays and responses, none of them tuned on."""


@dataclass(frozen=True, slots=True)
class Row:
    """One scenario: what was promised and what was seen, in mm."""

    path: str
    detector: str
    link: str
    speed_mm_s: float
    marks: int
    bias_mm: float
    half_width_mm: float
    seen_mean_mm: float
    seen_half_mm: float
    outside: int
    allowed: int
    ratio: float
    held: bool

    def text(self) -> str:
        """The scenario as a row of the table."""
        return (
            f"{self.path:8} {self.detector:9} {self.link:8} {self.speed_mm_s:5.0f}  {self.marks:5d}   "
            f"{self.bias_mm:+8.4f} ± {self.half_width_mm:7.4f}     {self.seen_mean_mm:+8.4f} ± {self.seen_half_mm:7.4f}   "
            f"{self.outside:4d} ({self.allowed})      {self.ratio:5.2f}{'' if self.held else '   NOT HELD'}"
        )


def line_text(bench: Bench) -> str:
    """The line's file: one of the repository's, with this bench's stations, detector and link."""
    text = (CONFIG / ("plain-line.toml" if bench.plain else "demo-line.toml")).read_text()
    head, rest = text.split("[[stations]]", 1)
    tail = rest[rest.index("\n[") :] if "\n[" in rest else ""
    station = STATION.format(release="" if bench.plain else f'release = "{bench.path}"', response_ms=bench.marker_ms)
    text = head + station + tail
    exchange_ms = 5.0 + 2.0 * bench.link.most_ms
    for old, new in (
        ('job = "jobs/tea-carton-flap.toml"', 'job = "job.toml"'),
        ('scenario = "bench/demo.toml"', 'scenario = "scenario.toml"'),
        ('lease = "250 ms"', 'lease = "800 ms"'),
        ('lost_after = "250 ms"', f'lost_after = "800 ms"\nworst_exchange = "{exchange_ms} ms"'),
        ('worst_exchange = "5 ms"', ""),
        ('timeout = "100 ms"', 'timeout = "400 ms"'),
        ('watchdog = "200 ms"', 'watchdog = "800 ms"'),
        ('least_length = "30 mm"', 'least_length = "8 mm"'),
        ('hold_off = "40 mm"', 'hold_off = "12 mm"'),
        ('kind = "captured"', f'kind = "{bench.detector}"\nresponse = "{bench.eye_ms} ms"'),
        ("misses_in_a_row = 10", "misses_in_a_row = 0"),
    ):
        text = text.replace(old, new, 1)
    return text


def stretches_s(bench: Bench, marks: int) -> list[float]:
    """How long each speed is kept, so that so many products pass."""
    return [(marks + bench.settling) * bench.pitch_mm / speed for speed in bench.speeds_mm_s]


def write_files(bench: Bench, folder: Path, marks: int) -> tuple[Path, float]:
    """Line, job and scenario in a folder of their own; how long the belt runs, in s."""
    begins_mm_s, learning = bench.learning
    total_s = bench.measure_s + STARTING_S + learning * bench.pitch_mm / begins_mm_s
    segments = [f'    {{ kind = "constant", speed = "{begins_mm_s} mm/s", duration = "{total_s:.2f} s" }},']
    for speed, last_s in zip(bench.speeds_mm_s, stretches_s(bench, marks), strict=True):
        segments.append(f'    {{ kind = "ramp", to = "{speed} mm/s", duration = "500 ms" }},')
        total_s += 0.5
        swing = f', amplitude = "{0.02 * speed:g} mm/s", period = "1.7 s"' if bench.plain else ""
        kind = "hunting" if bench.plain else "constant"
        segments.append(f'    {{ kind = "{kind}", speed = "{speed} mm/s"{swing}, duration = "{last_s:.2f} s" }},')
        total_s += last_s
    (folder / "job.toml").write_text(JOB)
    (folder / "scenario.toml").write_text(
        SCENARIO.format(
            seed=bench.seed,
            segments="\n".join(segments),
            last=bench.speeds_mm_s[-1],
            length_mm=0.5 * bench.pitch_mm,
            pitch_mm=bench.pitch_mm,
            spread_mm=0.15 * bench.pitch_mm,
            least_ms=bench.link.least_ms,
            most_ms=bench.link.most_ms,
        )
    )
    line = folder / "line.toml"
    line.write_text(line_text(bench))
    config = load_line(line)
    if config.settings.plain is not None:
        # The simulated device has its watchdog; what a person would have proved at the bench is written down here.
        when = datetime.now().astimezone().isoformat(timespec="seconds")
        proof = Proof(
            line=config.name, date=when, who="performance", output="enable", dropped_within_s=0.8, how="simulated",
            simulated=True, digest=digest(config.settings.link, config.settings.plain),
        )  # fmt: skip
        keep(proof_path(line), proof)
    return line, total_s


async def run_bench(bench: Bench, folder: Path, marks: int) -> list[Row]:
    """Measure, promise, mark, compare."""
    line, belt_s = write_files(bench, folder, marks)
    environment = {**os.environ, "XDG_RUNTIME_DIR": str(folder)}
    truth = folder / "truth.jsonl"
    async with AsyncExitStack() as stack:
        # The truth goes to a file: nobody wakes up to read it while the other processes are at work.
        words = ["sim", str(line), "--address", "127.0.0.1:0", "--truth", str(truth)]
        side = await stack.enter_async_context(child("simulator", "controller.cli.main", words, environment))
        began_s = time.monotonic()
        port = int((await side.first_line()).partition(";")[0].rpartition(":")[2])
        hearing = asyncio.create_task(_drain(side))
        if bench.link.most_ms:
            words = ["--listen", "127.0.0.1:0", "--to", f"127.0.0.1:{port}", "--seed", str(bench.seed)]
            words += ["--min-ms", f"{bench.link.least_ms:g}", "--max-ms", f"{bench.link.most_ms:g}"]
            proxy = await stack.enter_async_context(child("proxy", "sim.proxy", words, environment))
            port = int((await proxy.first_line()).rpartition(":")[2])
        where = f"127.0.0.1:{port}"
        await _beltcue("measure", str(line), "--address", where, "--for", f"{bench.measure_s} s", "--no-plot")
        speeds = ", ".join(f"{speed} mm/s" for speed in bench.speeds_mm_s)
        words = ["promise", str(line), "--json", "--speeds", speeds, "--spacing", f"{bench.pitch_mm} mm"]
        promised = json.loads((await _beltcue(*words)).splitlines()[-1])
        left = f"{began_s + belt_s - time.monotonic():.1f} s"
        words = [
            "run", str(line), "--bench-start", "--for", left, "--json", "--address", where,
            "--journal", str(folder / "journal.sqlite"), "--log", "json",
        ]  # fmt: skip
        controller = await stack.enter_async_context(child("controller", "controller.cli.main", words, environment))
        said = [text async for text in controller.lines()]
        if not said or not json.loads(said[-1])["balanced"]:
            raise await controller.failure()
        await side.end()
        await hearing
    items = (json.loads(text) for text in truth.read_text().splitlines())
    seen = [item["mark"] for item in items if item.get("mark", {}).get("error_mm") is not None]
    return list(_rows(bench, promised["paths"], seen))


async def _drain(side: Child) -> None:
    async for _ in side.lines():
        pass


async def _beltcue(*words: str) -> str:
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "controller.cli.main", *words, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    out, err = await process.communicate()
    # Exit code 1: the link does not serve the line as it is stated; that is what some of these links are for.
    if process.returncode not in (0, 1):
        raise RuntimeError(f"beltcue {' '.join(words)}: {err.decode()}")
    return out.decode()


def _rows(bench: Bench, promised: Sequence[dict[str, Any]], seen: Sequence[dict[str, Any]]) -> Iterator[Row]:
    within = 0.03 if bench.plain else STEADY
    used = [p for p in promised if p["used"]]
    for said, speed in zip(used, bench.speeds_mm_s, strict=True):
        at_speed = [m for m in seen[bench.learning[1] :] if abs(m["truth"]["speed_mm_s"] / speed - 1.0) < within]
        errors = np.array([m["error_mm"] for m in at_speed[bench.settling :]])
        if len(errors) < 2:
            raise RuntimeError(f"{bench.path}, {bench.link}, {speed:g} mm/s: only {len(errors)} marks")
        bias, half = said["bias_mm"], said["half_width_95_mm"]
        low, high = np.quantile(errors, [0.025, 0.975])
        outside, allowed = int((np.abs(errors - bias) > half).sum()), int(binom.ppf(0.975, len(errors), 0.05))
        seen_half = float(high - low) / 2
        yield Row(
            path=bench.path, detector=bench.detector, link=str(bench.link), speed_mm_s=speed, marks=len(errors),
            bias_mm=bias, half_width_mm=half, seen_mean_mm=float(errors.mean()), seen_half_mm=seen_half,
            outside=outside, allowed=allowed, ratio=half / seen_half, held=outside <= allowed,
        )  # fmt: skip


def cover(benches: Sequence[Bench], marks: int) -> list[Row]:
    """Run the benches, one after the other, and print each scenario as it is done."""
    rows: list[Row] = []
    print("path     edges     link      mm/s  marks   promised bias ± half     seen mean ± half   outside (may)  ratio")
    for bench in benches:
        with tempfile.TemporaryDirectory(prefix="bc-") as name:
            found = asyncio.run(run_bench(bench, Path(name), marks))
        for row in found:
            print(row.text(), flush=True)
        rows += found
    return rows


def undisturbed() -> bool:
    """Ask for real-time scheduling for this process and its children; whether it was given.

    A promise is about a link and a line; what else this computer happens to do meanwhile changes from one minute to
    the next, and no measurement foresees it.
    """
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(5))
    except OSError:
        return False
    return True


def measure(marks: int = 30) -> dict[str, Any]:
    """All scenarios: how many were held, and the widest promise over what was seen."""
    policy, alone = os.sched_getscheduler(0), undisturbed()
    try:
        rows = cover(BENCHES, marks)
    finally:
        os.sched_setscheduler(0, policy, os.sched_param(0))
    held = sum(r.held for r in rows) / len(rows)
    widest = max(r.ratio for r in rows)
    return {
        "value": {"held_share": round(held, 3), "widest_ratio": round(widest, 3)},
        "real_time": alone,
        "scenarios": len(rows),
        "held": sum(r.held for r in rows),
        "marks": sum(r.marks for r in rows),
    }
