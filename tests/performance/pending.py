"""Row `pending_cost`: what one scan's decision costs with 1, 100 and 10,000 requests pending, beside a bare exchange.

The three lines run the same products on devices of their own, turn by turn in one process, with garbage collected as
rarely as the loop does; one request is always on its way, and they differ in how many more lie far ahead. The bare exchange is function 23 by the same client library over loopback, against the
simulated I/O side in a process of its own.
"""

from __future__ import annotations

import asyncio
import gc
import json
import random
import statistics
import subprocess
import sys
import time
from typing import Any

from pymodbus.client import AsyncModbusTcpClient

from controller.outcome import Image
from controller.scan import Line, scan
from controller.settings.line import load_line
from sim.belt import Belt, Steady
from sim.device import Device
from sim.device_spec import DeviceSpec
from sim.encoder import Encoder
from sim.marker import MarkerSpec
from sim.products import Flow, Vary, products
from sim.virtual import VirtualBench

LINE = "config/demo-line.toml"
PENDING = (1, 100, 10_000)
WAY_NS = 150_000
FAR_COUNTS = 1e9
PITCH_MM = 381.0
"""Just what a request lasts: known as its mark's 30 mm have passed, released 412 mm on; so one is pending."""


class Timed:
    """One line on its device, scanned period by period with the decision timed."""

    def __init__(self, pending: int) -> None:
        spec = load_line(LINE).spec()
        belt = Belt([Steady(400.0)], start_ns=0)
        flow = Flow(Vary(60.0), Vary(PITCH_MM), first_mm=600.0)
        station = spec.stations[0]
        marker = MarkerSpec(station.distance_mm, 0, 40_000_000, 10_000_000)
        encoder = Encoder(belt, spec.scale_mm)
        interlocks = sum(1 << bit for bit in spec.interlocks)
        supply = products([flow], random.Random(1))
        device = Device(DeviceSpec(interlocks=interlocks), belt, encoder, supply, [marker])
        self.line = Line(spec, owner=77, now_ns=0)
        bench = VirtualBench(self.line, device, _Nowhere(), skip=False)
        bench.start()
        bench.run_until(5_000_000_000)
        self._device, self._now_ns = device, bench.now_ns
        self._period_ns = round(spec.period_s * 1e9)
        held = next(iter(self.line.book.products.values()))
        for n in range(pending - 1):
            self.line.book.make(held, 0, n, FAR_COUNTS + n, self._now_ns)
        self.line.drain_events()
        self.quiet_us: list[float] = []
        self.work_us: list[float] = []

    def period(self) -> None:
        """One period: as the loop does, at once again where the decision asks for it."""
        self._now_ns += self._period_ns
        while self._scan():
            pass

    def _scan(self) -> bool:
        self._now_ns += WAY_NS
        self._device.write(self.line.command, self._now_ns)
        status = self._device.read(self._now_ns)
        image = Image(status, self._now_ns - WAY_NS, self._now_ns + WAY_NS)
        self._now_ns += WAY_NS
        began = time.perf_counter()
        outcome = scan(self.line, image, self._now_ns)
        took_us = (time.perf_counter() - began) * 1e6
        (self.work_us if outcome.events or outcome.at_once else self.quiet_us).append(took_us)
        return outcome.at_once


class _Nowhere:
    ok = True

    def put(self, events: object) -> None:
        """Keep nothing: the journal is not what is measured."""


def measure(periods: int = 12_000) -> dict[str, Any]:
    """The figures of the row; `periods` scans a line, turn by turn."""
    lines = {pending: Timed(pending) for pending in PENDING}
    order = list(lines.values())
    gc.collect()
    gc.disable()
    try:
        for n in range(periods):
            for timed in order if n % 2 else reversed(order):
                timed.period()
    finally:
        gc.enable()
    base = lines[PENDING[0]]
    rows: dict[str, dict[str, Any]] = {
        str(pending): {
            "pending_now": timed.line.book.pending,
            "quiet_us": _spread(timed.quiet_us),
            "work_us": _spread(timed.work_us),
            "quiet_ratio": round(statistics.median(timed.quiet_us) / statistics.median(base.quiet_us), 3),
            "work_ratio": round(statistics.median(timed.work_us) / statistics.median(base.work_us), 3),
        }
        for pending, timed in lines.items()
    }
    worst = max(max(row["quiet_ratio"], row["work_ratio"]) for row in rows.values())
    return {"value": worst, "bar": 1.5, "by_pending": rows, "bare_exchange_us": bare_exchange_us()}


def _spread(values: list[float]) -> dict[str, float]:
    ordered = sorted(values)
    at = {"p10": 0.1, "median": 0.5, "p99": 0.99}
    return {"n": len(ordered)} | {name: round(ordered[int(q * (len(ordered) - 1))], 1) for name, q in at.items()}


def bare_exchange_us(number: int = 2000) -> dict[str, float]:
    """A bare function-23 exchange of the whole block over loopback, in µs, against the simulator's process."""
    command = [sys.executable, "-c", "from controller.cli.main import main; raise SystemExit(main())"]
    arguments = ["sim", LINE, "--address", "127.0.0.1:0", "--truth", "-"]
    with subprocess.Popen([*command, *arguments], stdout=subprocess.PIPE, text=True) as side:
        try:
            assert side.stdout is not None
            port = int(json.loads(side.stdout.readline())["ready"]["port"])
            return asyncio.run(_exchanges(port, number))
        finally:
            side.kill()


async def _exchanges(port: int, number: int) -> dict[str, float]:
    client = AsyncModbusTcpClient("127.0.0.1", port=port, timeout=1, retries=0)
    await client.connect()
    took_us = []
    for n in range(number + 200):
        began = time.perf_counter()
        values = [n % 65536, 0, 0, 5, 250, 0, 0, 0, 0, 0, 0, 0, 0]
        answer = await client.readwrite_registers(
            read_address=0, read_count=80, write_address=100, values=values, device_id=1
        )
        if answer.isError():
            raise RuntimeError(f"the simulated I/O side answered {answer}")
        took_us.append((time.perf_counter() - began) * 1e6)
    client.close()
    return _spread(took_us[200:])
