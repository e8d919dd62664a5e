"""Saved jobs beside a running controller: what may be done while it marks, and what it says of itself."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import structlog

from controller.app import RunOptions, run_line
from controller.cli.main import main
from controller.local_client import LocalClient, NotRunningError
from controller.local_socket import directory, socket_path
from controller.records.report import report
from controller.settings.line import load_line
from sim.scenario import load_scenario
from sim.server import serving
from sim.world import build_device
from tests.unit.job_kit import CONFIG, NAME, LineFolder, line_folder

LIMIT_S = 60.0
QUIET = structlog.wrap_logger(
    structlog.PrintLogger(), processors=[lambda *_: (_ for _ in ()).throw(structlog.DropEvent)]
)


@dataclass
class Running:
    """A controller in this process on a line of its own, and the verbs as typed in another terminal."""

    folder: LineFolder
    capsys: pytest.CaptureFixture[str]

    async def type(self, *words: str) -> tuple[int, str, str]:
        """Type a verb of the command line; its exit code, output and errors."""
        self.capsys.readouterr()
        code = await asyncio.to_thread(main, words)
        out, err = self.capsys.readouterr()
        return code, out, err

    async def job(self, *words: str) -> tuple[int, str, str]:
        return await self.type("job", str(self.folder.line), *words)

    async def status(self, **wanted: Any) -> dict[str, Any]:
        """The controller's first status that is as wanted."""

        def ask() -> dict[str, Any]:
            with LocalClient(socket_path("tea-cartons")) as client:
                return client.status()

        deadline_s = asyncio.get_running_loop().time() + LIMIT_S
        status: dict[str, Any] = {}
        while True:
            try:
                status = await asyncio.to_thread(ask)
            except NotRunningError:
                status = {}
            if status and all(status[name] == value for name, value in wanted.items()):
                return status
            assert asyncio.get_running_loop().time() < deadline_s, f"waited {LIMIT_S:g} s for {wanted}: {status}"
            await asyncio.sleep(0.01)


@asynccontextmanager
async def running(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> AsyncIterator[Running]:
    """Run the line until the block ends, against a simulated I/O side."""
    folder = line_folder(tmp_path)
    config = load_line(folder.line)
    device = build_device(config.spec(), load_scenario(CONFIG / "bench" / "demo.toml", config.spec()))
    async with serving(device, config.points) as server:
        options = RunOptions("127.0.0.1", server.port, config.journal_path, "anna")
        task = asyncio.create_task(run_line(config, options, QUIET))
        try:
            here = Running(folder, capsys)
            await here.status(link_error="", not_permitted="")
            yield here
        finally:
            os.kill(os.getpid(), signal.SIGTERM)  # as it is ended on a line: in order
            await asyncio.wait_for(task, LIMIT_S)


async def test_while_it_marks_a_job_may_be_saved_and_none_be_loaded(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    async with running(tmp_path, capsys) as here:
        for verb, state in (("reset", "Idle"), ("start", "Execute")):
            assert (await here.type("command", verb))[0] == 0
            before = await here.status(state=state)
        assert (await here.job("save", "--why", "accepted"))[0] == 0
        files = here.folder.line.read_bytes(), here.folder.job.read_bytes()
        for words in (("load", NAME), ("restore",)):
            code, _, err = await here.job(*words, "--why", "x", "--yes")
            assert code == 1
            assert "in Execute" in err
            assert len(err.splitlines()) == 1
        assert (here.folder.line.read_bytes(), here.folder.job.read_bytes()) == files
        after = await here.status(state="Execute", faults=[])
        assert after["scans"] > before["scans"]
    assert [c.verb for c in report(tmp_path / "journal.sqlite").commands][:2] == ["reset", "start"]


async def test_status_tells_what_differs_from_what_is_saved_and_what_was_put_in_place_since(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    async def told(here: Running) -> tuple[str, dict[str, Any]]:
        code, out, _ = await here.type("status")
        assert code == 0
        _, as_json, _ = await here.type("status", "--json")
        return " ".join(out.split()), json.loads(as_json.splitlines()[-1])

    async with running(tmp_path, capsys) as here:
        text, status = await told(here)
        assert f"job {NAME}, not saved" in text
        assert status["job_state"]["revision"] is None
        assert "job_settings" not in status
        await here.job("save", "--why", "accepted")
        text, _ = await told(here)
        assert f"job {NAME}, revision 1, saved" in text
        # Someone else measures anew and saves: what runs is still revision 1.
        here.folder.change(('"399.994 mm"', '"402 mm"'), ('rearm = "20 ms"', 'rearm = "25 ms"'))
        await here.job("save", "--why", "taped anew")
        text, status = await told(here)
        assert "revision 1, saved" in text
        assert f"'{NAME}' revision 2 was saved or put in place since" in text
        assert status["job_state"]["saved"] is True


async def test_values_that_nobody_saved_are_told_of_a_running_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    async with running(tmp_path, capsys) as here:
        here.folder.change(('"399.994 mm"', '"402 mm"'), ('rearm = "20 ms"', 'rearm = "25 ms"'))
        await here.job("save", "--why", "taped anew")
        _, out, _ = await here.type("status")
        wanted = "revision 1, not saved: 2 settings differ (stations.flap.distance, stations.flap.rearm)"
        assert wanted in " ".join(out.split())


async def test_while_it_stands_a_job_is_put_in_place_for_the_next_launch(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    async with running(tmp_path, capsys) as here:
        await here.job("save", "--why", "accepted")
        saved = here.folder.text
        here.folder.change(('offset = "12 mm"', 'offset = "15 mm"'))
        code, out, err = await here.job("load", NAME, "--why", "as it was", "--yes", "--json")
        assert (code, err) == (0, "")
        assert "takes this up at its next launch" in " ".join(out.split())
        assert json.loads(out.splitlines()[-1])["running"] is True
        assert here.folder.text == saved
        await here.status(state="Stopped")


async def test_a_controller_that_does_not_answer_may_be_marking(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = line_folder(tmp_path)
    here = Running(folder, capsys)
    await here.job("save", "--why", "accepted")
    folder.change(('offset = "12 mm"', 'offset = "15 mm"'))
    directory().mkdir(mode=0o700)
    monkeypatch.setattr(LocalClient.__init__, "__defaults__", (0.2,))
    with socket.socket(socket.AF_UNIX) as silent:
        silent.bind(str(socket_path("tea-cartons")))
        silent.listen()
        code, _, err = await here.job("load", NAME, "--why", "x", "--yes")
    assert code == 1
    assert "nobody knows" in err
    assert "15 mm" in folder.job.read_text()
    # What a dead one left behind is no controller.
    assert (await here.job("load", NAME, "--why", "x", "--yes"))[0] == 0
