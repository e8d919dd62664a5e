"""A running line served to the plant over Modbus: seen, commanded, and flooded with whatever is no request.

The flood is small here; BELTCUE_FRAMES and BELTCUE_HALF_OPEN say how great it is to be (row 4 of the plant's issue:
1000000 and 1000). Run with -s it prints how late the line's scans were with and without it.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import sys
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from controller.model import State
from controller.records.reading import reading
from tests.free_ports import free_port
from tests.wire.plant_modbus_kit import LOOPBACK, STRANGER, Client
from tests.wire.processes import LIMIT_S, Bench, benching, until
from tests.wire.test_plant_host import server_of

FRAMES = int(os.environ.get("BELTCUE_FRAMES", "20000"))
HALF_OPEN = int(os.environ.get("BELTCUE_HALF_OPEN", "200"))
FULL = FRAMES > 100_000
"""Then the line is also run without it, for comparison."""
GROWTH_KB = 8192
FLAGS, STATE, MARKED, LATE_MEDIAN, LATE_P99, SCANS, OVERRUNS, NEXT = 2, 3, 48, 78, 80, 94, 88, 115
RESET, START, STOP = 1, 2, 3


@asynccontextmanager
async def served(folder: Path) -> AsyncIterator[tuple[Bench, int]]:
    """A line that the plant may command, from this address of this computer only."""
    port = free_port()
    async with benching(folder) as bench:
        text = bench.line.read_text().replace("[line]\n", "[line]\nremote = true\n", 1)
        section = f'address = "{LOOPBACK}:{port}"\ncommand_clients = ["{LOOPBACK}"]'
        bench.line.write_text(f'{text}\n[plant]\nperiod = "50 ms"\n[plant.modbus]\n{section}\n')
        yield bench, port


async def command(client: Client, code: int, argument: int = 0) -> tuple[int, int]:
    """Give a command as a plant would; its result and reason."""
    (number,) = await client.registers(NEXT, 1)
    assert await client.ask(f"10 0096 0003 06 {code:04x} {argument:04x} {number:04x}") == "1000960003"
    while True:
        shown = await client.registers(110, 5)
        assert shown[0] == number
        if shown[3] != 1:
            return shown[3], shown[4]
        await asyncio.sleep(0.01)


async def until_so(so: Callable[[], Awaitable[bool]], what: str) -> None:
    deadline_s = time.monotonic() + LIMIT_S
    while True:
        if await so():
            return
        assert time.monotonic() < deadline_s, f"waited {LIMIT_S:g} s for {what}"
        await asyncio.sleep(0.02)


async def state_is(client: Client, wanted: State) -> None:
    async def so() -> bool:
        return await client.registers(STATE, 1) == [wanted]

    await until_so(so, f"state {wanted.name}")


async def start(client: Client) -> None:
    async def permitted() -> bool:
        return bool((await client.registers(FLAGS, 1))[0] >> 6 & 1)

    await until_so(permitted, "the line to permit a start")
    assert await command(client, RESET) == (2, 0)
    await state_is(client, State.IDLE)
    assert await command(client, START) == (2, 0)
    await state_is(client, State.EXECUTE)


@asynccontextmanager
async def running(bench: Bench, port: int) -> AsyncIterator[Client]:
    """The line's controller, with a client at its server."""
    async with bench.controller() as process:

        async def listening() -> bool:
            if process.process.returncode is not None:
                raise await process.failure()
            try:
                async with Client(port):
                    return True
            except ConnectionRefusedError:
                return False

        await until_so(listening, "the server for the plant")
        async with Client(port) as client:
            yield client


async def test_the_plant_starts_the_line_sees_it_mark_and_a_stranger_s_write_never_reaches_it(tmp_path: Path) -> None:
    async with served(tmp_path) as (bench, port):
        async with running(bench, port) as client, Client(port, STRANGER) as stranger:
            # In Stopped a start is the state's to refuse.
            assert await command(client, START) == (3, 1)
            await start(client)
            (number,) = await stranger.registers(NEXT, 1)
            assert await stranger.ask(f"10 0096 0003 06 0003 0000 {number:04x}") == "9001"
            first = await client.number(MARKED)

            async def marked_more() -> bool:
                return await client.number(MARKED) > first

            await until_so(marked_more, "a mark")
            await state_is(client, State.EXECUTE)
            assert (await client.registers(NEXT, 1)) == [number]
            await until(lambda: bench.logged("refused"), "the refusal in the log")
            (row,) = bench.logged("refused")
            assert (row["why"], row["client"]) == ("write from an unlisted address", STRANGER)
            assert await command(client, STOP) == (2, 0)
            await state_is(client, State.STOPPED)
        with reading(bench.journal) as journal:
            given = journal.execute("SELECT who, verb, accepted FROM commands ORDER BY seq").fetchall()
    who = f"modbus {LOOPBACK}"
    assert [tuple(row) for row in given] == [
        (who, "start", 0), (who, "reset", 1), (who, "start", 1), (who, "stop", 1),
    ]  # fmt: skip


def memory_kb(pid: int) -> int:
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1])
    raise AssertionError("no VmRSS")


async def flood(port: int, frames: int, half_open: int) -> dict[str, int]:
    words = [sys.executable, "-m", "tests.wire.modbus_flood", str(port), str(frames), str(half_open), "4"]
    process = await asyncio.create_subprocess_exec(
        *words, stdout=asyncio.subprocess.PIPE, cwd=Path(__file__).parents[2]
    )
    try:
        assert process.stdout is not None
        out = await process.stdout.read()
        assert await process.wait() == 0
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()
    found: dict[str, int] = json.loads(out)
    return found


async def lateness(port: int) -> dict[str, int]:
    """How late the line's scans began since its controller was launched."""
    async with Client(port) as client:
        assert (await client.registers(STATE, 1)) == [State.EXECUTE]
        return {
            "late_median_us": await client.number(LATE_MEDIAN), "late_p99_us": await client.number(LATE_P99),
            "scans": await client.number(SCANS), "overruns": await client.number(OVERRUNS),
        }  # fmt: skip


@asynccontextmanager
async def looked_at(bench: Bench, port: int) -> AsyncIterator[Callable[[], int]]:
    """The line at work, with a good client that goes on asking; gives how often that was answered."""
    answered = 0

    async def keep_asking(client: Client) -> None:
        nonlocal answered
        while not enough.is_set():
            assert (await client.registers(0, 1)) == [1]
            answered += 1
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(enough.wait(), 0.1)

    enough = asyncio.Event()
    async with running(bench, port) as client:
        await start(client)
        async with asyncio.TaskGroup() as group:
            group.create_task(keep_asking(client))
            yield lambda: answered
            enough.set()


@pytest.mark.timeout(3600 if FULL else 300)
async def test_a_flood_of_frames_that_are_none_stops_nothing_and_leaves_nothing_behind(tmp_path: Path) -> None:
    async with served(tmp_path) as (bench, port):
        async with looked_at(bench, port) as answered:
            server = server_of(bench)
            await flood(port, 2000, 50)  # what is needed once is there now
            before_kb, before = memory_kb(server), await lateness(port)
            so_often = answered()
            found = await flood(port, FRAMES, HALF_OPEN)
            so_often = answered() - so_often
            after_kb, after = memory_kb(server), await lateness(port)
            assert server_of(bench) == server
        print(f"\nflood {found}\nmemory {before_kb} kB, then {after_kb} kB; the good client had {so_often} answers")
        print(f"the line's scans, since launch, before the flood {before}\nand after {after}")
        if FULL:
            async with looked_at(bench, port):
                await asyncio.sleep(float(found["seconds"]))
                print(f"without it, for as long {await lateness(port)}")
    assert (found.get("missing", 0), found.get("wrong", 0)) == (0, 0), found
    assert found["frames"] >= FRAMES
    assert so_often > 0
    assert after_kb - before_kb < GROWTH_KB
    assert bench.verdict is not None
    assert bench.verdict["doubles"] == 0
