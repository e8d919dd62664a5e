"""Row `scan_vs_bare`: one scan of a running line (exchange, decision, journal, snapshot) over a bare function-23 exchange.

The same client library, the same peer in a process of its own, turn by turn at the line's own period; the line marks
products meanwhile.
"""

from __future__ import annotations

import asyncio
import gc
import json
import os
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
from pymodbus.client import AsyncModbusTcpClient

from controller.field.modbus import ModbusLink
from controller.model import Call, State
from controller.outcome import Image
from controller.records.journal import Journal
from controller.run_record import begin_record
from controller.scan import Line, scan, snapshot
from controller.settings.line import load_line
from controller.waking import Waker
from sim.children import child

LINE = "config/demo-line.toml"
LOOPBACK = "127.0.0.1"


class Scanned:
    """A line that is scanned over a real socket, with its journal."""

    def __init__(self, line: Line, link: ModbusLink, journal: Journal) -> None:
        self.line, self._link, self._journal = line, link, journal
        self.calls: list[Call] = []

    async def cycle(self) -> float:
        """One scan, and at once again where the decision asks for it; how long the first took, in µs."""
        took_us = None
        while True:
            began_ns = time.monotonic_ns()
            status = await self._link.exchange(self.line.command)
            got_ns = time.monotonic_ns()
            calls, self.calls = self.calls, []
            outcome = scan(self.line, Image(status, began_ns, got_ns, "", self._journal.ok), got_ns, calls)
            if outcome.events:
                self._journal.put(outcome.events)
            snapshot(self.line, got_ns)
            if took_us is None:
                took_us = (time.monotonic_ns() - began_ns) / 1e3
            if not outcome.at_once:
                return took_us


async def _measure(number: int, folder: Path) -> dict[str, Any]:
    config = load_line(LINE)
    spec = config.spec()
    words = ["sim", LINE, "--address", f"{LOOPBACK}:0", "--truth", "-"]
    journal = Journal.open(folder / "journal.sqlite", spec.name)
    begin_record(journal, config, spec, mono_ns=time.monotonic_ns(), wall_ns=time.time_ns())
    waker = Waker.open()
    ours, bare = [], []
    async with child("simulator", "controller.cli.main", words, os.environ) as side:
        port = int(json.loads(await side.first_line())["ready"]["port"])
        drain = asyncio.create_task(_drain(side))
        link = ModbusLink(config.points, LOOPBACK, port, timeout_s=1.0)
        await link.connect()
        client = AsyncModbusTcpClient(LOOPBACK, port=port, timeout=1, retries=0)
        await client.connect()
        scanned = Scanned(Line(spec, 4711, time.monotonic_ns()), link, journal)
        deadline_ns = time.monotonic_ns()
        period_ns = round(spec.period_s * 1e9)
        gc.collect()
        gc.freeze()
        gc.disable()
        try:
            for n in range(number + 400):
                if n in (20, 60):
                    scanned.calls.append(Call("reset" if n == 20 else "start", "performance"))
                # Whatever comes first after the wait finds both processes cold: each is first as often as the other.
                if n % 2:
                    took_us, bare_us = await scanned.cycle(), await _bare(client)
                else:
                    bare_us, took_us = await _bare(client), await scanned.cycle()
                if n >= 400:
                    ours.append(took_us)
                    bare.append(bare_us)
                deadline_ns += period_ns
                await waker.until(deadline_ns)
        finally:
            gc.enable()
            gc.unfreeze()
        if scanned.line.state is not State.EXECUTE:
            raise RuntimeError(f"the line did not go on marking: {scanned.line.state.name}")
        marked = scanned.line.book.counters.marked
        waker.close()
        client.close()
        await link.close()
        await side.end()
        await drain
    journal.close("measured")
    us = {
        name: [round(float(q), 1) for q in np.quantile(v, (0.5, 0.99, 0.999))]
        for name, v in (("scan", ours), ("bare", bare))
    }
    ratio = {name: round(us["scan"][i] / us["bare"][i], 2) for i, name in enumerate(("median", "p99"))}
    return {
        "value": ratio,
        "bar": {"median": 1.5, "p99": 2.0},
        "us_median_p99_p999": us,
        "marked": marked,
        "n": len(ours),
    }


async def _bare(client: AsyncModbusTcpClient) -> float:
    began_ns = time.monotonic_ns()
    answer = await client.readwrite_registers(
        read_address=0, read_count=80, write_address=100, values=[0] * 13, device_id=1
    )
    if answer.isError():
        raise RuntimeError(f"the simulated I/O side answered {answer}")
    return (time.monotonic_ns() - began_ns) / 1e3


async def _drain(side: Any) -> None:
    async for _ in side.lines():
        pass


def measure(number: int = 6000) -> dict[str, Any]:
    """The figures of the row over so many scans."""
    with tempfile.TemporaryDirectory() as folder:
        return asyncio.run(_measure(number, Path(folder)))
