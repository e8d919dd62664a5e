"""What is stale arms nothing: a late write of a process that is gone, and an I/O side restarted under a controller."""

from __future__ import annotations

import asyncio
import signal
from dataclasses import dataclass
from pathlib import Path

import pytest

from controller.records.reading import reading
from controller.records.report import report
from controller.registers import Command, ControlBit, InhibitCause, Status, StatusBit
from controller.settings.line import LineConfig, load_line
from sim.children import child
from sim.scenario import Scenario, load_scenario
from sim.server import serving
from sim.side import JudgedSide
from sim.verdict import Judged
from tests.wire.processes import DENSE, LIMIT_S, LOOPBACK, Place, benching, files, inhibited, until

pytestmark = pytest.mark.long

WAY_MS = 20
ATTEMPTS = 5
SLOW = (('worst_exchange = "5 ms"', 'worst_exchange = "45 ms"'),)
LATE_MS = (900, 7000)
"""How late a write of the dead comes: after its own lease, before the next one; and while the next one marks."""


def tokens(place: Place, where: str = "made_ns >= 0") -> set[int]:
    """The tokens of the newest run's requests that were ordered, as its journal has them."""
    run = report(place.journal).run.run
    with reading(place.journal) as connection:
        rows = connection.execute(f"SELECT token FROM requests WHERE run = ? AND token IS NOT NULL AND {where}", (run,))
        return {token for (token,) in rows}


async def stopped_in_order(place: Place, running: asyncio.subprocess.Process) -> None:
    """End the controller; what still lies on the running belt is in flight, and all is accounted for."""
    running.send_signal(signal.SIGTERM)
    async with asyncio.timeout(LIMIT_S):
        await running.wait()
    kept = report(place.journal)
    assert kept.balanced, kept.imbalances


@dataclass(frozen=True, slots=True)
class Write:
    """A complete write as it came in, and the status before and after it."""

    t_ns: int
    command: Command
    before: Status
    after: Status


class NotedSide(JudgedSide):
    """An I/O side that notes its marks and what was written to it, by whomever."""

    def __init__(self, config: LineConfig, scenario: Scenario) -> None:
        self.marks: list[Judged] = []
        self.writes: list[Write] = []
        super().__init__(config, scenario, None, self.marks.append)

    def write(self, command: Command, t_ns: int) -> None:
        before = self.read(t_ns)
        super().write(command, t_ns)
        self.writes.append(Write(t_ns, command, before, self.read(t_ns)))


@pytest.mark.parametrize("late_ms", LATE_MS, ids=["before the next one has come", "while the next one marks"])
async def test_a_late_write_of_a_dead_process_does_nothing(tmp_path: Path, late_ms: int) -> None:
    line, path = files(tmp_path / "bench", DENSE, SLOW)
    config = load_line(line)
    side = NotedSide(config, load_scenario(path, config.spec()))
    async with serving(side, config.points) as server:
        place = Place(line.parent, line, config, server.port)
        late: list[Write] = []
        for _ in range(ATTEMPTS):  # now and then nothing was on its way at that instant: then once more
            late = late or await late_writes(side, place, late_ms)
    assert late, f"in {ATTEMPTS} attempts no write was on its way as its sender died"
    next_owner = side.writes[-1].command.owner
    for write in late:
        assert write.command.owner != next_owner
        assert write.command.control & ControlBit.ENABLE, "the dead one wanted marks"
        if write.before.owner == next_owner:
            assert write.after == write.before, "not one register may change by it"
        else:
            # Its owner is the one obeyed still, so it is taken up; but its lease was over.
            assert write.after.armed == write.before.armed == 0
            assert write.after.bits & StatusBit.INHIBITED
    if late_ms == max(LATE_MS):
        assert any(write.before.owner == next_owner for write in late)
    result = side.result()
    assert (result["doubles"], result["off_product"]) == (0, 0)
    assert result["placement"]["max_abs_mm"] <= result["placement"]["tolerance_mm"]


async def late_writes(side: NotedSide, place: Place, late_ms: int) -> list[Write]:
    """Kill a controller just after it has sent, start the next; what came late of the dead one."""
    words = ["--listen", f"{LOOPBACK}:0", "--to", f"{LOOPBACK}:{place.port}", "--late-ms", str(late_ms)]
    words += ["--min-ms", f"{WAY_MS}", "--max-ms", f"{WAY_MS}"]
    async with child("proxy", "sim.proxy", words, place.environment) as proxy:
        port = int((await proxy.first_line()).rpartition(":")[2])
        marks = len(side.marks)
        async with place.controller(port=port) as running:
            await place.start()
            await until(lambda: len(side.marks) > marks and side.writes[-1].after.armed, "marks and targets", running)
            # Half-way between a write's answer coming to it and its next write coming here.
            writes = len(side.writes)
            await until(lambda: len(side.writes) > writes, "a write", running)
            await asyncio.sleep(1.5 * WAY_MS / 1e3)
            running.process.kill()
            await running.process.wait()
        last = side.writes[-1]
        async with place.controller() as running:
            status = await place.status(lambda status: status["status_age_ms"] is not None)
            assert status["state"] == "Stopped"
            await place.start()
            late_ns = last.t_ns + (late_ms + 500) * 1_000_000
            await until(lambda: side.device.now_ns > late_ns, "the late writes to have come", running)
            marks = len(side.marks)
            status = await place.status(lambda s: len(side.marks) > marks + 2 or s["state"] != "Execute")
            assert status["state"] == "Execute", status["first_cause"]
            await stopped_in_order(place, running.process)
    # Between the end of the lease and its own orders nothing is released: every mark is one that the living one ordered.
    made = {m.truth.token for m in side.marks if m.truth.release_ns > last.t_ns + place.lease_ns}
    assert made <= tokens(place)
    assert "release_unexpected" not in {fault.fault for fault in report(place.journal).faults}
    mine = [w for w in side.writes if w.command.owner == last.command.owner]
    return [write for write in mine if write.t_ns > last.t_ns + late_ms * 500_000]


@pytest.mark.parametrize("lasting", ["", 'duration = "100 ms"'])
async def test_an_io_side_restarted_under_a_controller_aborts_it_and_marks_nothing_stale(
    tmp_path: Path, lasting: str
) -> None:
    event = f'[[events]]\nkind = "io_restart"\nat = "4.0021 s"\n{lasting}\n'
    async with benching(tmp_path / "bench", DENSE + event) as bench, bench.controller() as running:
        await bench.start()
        first = await bench.look()
        await bench.marked_after(first.t_ns)
        await bench.status(lambda status: status["state"] == "Aborted")
        aborted = await bench.look()
        assert aborted.status.boot_id != first.status.boot_id
        # Nothing starts by itself, while the belt carries everything past that was on its way.
        # The I/O side's clock and count began anew with it, so the belt's count tells how long.
        still = aborted
        while still.status.belt_count < 1.5 * bench.spec.stations[0].distance_mm / bench.spec.scale_mm:
            still = await bench.look()
        stale = len(bench.marks)
        assert inhibited(still, InhibitCause.ENABLE_LOW)
        assert still.status.release_total == 0
        status = await bench.status(lambda _: True)
        assert (status["state"], status["armed"], status["balanced"]) == ("Aborted", 0, True)
        for verb, state in (("clear", "Stopped"), ("reset", "Idle"), ("start", "Execute")):
            await bench.give(verb, state)
        await bench.status(lambda status: len(bench.marks) > stale)
        await stopped_in_order(bench, running.process)
        assert running.process.returncode == 0, await running.failure()
    marks = [mark.truth for mark in bench.marks]
    kept = report(bench.journal)
    [cause] = kept.first_causes
    assert " io_restarted: " in cause
    assert kept.products["unknown"] > 0
    with reading(bench.journal) as connection:
        [(fault_ns,)] = connection.execute("SELECT t_ns FROM faults WHERE fault = 'io_restarted' AND phase = 'raised'")
    old, new = tokens(bench, f"made_ns < {fault_ns}"), tokens(bench, f"made_ns >= {fault_ns}")
    assert {mark.token for mark in marks[:stale]} <= old
    assert {mark.token for mark in marks[stale:]} <= new - old
    assert bench.verdict is not None
    assert (bench.verdict["doubles"], bench.verdict["off_product"]) == (0, 0)
