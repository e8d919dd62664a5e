"""The plant's process beside a running line: it serves, it dies, it is held up, and the line runs on."""

from __future__ import annotations

import asyncio
import os
import re
import signal
import socket
import urllib.request
from contextlib import asynccontextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from controller.cli.main import main
from tests.free_ports import free_port
from tests.wire.processes import LOOPBACK, Bench, benching, until

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    import pytest


def with_metrics(line: Path, port: int) -> None:
    line.write_text(f'{line.read_text()}\n[plant]\nperiod = "50 ms"\n[plant.metrics]\naddress = "{LOOPBACK}:{port}"\n')


@asynccontextmanager
async def plant(folder: Path) -> AsyncIterator[tuple[Bench, int]]:
    """A marking line whose figures are served at a port of this computer."""
    port = free_port()
    async with benching(folder) as bench:
        with_metrics(bench.line, port)
        async with bench.controller():
            await bench.start()
            yield bench, port


async def figures(port: int) -> dict[str, float]:
    """What the server shows; nothing while it does not answer."""

    def ask() -> str:
        try:
            with urllib.request.urlopen(f"http://{LOOPBACK}:{port}/metrics", timeout=5.0) as answer:
                return str(answer.read().decode())
        except OSError:
            return ""

    text = await asyncio.to_thread(ask)
    rows = re.findall(r"^(beltcue_\w+)\{line=\"[\w-]+\"\} (\S+)$", text, re.MULTILINE)
    return {name: float(value) for name, value in rows}


async def shown(port: int, name: str, more_than: float, bench: Bench) -> float:
    """Wait until a figure is greater than that."""
    value = more_than
    async with asyncio.timeout(60.0):
        while value <= more_than:
            assert bench.running is not None
            assert bench.running.process.returncode is None, await bench.running.failure()
            value = (await figures(port)).get(name, more_than)
            await asyncio.sleep(0.02)
    return value


def server_of(bench: Bench) -> int:
    """The process that serves, by its parent."""
    assert bench.running is not None
    return next(iter(servers_of(bench.running.process.pid)))


def servers_of(parent: int) -> list[int]:
    found = []
    for entry in Path("/proc").glob("[0-9]*"):
        try:
            words = (entry / "cmdline").read_bytes()
            status = (entry / "stat").read_text()
        except OSError:
            continue
        if b"controller.plant.process" in words and int(status.rpartition(")")[2].split()[1]) == parent:
            found.append(int(entry.name))
    return found


async def test_a_server_that_dies_is_replaced_and_the_line_runs_on(tmp_path: Path) -> None:
    async with plant(tmp_path) as (bench, port):
        before = await shown(port, "beltcue_scans_total", 0.0, bench)
        first = server_of(bench)
        os.kill(first, signal.SIGKILL)
        after = await shown(port, "beltcue_scans_total", before + 100.0, bench)
        assert after > before
        assert server_of(bench) != first
        status = await bench.status(lambda status: True)
        assert status["state"] == "Execute"
        assert bench.logged("the servers for the plant ended, starting them anew; the lines run on")
    assert bench.verdict is not None
    assert bench.verdict["doubles"] == 0


async def test_a_server_that_stands_still_holds_no_line_up(tmp_path: Path) -> None:
    async with plant(tmp_path) as (bench, port):
        await shown(port, "beltcue_scans_total", 0.0, bench)
        server = server_of(bench)
        os.kill(server, signal.SIGSTOP)
        before = await bench.status(lambda status: True)
        await bench.status(lambda status: status["scans"] > before["scans"] + 400)
        os.kill(server, signal.SIGCONT)
        now = await shown(port, "beltcue_scans_total", before["scans"] + 400.0, bench)
        assert (await bench.status(lambda status: status["scans"] >= now))["state"] == "Execute"
        assert not bench.logged("fault")


async def test_nothing_is_left_behind_when_the_controller_is_killed(tmp_path: Path) -> None:
    async with plant(tmp_path) as (bench, port):
        await shown(port, "beltcue_scans_total", 0.0, bench)
        assert bench.running is not None
        server = server_of(bench)
        bench.running.process.kill()
        await until(lambda: not Path(f"/proc/{server}/cmdline").exists() or gone(server), "the server to end")


def gone(process: int) -> bool:
    try:
        return not Path(f"/proc/{process}/cmdline").read_bytes()
    except OSError:
        return True


def test_a_port_in_use_is_said_in_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = Path(__file__).resolve().parents[2] / "config"
    text = (config / "demo-line.toml").read_text().replace('"jobs/', f'"{config}/jobs/')
    line = tmp_path / "line.toml"
    line.write_text(text)
    with socket.socket() as taken:
        taken.bind((LOOPBACK, 0))
        taken.listen()
        with_metrics(line, taken.getsockname()[1])
        assert main(["run", str(line), "--journal", str(tmp_path / "journal.sqlite"), "--for", "1s"]) == 2
    said = capsys.readouterr().err.strip().splitlines()[-1]
    assert re.search(r"plant\.metrics\.address: cannot listen at 127\.0\.0\.1:\d+: Address already in use", said)
