"""A plain device over real sockets: the bench as a person types it, the cable-pull test, and a write without an answer."""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
import time
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from controller.cable_pull import NotMadeError, Person, Pulled, PullFailedError, pull_by_hand, pull_simulated
from controller.field.links import make_connection
from controller.field.plain import PlainLink
from controller.plain import NOBODY_KNOWS
from controller.ports import LinkError
from controller.registers import Command, ControlBit, OrderKind, ReleaseResult, Status, StatusBit
from controller.settings.line import LineConfig, load_line
from sim.plain import ENABLE, PlainDevice, trigger
from sim.scenario import load_scenario
from sim.server import SimServer, serving_plain
from sim.world import build_plain_device

LINE = "config/plain-line.toml"
HOST = "127.0.0.1"
STILL = """
name = "still"
[belt]
segments = [{ kind = "stop" }]
[[products]]
length = "90 mm"
pitch = "150 mm"
"""
Changes = list[tuple[int, str, bool]]


class Clock:
    def __init__(self) -> None:
        self._began_ns = time.monotonic_ns()

    def __call__(self) -> int:
        return time.monotonic_ns() - self._began_ns


@dataclass
class Bench:
    """A plain device and its plug, which can be pulled."""

    config: LineConfig
    device: PlainDevice
    outputs: Changes
    clock: Clock = field(default_factory=Clock)
    port: int = 0
    server: SimServer | None = None
    _plug: AsyncExitStack = field(default_factory=AsyncExitStack)

    async def plug_in(self) -> None:
        assert self.config.plain is not None
        serving = serving_plain(self.device, self.config.plain, HOST, self.port, self.clock)
        self.server = await self._plug.enter_async_context(serving)
        self.port = self.server.port

    async def pull(self) -> None:
        await self._plug.aclose()

    def high(self, name: str) -> bool:
        self.device.advance(max(self.clock(), self.device.now_ns))
        return self.device.outputs.get(name, False)


@asynccontextmanager
async def plain_bench(folder: Path, extra: str = "", line: str | Path = LINE) -> AsyncIterator[Bench]:
    config = load_line(line)
    path = folder / "still.toml"
    path.write_text(STILL + extra)
    outputs: Changes = []
    device = build_plain_device(
        config.spec(), load_scenario(path, config.spec()), on_output=lambda *change: outputs.append(change)
    )
    bench = Bench(config, device, outputs)
    await bench.plug_in()
    try:
        yield bench
    finally:
        await bench.pull()


class Technician(Person):
    """Pulls the cable and plugs it in when told to, and answers what the device really did."""

    def __init__(self, bench: Bench, *answers: str, measured: str | None = None) -> None:
        self.bench, self.answers, self.measured = bench, list(answers), measured
        self.told: list[str] = []
        self.pulled_ns = 0

    async def tell(self, text: str) -> None:
        self.told.append(text)
        if "Pull the network cable" in text:
            assert self.bench.high(ENABLE)
            self.pulled_ns = self.bench.clock()
            await self.bench.pull()
        elif "Plug the cable in" in text:
            await self.bench.plug_in()

    async def ask(self, question: str) -> str:
        self.told.append(question)
        if "go low by itself" in question:
            await asyncio.sleep(0.4)  # longer than the device's watchdog
            return "no" if self.bench.high(ENABLE) else "yes"
        if "Within what time" in question:
            if self.measured is not None:
                return self.measured
            dropped_ns = next(t for t, name, on in reversed(self.bench.outputs) if name == ENABLE and not on)
            return f"{(dropped_ns - self.pulled_ns) * 1e-9:.3f} s"
        return self.answers.pop(0)


async def by_hand(bench: Bench, person: Person, station: int | None = None) -> Pulled:
    return await pull_by_hand(bench.config, HOST, bench.port, station, person)


async def test_a_technician_pulls_the_cable_and_what_the_device_did_is_what_is_kept(tmp_path: Path) -> None:
    async with plain_bench(tmp_path) as bench:
        person = Technician(bench, "yes")
        pulled = await by_hand(bench, person)
        assert "not a safety function" in person.told[0]
        assert pulled.output == "enable"
        assert pulled.how == "measured by hand, and read back low when the link was back"
        assert 0.15 < pulled.within_s <= 0.24
        assert not bench.high(ENABLE)
        assert not [c for c in bench.outputs if c[1] == trigger(0)], "nobody asked for a trigger"
        assert len([c for c in bench.outputs if c[1] == ENABLE and c[2]]) == 1, "it was raised once"


async def test_a_trigger_is_raised_only_when_its_name_was_typed(tmp_path: Path) -> None:
    async with plain_bench(tmp_path) as bench:
        with pytest.raises(NotMadeError, match="nothing was raised"):
            await by_hand(bench, Technician(bench, "yes", "y"), 0)
        with pytest.raises(NotMadeError, match="nothing was raised"):
            await by_hand(bench, Technician(bench, "no"))
        assert bench.outputs == []
        await by_hand(bench, Technician(bench, "yes", "flap"), 0)
        assert [on for _, name, on in bench.outputs if name == trigger(0)] == [True, False]


async def test_an_output_that_stays_on_fails_the_test_and_is_written_low_again(tmp_path: Path) -> None:
    async with plain_bench(tmp_path, "[io]\nno_watchdog = true\n") as bench:
        with pytest.raises(PullFailedError, match="did not drop without us, by your word"):
            await by_hand(bench, Technician(bench, "yes"))
        await asyncio.sleep(0.01)
        assert not bench.high(ENABLE)
        with pytest.raises(PullFailedError, match=r"was still high .* after the last write"):
            await pull_simulated(bench.config, HOST, bench.port)
        await asyncio.sleep(0.01)
        assert not bench.high(ENABLE)


async def test_a_drop_that_took_longer_than_the_line_states_fails(tmp_path: Path) -> None:
    async with plain_bench(tmp_path) as bench:
        with pytest.raises(PullFailedError, match=r"took 0\.5 s to drop, and the line's file allows 0\.24 s"):
            await by_hand(bench, Technician(bench, "yes", measured="0.5 s"))


async def test_the_simulated_test_sees_the_drop_by_the_input_wired_back(tmp_path: Path) -> None:
    async with plain_bench(tmp_path) as bench:
        pulled = await pull_simulated(bench.config, HOST, bench.port)
        assert 0.2 <= pulled.within_s <= 0.24
        assert [on for _, name, on in bench.outputs if name == ENABLE] == [True, False]


def beltcue(*words: str) -> tuple[int, str, str]:
    done = subprocess.run(
        [sys.executable, "-m", "controller.cli.main", *words], stdin=subprocess.DEVNULL, capture_output=True, text=True,
        timeout=120, check=False,
    )  # fmt: skip
    assert "Traceback" not in done.stderr
    return done.returncode, done.stdout, done.stderr


@pytest.fixture
def runtime(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))


@pytest.mark.usefixtures("runtime")
def test_the_bench_marks_every_product_by_scan_and_says_so() -> None:
    code, out, err = beltcue("bench", LINE, "--port", "0", "--for", "8 s", "--json")
    result: dict[str, Any] = json.loads(out.splitlines()[-1])
    assert code == 0, (result["shortfalls"], err)
    assert (result["path"], result["virtual"], result["balanced"]) == ("scan", False, True)
    world, missed = result["world"], result["requests"]["missed"]
    # A machine that is busy with other things scans late, and says so of each mark that it cost.
    assert world["past_marker"] >= world["complete"] >= world["past_marker"] - missed.get("late", 0)
    assert result["requests"]["marked"] == world["marks"] > 0


@pytest.mark.usefixtures("runtime")
def test_the_bench_in_virtual_time_is_the_same_line() -> None:
    code, out, err = beltcue("bench", LINE, "--virtual", "--json")
    result: dict[str, Any] = json.loads(out.splitlines()[-1])
    assert code == 0, (result["shortfalls"], err)
    assert (result["path"], result["virtual"]) == ("scan", True)
    assert result["world"]["complete"] == result["world"]["past_marker"] > 100
    assert result["requests"]["missed"].keys() <= {"void"}


@pytest.mark.usefixtures("runtime")
@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("cable-pull", LINE), "needs a person at a terminal"),
        (("cable-pull", LINE, "--yes-simulated", "--address", "192.0.2.10:502"), "is for a test bench"),
        (("cable-pull", "config/demo-line.toml", "--yes-simulated"), "has no [plain]"),
        (("cable-pull", LINE, "--yes-simulated", "--trigger", "lid"), 'has no station "lid"'),
    ],
)
def test_a_cable_pull_that_cannot_be_made_as_asked_is_one_line_and_exit_code_2(
    words: tuple[str, ...], says: str
) -> None:
    code, _, err = beltcue(*words)
    assert (code, err.count("\n")) == (2, 1)
    assert says in err


# The link itself.


class Talk:
    """Commands through the real link to the device, one after the other."""

    def __init__(self, bench: Bench) -> None:
        assert bench.config.plain is not None
        spec = bench.config.spec()
        self.link = PlainLink(bench.config.plain, spec, make_connection(bench.config, HOST, bench.port))
        self.count, self.boot_id = 0, 0

    async def go(self, control: int = 0, kind: OrderKind = OrderKind.NONE, token: int = 0) -> Status:
        self.count += 1
        command = Command(self.count, control, self.boot_id, 77, 250, 0, int(kind), 0, 0, 1000, token)
        status = await self.link.exchange(command)
        self.boot_id = status.boot_id
        return status


async def test_a_trigger_written_and_not_answered_is_unconfirmed_and_does_not_rise_again(tmp_path: Path) -> None:
    async with plain_bench(tmp_path) as bench:
        talk = Talk(bench)
        await talk.link.connect()
        await talk.go()
        await talk.go()
        enable = int(ControlBit.ENABLE)
        assert not (await talk.go(enable)).bits & StatusBit.INHIBITED
        await asyncio.sleep(0.005)
        assert bench.high(ENABLE)
        # The device takes the trigger's write, and the connection breaks before its answer has left.
        take, server = bench.device.write_output, bench.server
        assert server is not None

        def take_and_break(name: str, on: bool, t_ns: int) -> None:
            take(name, on, t_ns)
            if name == trigger(0) and on:
                for transport in tuple(server.transports):
                    transport.abort()

        bench.device.write_output = take_and_break  # type: ignore[method-assign]
        with pytest.raises(LinkError, match="closed the connection"):
            await talk.go(enable, OrderKind.RELEASE_NOW, 1)
        await asyncio.sleep(0.01)  # the device takes its outputs up once in its own scan
        status = await talk.go(enable)
        assert (status.releases[0].token, status.releases[0].result) == (1, NOBODY_KNOWS)
        for _ in range(5):
            await asyncio.sleep(0.005)
            await talk.go(enable)
        assert not bench.high(trigger(0))
        assert [on for _, name, on in bench.outputs if name == trigger(0)] == [True, False], "it rose again"
        await talk.link.close()


async def test_a_mark_is_told_by_the_busy_input_and_the_pulse_ends_after_its_width(tmp_path: Path) -> None:
    async with plain_bench(tmp_path) as bench:
        talk = Talk(bench)
        await talk.link.connect()
        await talk.go()
        await talk.go()
        enable = int(ControlBit.ENABLE)
        await talk.go(enable)
        await asyncio.sleep(0.005)
        status = await talk.go(enable, OrderKind.RELEASE_NOW, 1)
        assert (status.ack_result, status.release_total, status.armed) == (1, 0, 1)
        await asyncio.sleep(0.006)
        status = await talk.go(enable)
        assert status.releases[0].result == ReleaseResult.RELEASED
        while bench.high(trigger(0)):
            await asyncio.sleep(0.002)
            await talk.go(enable)
        begun, ended = (t for t, name, _ in bench.outputs if name == trigger(0))
        assert ended - begun >= 20_000_000 - 2_000_000
        await talk.link.close()
