"""`beltcue points` against a simulated I/O side on real sockets, with a running controller and without one."""

from __future__ import annotations

import asyncio
import json
import os
import pty
import signal
import socket
import sys
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
import structlog

from controller.app import RunOptions, run_line
from controller.cli.main import main
from controller.local_client import LocalClient
from controller.local_socket import socket_path
from controller.plant import local
from controller.records.report import report
from controller.registers import Command, ControlBit
from controller.settings.line import LineConfig, load_line
from sim.device import Device
from sim.scenario import load_scenario
from sim.server import serving, serving_plain
from sim.world import build_device, build_plain_device

DEMO, PLAIN = (str(Path(f"config/{name}.toml").resolve()) for name in ("demo-line", "plain-line"))
LIMIT_S = 60.0
QUIET = structlog.wrap_logger(
    structlog.PrintLogger(), processors=[lambda *_: (_ for _ in ()).throw(structlog.DropEvent)]
)


async def until(true: Callable[[], object], what: str) -> None:
    deadline_s = asyncio.get_running_loop().time() + LIMIT_S
    while not true():
        assert asyncio.get_running_loop().time() < deadline_s, f"waited {LIMIT_S:g} s for {what}"
        await asyncio.sleep(0.01)


@dataclass
class Here:
    """A controller in this process at a simulated I/O side, what that was last told, and the verbs as typed."""

    config: LineConfig
    journal: Path
    capsys: pytest.CaptureFixture[str]
    port: int = 0
    control: list[int] = field(default_factory=lambda: [0])

    def on(self, bit: ControlBit) -> bool:
        return bool(self.control[-1] & bit)

    async def asked(self, *words: str) -> tuple[int, str, str]:
        """Exit code, standard output and the one line on standard error, if there is one."""
        self.capsys.readouterr()
        code = await asyncio.to_thread(main, list(words))
        out, err = self.capsys.readouterr()
        assert len(err.splitlines()) <= 1
        return code, out, err

    async def points(self, *words: str) -> tuple[int, dict[str, Any]]:
        code, out, _ = await self.asked("points", str(self.config.path), "--json", *words)
        return code, json.loads(out.splitlines()[-1])

    async def refused(self, *words: str) -> str:
        code, out, err = await self.asked("points", str(self.config.path), *words)
        assert (code, out) == (2, "")
        assert err.startswith("beltcue: ")
        return err

    async def call(self, verb: str, argument: str = "") -> str | None:
        def give() -> str | None:
            with LocalClient(socket_path(self.config.name)) as client:
                return client.call(verb, "anna", argument)

        return await asyncio.to_thread(give)

    async def status(self) -> dict[str, Any]:
        def give() -> dict[str, Any]:
            with LocalClient(socket_path(self.config.name)) as client:
                return client.status()

        return await asyncio.to_thread(give)

    async def maintenance(self) -> None:
        deadline_s = asyncio.get_running_loop().time() + LIMIT_S
        assert await self.call("mode", "maintenance") is None
        while (await self.status())["not_forcible"]:
            assert asyncio.get_running_loop().time() < deadline_s, "the I/O side did not take the controller"
            await asyncio.sleep(0.02)

    def commands(self) -> list[tuple[str, str]]:
        return [(c.verb, c.argument) for c in report(self.journal).commands]


def told(device: Device, control: list[int]) -> Device:
    write = device.write

    def noted(command: Command, t_ns: int) -> None:
        if command.owner:
            control.append(command.control)
        write(command, t_ns)

    device.write = noted  # type: ignore[method-assign]
    return device


@asynccontextmanager
async def here(
    capsys: pytest.CaptureFixture[str], folder: Path, run: bool = True, line: str = DEMO
) -> AsyncIterator[Here]:
    config = load_line(line)
    assert config.scenario_path is not None
    scenario = load_scenario(config.scenario_path, config.spec())
    place = Here(config, folder / "journal.sqlite", capsys)
    if config.plain is None:
        served = serving(told(build_device(config.spec(), scenario), place.control), config.points)
    else:
        served = serving_plain(build_plain_device(config.spec(), scenario), config.plain)
    async with served as server:
        place.port = server.port
        options = RunOptions("127.0.0.1", server.port, place.journal, "anna", dry=config.plain is not None)
        if not run:
            yield place
            return
        task = asyncio.create_task(run_line(config, options, QUIET))
        try:
            await until(socket_path(config.name).exists, "the control socket")
            yield place
        finally:
            os.kill(os.getpid(), signal.SIGTERM)  # as it is ended on a line: in order
            await asyncio.wait_for(task, LIMIT_S)


def named(found: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {point["name"]: point for point in found["points"]}


async def test_without_a_controller_it_reads_the_io_side_and_is_nobody_there(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    async with here(capsys, tmp_path, run=False) as place:
        code, found = await place.points("--address", f"127.0.0.1:{place.port}", "--for", "300ms")
        assert place.control == [0], "a command of somebody reached the I/O side"
        code_text, out, _ = await place.asked("points", DEMO, "--address", f"127.0.0.1:{place.port}")
    points = named(found)
    assert (code, code_text, found["source"], found["note"]) == (0, 0, "io_side", "")
    assert found["looks"] > 1
    assert (points["interlocks"]["raw"], points["interlocks.cover"]["text"]) == (7, "closed")
    assert points["owner"]["raw"] == 0
    assert points["sample_us"]["changes"] > 0
    assert points["sample_us"]["scaled"] == pytest.approx(points["sample_us"]["raw"] / 1e3)
    assert points["belt_count"]["scaled"] == pytest.approx(points["belt_count"]["raw"] * 299.7 / 8000)
    assert points["belt_count"]["age_ms"] >= 0
    assert points["control.enable"]["raw"] is points["control.enable"]["age_ms"] is None
    assert "no controller is running" in out.splitlines()[0]
    assert len(out.splitlines()) == 2 + len(points)


async def test_a_plain_device_shows_its_own_inputs(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    async with here(capsys, tmp_path, run=False, line=PLAIN) as place:
        code, found = await place.points("--address", f"127.0.0.1:{place.port}")
    points = named(found)
    assert (code, points["interlocks.guard"]["text"], points["stations.flap.ready"]["raw"]) == (0, "closed", 1)
    assert (points["stations.flap.trigger"]["raw"], points["enable"]["raw"]) == (None, None)


async def test_the_controller_of_a_plain_device_shows_its_outputs_and_forces_the_beacon_only(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    async with here(capsys, tmp_path, line=PLAIN) as place:
        await place.maintenance()
        for name in ("enable", "stations.flap.trigger", "detector"):
            assert "the auxiliary outputs of this line: running" in await place.refused("--write", f"{name}=1")
        words = ("--write", "running=1", "--confirm", "running", "--for", "300ms")
        code, found = await place.points(*words)
        points = named(found)
        assert (code, found["source"], found["forced"]["name"]) == (0, "controller", "running")
        assert (points["running"]["raw"], points["enable"]["raw"], points["stations.flap.trigger"]["raw"]) == (1, 0, 0)
        _, found = await place.points("--only", "running")
        assert found["points"][0]["raw"] == 0


async def test_an_output_is_held_while_the_command_runs_and_that_is_shown_and_recorded(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    async with here(capsys, tmp_path) as place:
        await place.maintenance()
        words = ("--write", "control.line_stop=1", "--confirm", "control.line_stop", "--for", "1s", "--only", "owner")
        holding = asyncio.create_task(place.points(*words))
        await until(lambda: place.on(ControlBit.LINE_STOP), "the output at the I/O side")
        forced = (await place.status())["forced"]
        assert (forced["name"], forced["on"]) == ("line_stop", True)
        assert "line_stop is forced by" in (await place.call("force", "running=1") or "accepted")
        code, found = await holding
        await until(lambda: not place.on(ControlBit.LINE_STOP), "the output to drop")
        assert (await place.status())["forced"] is None
    assert (code, [point["name"] for point in found["points"]]) == (0, ["control.line_stop", "owner"])
    assert found["points"][0]["raw"] == 1
    assert ("force", "line_stop=1") in place.commands()
    assert place.commands()[-1] == ("unforce", "line_stop")


async def test_bad_input_is_one_line_and_nothing_moves(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert "none is running for tea-cartons" in await Here(load_line(DEMO), tmp_path, capsys).refused(
        "--write", "running=1"
    )
    async with here(capsys, tmp_path) as place:
        aside = ("--confirm", "running", "--for", "1s")
        assert "the mode is Production" in await place.refused("--write", "running=1", *aside)
        await place.maintenance()
        for words, said in (
            (("--write", "runing=1"), 'the line has no point "runing"; did you mean control.running?'),
            (("--only", "bits.marker_redy"), "did you mean bits.marker_ready?"),
            (("--write", "running=2"), "the value is 0 or 1; write e.g. control.running=1"),
            (("--write", "running"), "the value is 0 or 1"),
            (("--write", "=1"), "the line has no point"),
            (("--write", "belt_count=1"), "belt_count is no output"),
            (("--write", "control.enable=1"), "never written by hand"),
            (("--write", "command.order_token=1"), "never written by hand"),
            (("--write", "line_stop=1", "--write", "running=1"), "one output at a time"),
            (("--write", "running=1", "--for", "1s"), "must be confirmed by a person at a terminal"),
            (("--write", "running=1", "--confirm", "running"), "needs --for"),
            (("--write", "running=1", "--confirm", "line_stop", "--for", "1s"), '"line_stop" is not control.running'),
            (("--confirm", "running"), "--confirm goes with --write"),
            (("--address", "127.0.0.1:1"), "the values come through it"),
        ):
            assert said in await place.refused(*words)
        assert await place.call("remote") is None
        assert "set to plant" in await place.refused("--write", "running=1", *aside)
        assert set(place.control) == {0}
    monkeypatch.setattr(LineConfig, "is_test_address", lambda *_: False)
    async with here(capsys, tmp_path) as place:
        await place.maintenance()
        assert "is none, so a person must type it" in await place.refused("--write", "running=1", *aside)
        assert set(place.control) == {0}


async def test_leaving_the_mode_ends_the_command(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    async with here(capsys, tmp_path) as place:
        await place.maintenance()
        words = ("--write", "line_stop=1", "--confirm", "line_stop", "--for", "60s")
        holding = asyncio.create_task(place.points(*words))
        await until(lambda: place.on(ControlBit.LINE_STOP), "the output at the I/O side")
        assert await place.call("mode", "production") is None
        code, found = await asyncio.wait_for(holding, LIMIT_S)
        assert not place.on(ControlBit.LINE_STOP)
    assert code == 1
    assert "control.line_stop is no longer forced" in found["note"]
    assert "the mode is Production" in found["note"]


async def test_an_io_side_that_does_not_answer_is_said(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    with socket.socket() as nobody:
        nobody.bind(("127.0.0.1", 0))
        address = f"127.0.0.1:{nobody.getsockname()[1]}"
        place = Here(load_line(DEMO), tmp_path, capsys)
        code, out, err = await place.asked("points", DEMO, "--address", address, "--for", "300ms")
    assert (code, out.splitlines()[1]) == (1, err.removeprefix("beltcue: ").rstrip())
    assert "the I/O side does not answer" in err


# What ends the command, or only its connection, however roughly.


async def held_by(place: Here, *more: str) -> asyncio.subprocess.Process:
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "controller.cli.main", "points", DEMO, "--write", "line_stop=1", "--confirm", "line_stop",
        "--for", "60s", *more, stdin=asyncio.subprocess.DEVNULL, stdout=asyncio.subprocess.DEVNULL,
    )  # fmt: skip
    await until(lambda: place.on(ControlBit.LINE_STOP), "the output at the I/O side")
    return process


async def test_a_command_that_dies_holds_nothing(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    async with here(capsys, tmp_path) as place:
        await place.maintenance()
        process = await held_by(place)
        process.kill()
        await until(lambda: not place.on(ControlBit.LINE_STOP), "the output to drop")
        await process.wait()
    assert place.commands()[-1] == ("unforce", "line_stop")


async def test_a_connection_that_ends_or_falls_silent_holds_nothing_and_takes_nothing_of_others(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(local, "HOLD_S", 0.5)
    async with here(capsys, tmp_path) as place:
        await place.maintenance()
        client = await asyncio.to_thread(LocalClient, socket_path(place.config.name))
        assert await asyncio.to_thread(client.call, "force", "anna", "line_stop=1") is None
        for _ in range(10):  # twice as long as it may be silent
            await asyncio.sleep(0.1)
            assert (await asyncio.to_thread(client.points))["forced"]["name"] == "line_stop"
        await until(lambda: not place.on(ControlBit.LINE_STOP), "the output to drop, as nothing is asked")
        other = await asyncio.to_thread(LocalClient, socket_path(place.config.name))
        assert await asyncio.to_thread(other.call, "force", "bert", "line_stop=1") is None
        client.close()
        await asyncio.sleep(0.2)
        assert (await asyncio.to_thread(other.points))["forced"]["who"] == "bert"
        other.close()
        await until(lambda: not place.on(ControlBit.LINE_STOP), "the output to drop with the connection")


async def test_a_person_types_the_name_and_ends_it_with_ctrl_c(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    async def typed(answer: str) -> tuple[asyncio.subprocess.Process, int, bytearray]:
        ours, theirs = pty.openpty()
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "controller.cli.main", "points", DEMO, "--write", "line_stop=1",
            stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True, env={**os.environ, "TERM": "xterm"},
        )  # fmt: skip
        os.close(theirs)
        os.set_blocking(ours, False)
        shown = bytearray()

        def read() -> None:
            try:
                shown.extend(os.read(ours, 65536))
            except OSError:
                asyncio.get_running_loop().remove_reader(ours)

        asyncio.get_running_loop().add_reader(ours, read)
        await until(lambda: b"> " in shown, "the question")
        assert b"type control.line_stop and Enter" in bytes(shown).replace(b"\r\n", b" ")
        os.write(ours, answer.encode() + b"\n")
        return process, ours, shown

    async with here(capsys, tmp_path) as place:
        await place.maintenance()
        process, terminal, _ = await typed("yes")
        assert await asyncio.wait_for(process.wait(), LIMIT_S) == 1
        asyncio.get_running_loop().remove_reader(terminal)
        os.close(terminal)
        assert set(place.control) == {0}
        process, terminal, shown = await typed("control.line_stop")
        await until(lambda: place.on(ControlBit.LINE_STOP), "the output at the I/O side")
        await until(lambda: b"FORCED: line_stop = 1" in shown, "the table")
        process.send_signal(signal.SIGINT)
        assert await asyncio.wait_for(process.wait(), LIMIT_S) == 0
        asyncio.get_running_loop().remove_reader(terminal)
        os.close(terminal)
        assert (await place.status())["forced"] is None
