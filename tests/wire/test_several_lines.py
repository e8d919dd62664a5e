"""Several lines in one process: each for itself, whatever happens to another; those at one address share the way to it."""

from __future__ import annotations

import asyncio
import dataclasses
import json
import signal
import struct
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
import structlog

from controller.app import RunOptions, run_lines
from controller.local_client import LocalClient, NotRunningError
from controller.local_socket import socket_path
from controller.loop import LayoutError
from controller.records.report import report
from controller.settings.line import LineConfig, load_line
from sim.device import Device
from sim.scenario import load_scenario
from sim.server import NEW_PAIR, Wire, serving, serving_units, since_now_ns
from sim.tables import Registers
from sim.world import build_device

CONFIG_FOLDER = Path(__file__).resolve().parents[2] / "config"
NOBODY = "127.0.0.1:9"
"""The discard port, where nobody listens."""
LIMIT_S = 60.0
RUN_S = 3.0
DENSE = """
name = "dense"
[belt]
starts = "with running"
segments = [{ kind = "constant", speed = "20 m/min" }]
[[products]]
length = "40 mm"
pitch = "70 mm"
"""


def drop(*_: object) -> Any:
    raise structlog.DropEvent


QUIET = structlog.wrap_logger(structlog.PrintLogger(), processors=[drop])


def line_file(folder: Path, name: str, address: str, *changes: tuple[str, str]) -> Path:
    """A line of that name at that address, its journal beside its file."""
    text = (CONFIG_FOLDER / "demo-line.toml").read_text()
    for old, new in (
        ('"jobs/', f'"{CONFIG_FOLDER}/jobs/'),
        ('"bench/demo.toml"', '"dense.toml"'),
        ("tea-cartons", name),
        ("127.0.0.1:15020", address),
        ("[journal]", f'[journal]\npath = "{name}.sqlite"'),
        # A busy machine may hold an exchange up; these tests are not about that.
        ('timeout = "100 ms"', 'timeout = "400 ms"'),
        ('lease = "250 ms"', 'lease = "800 ms"'),
        ('lost_after = "250 ms"', 'lost_after = "1 s"'),
        *changes,
    ):
        assert old in text
        text = text.replace(old, new)
    (folder / "dense.toml").write_text(DENSE)
    path = folder / f"{name}.toml"
    path.write_text(text)
    return path


def device_of(config: LineConfig) -> Device:
    assert config.scenario_path is not None
    spec = config.spec()
    device = build_device(spec, load_scenario(config.scenario_path, spec))
    assert isinstance(device, Device)
    return device


@asynccontextmanager
async def served(folder: Path, *names: str) -> AsyncIterator[list[Path]]:
    """Lines with an I/O side each."""
    async with asyncio.timeout(LIMIT_S):
        contexts = []
        lines = []
        for name in names:
            config = load_line(line_file(folder, name, NOBODY))
            context = serving(device_of(config), config.points)
            server = await context.__aenter__()
            contexts.append(context)
            lines.append(line_file(folder, name, f"127.0.0.1:{server.port}"))
        try:
            yield lines
        finally:
            for context in contexts:
                await context.__aexit__(None, None, None)


def plan(path: Path, **more: Any) -> tuple[LineConfig, RunOptions]:
    config = load_line(path)
    host, port = config.address
    return config, RunOptions(host, port, config.journal_path, "anna", **more)


async def beltcue(*words: str) -> asyncio.subprocess.Process:
    return await asyncio.create_subprocess_exec(
        sys.executable, "-m", "controller.cli.main", *words,
        stdin=asyncio.subprocess.DEVNULL, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE,
    )  # fmt: skip


async def ended(process: asyncio.subprocess.Process) -> tuple[int, str, list[str]]:
    """Exit code, standard output, and what it complained of."""
    out, err = await process.communicate()
    assert process.returncode is not None
    assert b"Traceback" not in err
    return process.returncode, out.decode(), [x for x in err.decode().splitlines() if x.startswith("beltcue: ")]


def assert_marked(summary: dict[str, Any]) -> None:
    assert (summary["state"], summary["balanced"], summary["faults"]) == ("Stopped", True, {})
    assert summary["requests"]["marked"] > 0


async def test_each_line_has_its_own_records_and_summary_and_the_last_line_is_one_object(tmp_path: Path) -> None:
    async with served(tmp_path, "left", "right") as lines:
        words = [*map(str, lines), "--bench-start", "--for", f"{RUN_S} s", "--json"]
        code, out, _ = await ended(await beltcue("run", *words))
    found = json.loads(out.splitlines()[-1])
    assert code == 0, out
    assert [summary["line"] for summary in found["lines"]] == ["left", "right"]
    for summary in found["lines"]:
        assert_marked(summary)
        kept = report(tmp_path / f"{summary['line']}.sqlite")
        assert kept.requests["marked"] == summary["requests"]["marked"]


async def test_a_line_that_cannot_be_reached_leaves_the_others_alone(tmp_path: Path) -> None:
    dead = line_file(tmp_path, "dead", NOBODY)
    async with served(tmp_path, "alive") as (alive,):
        ends = await run_lines([plan(dead, for_s=RUN_S), plan(alive, for_s=RUN_S, start=True)], QUIET)
    first, second = (end.result for end in ends)
    assert first is not None
    assert "never answered" in first.why
    assert second is not None
    assert second.orderly, second.why
    assert_marked(second.summary)
    assert second.summary["scan"]["failed"] == 0


class FailingLog:
    """A log that fails as one line begins to mark: a defect in that line's own scan."""

    def __init__(self, line: str = "") -> None:
        self._line = line

    def bind(self, line: str) -> FailingLog:
        return FailingLog(line)

    def info(self, event: str, **words: Any) -> None:
        if self._line == "broken" and words.get("state") == "Execute":
            raise RuntimeError("a defect")

    warning = error = info


async def test_a_defect_in_one_line_ends_that_line_alone_safely(tmp_path: Path) -> None:
    async with served(tmp_path, "broken", "sound") as lines:
        ends = await run_lines([plan(line, for_s=RUN_S, start=True) for line in lines], FailingLog())
    assert ends[0].result is None
    assert str(ends[0].error) == "a defect"
    assert ends[1].result is not None
    assert ends[1].result.orderly, ends[1].result.why
    assert_marked(ends[1].result.summary)
    kept = report(tmp_path / "broken.sqlite")
    assert kept.balanced
    assert kept.requests.get("marked", 0) == 0


async def test_a_foreign_layout_ends_that_line_with_exit_code_2_after_the_others(tmp_path: Path) -> None:
    config = load_line(line_file(tmp_path, "foreign", NOBODY))
    device = device_of(config)
    read = device.read

    class Foreign:
        """The same I/O side with a layout that nobody knows."""

        def __getattr__(self, name: str) -> Any:
            return getattr(device, name)

        def read(self, t_ns: int) -> Any:
            return dataclasses.replace(read(t_ns), layout=7)

    async with served(tmp_path, "known") as (known,), serving(Foreign(), config.points) as server:  # type: ignore[arg-type]
        foreign = line_file(tmp_path, "foreign", f"127.0.0.1:{server.port}")
        ends = await run_lines([plan(foreign, for_s=RUN_S), plan(known, for_s=RUN_S, start=True)], QUIET)
        words = ["run", str(foreign), str(known), "--for", "500 ms", "--json"]
        code, out, said = await ended(await beltcue(*words))
    assert isinstance(ends[0].error, LayoutError)
    assert ends[1].result is not None
    assert_marked(ends[1].result.summary)
    assert code == 2
    assert [text for text in said if "foreign: " in text and "layout 7" in text]
    lines = json.loads(out.splitlines()[-1])["lines"]
    assert lines[0].keys() == {"line", "error"}
    assert lines[1]["state"] == "Stopped"


async def test_a_signal_ends_all_lines_in_order(tmp_path: Path, runtime: Path) -> None:
    async with served(tmp_path, "left", "right") as lines:
        process = await beltcue("run", *map(str, lines), "--bench-start", "--json")
        for name in ("left", "right"):
            while await asyncio.to_thread(_state, runtime, name) != "Execute":  # noqa: ASYNC110 - another process
                await asyncio.sleep(0.05)
        process.send_signal(signal.SIGTERM)
        code, out, said = await ended(process)
    assert code == 0, said
    for summary in json.loads(out.splitlines()[-1])["lines"]:
        assert (summary["state"], summary["ended"]) == ("Stopped", "terminated")


def _state(runtime: Path, name: str) -> str:
    try:
        with LocalClient(socket_path(name, runtime)) as client:
            return str(client.status()["state"])
    except NotRunningError:
        return ""


async def test_what_two_lines_must_not_share_is_one_line_and_exit_code_2(tmp_path: Path) -> None:
    left, right = (line_file(tmp_path, name, NOBODY) for name in ("left", "right"))
    (tmp_path / "other").mkdir()
    twin = line_file(tmp_path / "other", "left", NOBODY)
    same = line_file(tmp_path, "same", NOBODY, ("same.sqlite", "left.sqlite"))
    framed = line_file(tmp_path, "framed", NOBODY, ('protocol = "modbus-tcp"', 'protocol = "modbus-rtu-tcp"'))
    for words, texts in (
        ((left, twin), (str(twin), 'line.name "left"', str(left))),
        ((left, left), ('line.name "left"',)),
        ((left, right, same), (str(same), "journal.path", "left.sqlite", str(left))),
        ((left, framed), (str(framed), "link.protocol", str(left), "one connection")),
        ((left, right, "--address", "127.0.0.1:1"), ("--address is for one line",)),
        ((left, right, "--journal", "j.sqlite"), ("--journal is for one line",)),
        ((left, tmp_path / "none.toml"), ("none.toml", "no such file")),
    ):
        code, _, said = await ended(await beltcue("run", *map(str, words)))
        assert (code, len(said)) == (2, 1)
        for text in texts:
            assert text in said[0]


class Gateway:
    """A gateway with a unit for each line behind it: what it saw, and whether it was ever asked two things at once."""

    def __init__(self, units: dict[int, Registers], silent: frozenset[int] = frozenset()) -> None:
        self._units, self._silent = units, silent
        self.connections = self.at_once = self.busy = 0
        self.asked: list[int] = []

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        answering: set[asyncio.Task[None]] = set()
        try:
            while True:
                transaction, protocol, length, unit = struct.unpack(">HHHB", await reader.readexactly(7))
                pdu = await reader.readexactly(length - 1)
                self.asked.append(unit)
                if unit not in self._silent:
                    # Answered beside the reading, so that a second request would be seen.
                    task = asyncio.create_task(self._answer(writer, (transaction, protocol, unit), pdu))
                    answering.add(task)
                    task.add_done_callback(answering.discard)
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        finally:
            for task in answering:
                task.cancel()
            await asyncio.gather(*answering, return_exceptions=True)
            writer.close()

    async def _answer(self, writer: asyncio.StreamWriter, head: tuple[int, int, int], pdu: bytes) -> None:
        transaction, protocol, unit = head
        self.busy += 1
        self.at_once = max(self.at_once, self.busy)
        try:
            await asyncio.sleep(0.001)
            answer = self._units[unit].answer(pdu)
            writer.write(struct.pack(">HHHB", transaction, protocol, len(answer) + 1, unit) + answer)
        finally:
            self.busy -= 1


@asynccontextmanager
async def gateway(
    folder: Path, units: dict[int, str], silent: frozenset[int] = frozenset()
) -> AsyncIterator[tuple[Gateway, list[Path]]]:
    """Lines behind one address, each with a unit of its own."""

    def file(unit: int, address: str) -> Path:
        changes = [("unit_id = 1", f"unit_id = {unit}")]
        if unit in silent:
            changes.append(('timeout = "400 ms"', 'timeout = "100 ms"'))
        return line_file(folder, units[unit], address, *changes)

    clock = since_now_ns()
    configs = {unit: load_line(file(unit, NOBODY)) for unit in units}
    sides = {unit: Registers(device_of(config), config.points, clock) for unit, config in configs.items()}
    seen = Gateway(sides, silent)
    async with asyncio.timeout(LIMIT_S):
        server = await asyncio.start_server(seen.serve, "127.0.0.1", 0)
        try:
            port = server.sockets[0].getsockname()[1]
            yield seen, [file(unit, f"127.0.0.1:{port}") for unit in units]
        finally:
            server.close()
            await server.wait_closed()


async def test_lines_at_one_address_share_one_connection_and_ask_one_thing_at_a_time(tmp_path: Path) -> None:
    async with gateway(tmp_path, {1: "left", 2: "right"}) as (seen, lines):
        ends = await run_lines([plan(line, for_s=RUN_S, start=True) for line in lines], QUIET)
    assert (seen.connections, seen.at_once) == (1, 1)
    for end in ends:
        assert end.result is not None
        assert end.result.orderly, end.result.why
        assert_marked(end.result.summary)


async def test_a_unit_that_does_not_answer_leaves_the_shared_way_to_the_others(tmp_path: Path) -> None:
    async with gateway(tmp_path, {1: "mute", 2: "sound"}, frozenset({1})) as (seen, (mute, sound)):
        ends = await run_lines([plan(mute, for_s=RUN_S), plan(sound, for_s=RUN_S, start=True)], QUIET)
    first, second = (end.result for end in ends)
    assert first is not None
    assert "never answered" in first.why
    assert second is not None
    assert_marked(second.summary)
    # Each time it is asked the bus waits for its timeout: it is asked ever more rarely.
    assert 2 <= seen.asked.count(1) <= 8


async def test_lines_on_one_serial_bus_mark_side_by_side(tmp_path: Path) -> None:
    """Each a unit of its own on one pair of pseudo terminals."""

    def file(unit: int, name: str, path: str) -> Path:
        serial = f'port = "{path}"\nbaud = 921600\nparity = "none"'
        return line_file(
            tmp_path, name, NOBODY, ('protocol = "modbus-tcp"', 'protocol = "modbus-rtu"'),
            (f'address = "{NOBODY}"', serial), ("unit_id = 1", f"unit_id = {unit}"),
            ('worst_exchange = "5 ms"', 'worst_exchange = "16 ms"'), ('top_speed = "30 m/min"', 'top_speed = "21 m/min"'),
        )  # fmt: skip

    names = {3: "left", 4: "right"}
    configs = {unit: load_line(file(unit, name, "/dev/ttyUSB0")) for unit, name in names.items()}
    devices = {unit: (device_of(config), config.points) for unit, config in configs.items()}
    wire = Wire(rtu=True, serial=configs[3].settings.link.serial_line())
    async with asyncio.timeout(LIMIT_S), serving_units(devices, NEW_PAIR, wire=wire) as server:
        lines = [file(unit, name, server.host) for unit, name in names.items()]
        ends = await run_lines([plan(line, for_s=RUN_S, start=True) for line in lines], QUIET)
    for end in ends:
        assert end.result is not None
        assert end.result.orderly, end.result.why
        assert_marked(end.result.summary)


async def test_an_event_loop_that_is_not_installed_is_one_line_and_exit_code_2(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "uvloop.py").write_text("raise ImportError")
    monkeypatch.setenv("PYTHONPATH", f"{tmp_path}:{CONFIG_FOLDER.parent}")
    line = line_file(tmp_path, "line", NOBODY)
    code, _, said = await ended(await beltcue("run", str(line), "--event-loop", "uvloop"))
    assert (code, len(said)) == (2, 1)
    assert "uvloop is not installed" in said[0]
    assert "beltcue[fast]" in said[0]


async def test_a_line_runs_on_the_faster_event_loop_and_in_real_time_where_it_may(tmp_path: Path) -> None:
    pytest.importorskip("uvloop", reason="uvloop is not installed (pip install 'beltcue[fast]')")
    async with served(tmp_path, "line") as (line,):
        words = ("run", str(line), "--event-loop", "uvloop", "--realtime", "--bench-start", "--for", "3 s", "--json")
        code, out, said = await ended(await beltcue(*words))
    assert code == 0, said
    assert_marked(json.loads(out.splitlines()[-1]))
