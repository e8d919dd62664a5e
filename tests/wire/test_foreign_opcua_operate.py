"""A client of another make (node-opcua) at a running line: let in, turned away, and what it may and may not do.

The whole of it: `beltcue run` with the servers in their own process, a simulated I/O side, users and clients accepted
by the commands that people type.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
from asyncua import Client, ua

from controller.certificates import read_certificate
from controller.plant.opcua.trust import TrustList, client_of
from controller.plant.opcua.users import User, Users
from tests.free_ports import free_port
from tests.unit.papers import HASHED, PASSWORD, URI, papers
from tests.wire.processes import LOOPBACK, Bench, benching, until
from tests.wire.test_foreign_opcua_look import WAIT_S, node_modules
from tests.wire.test_plant_host import shown

pytestmark = [pytest.mark.foreign, pytest.mark.long]
SCRIPT = Path(__file__).with_name("opcua_operate.mjs")


class Plant:
    """A running line that the plant may command, and clients to it."""

    def __init__(self, bench: Bench, port: int, metrics: int) -> None:
        self.bench, self.port, self.metrics = bench, port, metrics
        self.pki = bench.folder / "pki"
        self.trust, self.users = TrustList(self.pki), Users(self.pki / "users.json")

    def client(self, name: str, trusted: bool = True, **validity: Any) -> dict[str, str]:
        """A client's certificate and key, for its job."""
        made = papers(self.bench.folder / "clients", name, **validity)
        if trusted:
            self.trust.accept(client_of(made.certificate, read_certificate(made.certificate.read_bytes())))
        return {"certificate": str(made.certificate), "key": str(made.key), "uri": URI}

    async def ask(self, *jobs: dict[str, Any]) -> list[dict[str, Any]]:
        """Run the client of another make, one job after the other; what it found in each."""
        node, folder = node_modules()
        common = {
            "url": f"opc.tcp://{LOOPBACK}:{self.port}", "line": self.bench.spec.name, "steps": [],
            "pki": str(self.bench.folder / "node-pki"), "security": "Basic256Sha256", "password": PASSWORD,
        }  # fmt: skip
        file = self.bench.folder / "jobs.json"
        file.write_text(json.dumps([common | job for job in jobs]))
        process = await asyncio.create_subprocess_exec(
            node, str(SCRIPT), folder, str(file), stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE
        )
        try:
            async with asyncio.timeout(WAIT_S):
                out, err = await process.communicate()
        finally:
            if process.returncode is None:
                process.kill()
                await process.wait()
        lines = [text for text in out.splitlines() if text.startswith(b"[{")]  # between its log
        assert lines, err.decode()
        found: list[dict[str, Any]] = json.loads(lines[-1])
        return found

    def refused(self) -> list[str]:
        """Why, one after the other, as the controller's log has it."""
        return [row["why"] for row in self.bench.logged("refused")]

    async def told_of(self, why: str) -> None:
        """It is in the log, and counted for the plant's monitoring."""
        await until(lambda: why in self.refused(), f"{why!r} in the log")
        assert f'beltcue_plant_refused_total{{why="{why}"}}' in await self.counted()

    async def counted(self) -> str:
        """The plant's monitoring, as it is asked for."""
        reader, writer = await asyncio.open_connection(LOOPBACK, self.metrics)
        writer.write(b"GET /metrics HTTP/1.0\r\n\r\n")
        text = (await reader.read()).decode()
        writer.close()
        await writer.wait_closed()
        return text


@asynccontextmanager
async def operated(folder: Path) -> AsyncIterator[Plant]:
    """The line stands in Stopped, set to remote; vera may look, otto may operate."""
    node_modules()
    port, metrics = free_port(), free_port()
    async with benching(folder) as bench:
        text = bench.line.read_text()
        assert "[line]\n" in text
        bench.line.write_text(
            text.replace("[line]\n", "[line]\nremote = true\n")
            + f'\n[plant.opcua]\naddress = "{LOOPBACK}:{port}"\npki = "pki"\n'
            + f'[plant.metrics]\naddress = "{LOOPBACK}:{metrics}"\n'
        )
        plant = Plant(bench, port, metrics)
        plant.users.put(User(name="vera", role="view", password=HASHED))
        plant.users.put(User(name="otto", role="operate", password=HASHED))
        async with bench.controller():
            await bench.status(lambda status: not status["not_permitted"])
            await shown(metrics, "beltcue_scans_total", 0.0, bench)
            yield plant


async def test_a_user_operates_the_line_from_another_makes_client(tmp_path: Path) -> None:
    async with operated(tmp_path) as plant:
        # Its own certificate is unknown at first, and a person accepts it.
        (turned_away,) = await plant.ask({"user": "otto"})
        assert "connected" not in turned_away
        await plant.told_of("unknown certificate")
        (unknown,) = plant.trust.rejected()
        plant.trust.accept(unknown)
        steps = [
            ("read", "State"), ("hear", "Stopped"), ("call", "Start"), ("write", "State"),
            ("call", "Reset"), ("hear", "Idle"), ("call", "Start"), ("hear", "Execute"),
        ]  # fmt: skip
        look = [("hear", "Execute"), ("call", "Hold")]
        done, looked = await plant.ask(
            {"user": "otto", "steps": steps}, {"user": "vera", "steps": look, "security": "Aes256_Sha256_RsaPss"}
        )
        assert done == {
            "connected": True, "units": ["tea-cartons"], "methods": ["Reset", "Start"],
            "steps": [
                "Stopped", "Stopped", "BadInvalidState", "BadUserAccessDenied", "Good", "Idle", "Good", "Execute",
            ],
        }  # fmt: skip
        assert looked["steps"] == ["Execute", "BadUserAccessDenied"]
        assert (await plant.bench.status(lambda status: True))["state"] == "Execute"
        given = [(row["command"], row["who"], row["source"]) for row in plant.bench.logged("command accepted")]
        assert given == [("reset", "otto (opc ua)", "plant"), ("start", "otto (opc ua)", "plant")]


async def test_who_must_not_get_in_is_refused_logged_and_counted_and_reaches_nothing(tmp_path: Path) -> None:
    async with operated(tmp_path) as plant:
        known, steps = plant.client("known"), [("call", "Reset"), ("call", "Hold"), ("write", "State")]
        *strangers, looked = await plant.ask(
            {"user": "otto", "steps": steps, **known, "password": "not this one"},
            {"user": "olga", "steps": steps, **known},
            {"user": "otto", "steps": steps, **plant.client("old", days=(-9, -1))},
            {"user": "otto", "steps": steps, **plant.client("new", trusted=False)},
            # For these two it finds no endpoint, and gives up by itself.
            {"user": "otto", "steps": steps, "security": "None"},
            {"steps": steps, **known},
            {"user": "vera", "steps": steps, **known},
        )
        assert [found.get("connected") for found in strangers] == [None] * 6
        assert "BadUserAccessDenied" in strangers[0]["error"]
        assert looked["steps"] == ["BadUserAccessDenied"] * 3
        # The library's own client asks in plain text nevertheless.
        with pytest.raises(ua.uaerrors.BadSecurityModeRejected):
            await Client(f"opc.tcp://otto:secret@{LOOPBACK}:{plant.port}").connect()
        for why in ("wrong password", "unknown user", "expired certificate", "unknown certificate", "no encryption"):
            await plant.told_of(why)
        await plant.told_of("not permitted")
        assert plant.refused().count("not permitted") == 3
        assert not plant.bench.logged("command accepted")
        assert not plant.bench.logged("command refused")
        assert (await plant.bench.status(lambda status: True))["state"] == "Stopped"
