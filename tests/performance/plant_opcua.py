"""Row `plant_opcua`: what 200 values at 10 Hz for three subscribed clients cost, and whether a line's scans notice.

A line runs on its I/O side as in `lines`. In turns the plant's process serves five made-up lines beside it, fed from the
line's own loop; 40 values of each change ten times a second, and three clients in another process subscribe to all of
them over encrypted connections.
"""

from __future__ import annotations

import asyncio
import json
import logging
import os
import sys
import tempfile
import time
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

from asyncua import Client, ua
from asyncua.crypto.security_policies import SecurityPolicyBasic256Sha256

from controller.certificates import read_certificate
from controller.model import Call, Counters, Reply
from controller.plant.host import PlantHost
from controller.plant.image import LineImage, LinePlan, LinkTiming
from controller.plant.opcua.own import certificate_file
from controller.plant.opcua.points import LINE_POINTS
from controller.plant.opcua.space import NAMESPACE
from controller.plant.opcua.trust import TrustList, client_of
from controller.settings.plant import OpcUaServerSection, PlantSection
from tests.free_ports import free_port
from tests.performance.lines import QUIET, run
from tests.unit.papers import URI, Papers, papers
from tests.unit.plant_images import ABOUT, SNAPSHOT

LINES, CLIENTS, PERIOD_S, TURNS = 5, 3, 0.1, 2
MOVING = ["Status/CurMachSpeed", "Job/Loaded"] + [
    point.path
    for point in LINE_POINTS
    if point.path.startswith(("Tracking/", "Queue/", "Requests/", "Products/", "Link/"))
    and point.type in (ua.VariantType.Double, ua.VariantType.UInt32)
]
SECURE_S = 30.0


class Made:
    """A made-up line of which everything moves."""

    def __init__(self, name: str) -> None:
        self._name, self._n = name, 0

    def image(self) -> LineImage:
        """The next image, other than the last in every value that moves."""
        self._n += 1
        n = self._n
        counters = Counters(detected=n, created=n, marked=n, dry=n, test_marks=n)
        counters.missed = dict.fromkeys(counters.missed, n)
        counters.products = dict.fromkeys(counters.products, n)
        snapshot = replace(
            SNAPSHOT, line=self._name, t_ns=time.monotonic_ns(), status_age_ns=4_000_000 + n, travel_counts=n,
            speed_mm_s=250 + n / 100, unknown_mm=n / 10, in_flight=n, pending=n, armed=n, counters=counters,
            lead_ms=n / 10, lead_mm=n / 20, exchange_ms=n / 10, worst_exchange_ms=n / 5, scans=n, job_loaded=n,
        )  # fmt: skip
        return LineImage(snapshot, LinkTiming(n, n, n, n, n, n, n, n, n), time.time_ns())

    async def give(self, call: Call) -> Reply:
        """Nobody asks for anything here."""
        return Reply(call, False, "a made-up line")


async def _client(port: int, pki: Path, own: Papers) -> Client:
    client = Client(f"opc.tcp://127.0.0.1:{port}/beltcue", timeout=10)
    client.application_uri, client.session_timeout = URI, 20_000
    await client.set_security(
        SecurityPolicyBasic256Sha256, own.certificate, own.key, server_certificate=certificate_file(pki)
    )
    return client


async def listen(port: int, pki: Path, own: Papers, lines: Sequence[str]) -> None:
    """Subscribe three times to all that moves, say so, and count what comes until standard input ends."""
    heard = 0

    class Counter:
        def datachange_notification(self, *_: Any) -> None:
            nonlocal heard
            heard += 1

    clients = [await _client(port, pki, own) for _ in range(CLIENTS)]
    try:
        for client in clients:
            await client.connect()
            index = await client.get_namespace_index(NAMESPACE)
            nodes = [client.get_node(ua.NodeId(f"{line}/{path}", index)) for line in lines for path in MOVING]
            subscription = await client.create_subscription(PERIOD_S * 1e3, Counter())
            await subscription.subscribe_data_change(nodes)
        before, began_s = heard, time.monotonic()
        print(json.dumps({"values": len(lines) * len(MOVING)}), flush=True)
        await asyncio.to_thread(sys.stdin.read)
        print(json.dumps({"per_s": round((heard - before) / (time.monotonic() - began_s))}), flush=True)
    finally:
        for client in clients:
            await client.disconnect()


class Load:
    """The plant's process at work."""

    def __init__(self, pid: int) -> None:
        self.pid = pid
        self.values, self.per_s = 0, 0

    def cpu_s(self) -> float:
        """What it has used of a processor so far."""
        fields = Path(f"/proc/{self.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _child(of: str) -> int:
    """Our child that runs that module."""
    for task in Path("/proc/self/task").iterdir():
        for pid in (task / "children").read_text().split():
            if of.encode() in Path(f"/proc/{pid}/cmdline").read_bytes():
                return int(pid)
    raise RuntimeError(f"no child runs {of}")


@asynccontextmanager
async def loaded(folder: Path, cores: set[int]) -> AsyncIterator[Load]:
    """Serve the made-up lines to three clients while the block runs: these on the last core, the server on any."""
    pki, own, port = folder / "pki", papers(folder / "client", "performance"), free_port()
    trust = TrustList(pki)
    trust.accept(client_of(own.certificate, read_certificate(own.certificate.read_bytes())))
    section = PlantSection(
        period="100 ms", opcua=OpcUaServerSection(address=f"127.0.0.1:{port}", pki=str(pki), anonymous=True)
    )
    names = [f"made{n}" for n in range(LINES)]
    plans = [LinePlan(replace(ABOUT, name=name), section, folder) for name in names]
    async with PlantHost({name: Made(name) for name in names}, plans, QUIET):
        load = Load(_child("controller.plant.process"))
        os.sched_setaffinity(load.pid, cores)
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "tests.performance.plant_opcua", str(port), str(pki), str(own.certificate),
            str(own.key), *names, stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE,
        )  # fmt: skip
        assert process.stdin is not None
        assert process.stdout is not None
        os.sched_setaffinity(process.pid, {max(cores)})
        os.setpriority(os.PRIO_PROCESS, process.pid, 5)
        async with asyncio.timeout(SECURE_S):
            load.values = json.loads(await process.stdout.readline())["values"]
        yield load
        process.stdin.close()
        load.per_s = json.loads(await process.stdout.readline())["per_s"]
        await process.wait()


async def _turn(for_s: float, cores: set[int], with_load: bool) -> dict[str, Any]:
    side = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "tests.performance.lines", "1", stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
    )  # fmt: skip
    assert side.stdin is not None
    assert side.stdout is not None
    ports = json.loads(await side.stdout.readline())
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if with_load:
            async with loaded(folder, cores) as load:
                cpu_s, began_s = load.cpu_s(), time.monotonic()
                found = await run(ports, for_s, folder)
                share = (load.cpu_s() - cpu_s) / (time.monotonic() - began_s)
            found |= {"plant_cpu_share": round(share, 3), "values": load.values, "notifications_per_s": load.per_s}
        else:
            found = await run(ports, for_s, folder)
    side.stdin.close()
    await side.wait()
    return found


def measure(for_s: float = 60.0) -> dict[str, Any]:
    """The plant's process as a share of a core, and how late the line's scans began with it and without."""
    cores = os.sched_getaffinity(0)
    # The line and its I/O side take turns on one core; what they wait for there is each other and the server only.
    os.sched_setaffinity(0, {min(cores)})
    try:
        turns = [
            [asyncio.run(_turn(for_s / 2 / TURNS, cores, with_load)) for with_load in (False, True)]
            for _ in range(TURNS)
        ]
    finally:
        os.sched_setaffinity(0, cores)
    loads = [load for _, load in turns]
    return {
        "value": max(load["plant_cpu_share"] for load in loads),
        "values": loads[0]["values"],
        "clients": CLIENTS,
        "notifications_per_s": [load["notifications_per_s"] for load in loads],
        "late_p99_us_without": [alone["p99_us"] for alone, _ in turns],
        "late_p99_us_with": [load["p99_us"] for load in loads],
        "line_cpu_share_without": [alone["cpu_share"] for alone, _ in turns],
        "line_cpu_share_with": [load["cpu_share"] for load in loads],
    }


if __name__ == "__main__":
    logging.disable()  # a busy computer loses a client now and then; what came is counted
    port, pki, certificate, key, *names = sys.argv[1:]
    asyncio.run(listen(int(port), Path(pki), Papers(Path(certificate), Path(key)), names))
