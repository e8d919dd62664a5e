"""The bench: simulator, controller and, for a slow link, a proxy as processes of their own; then the verdict.

Rules of this file: what the processes say is put together, never judged by what the controller believes; Ctrl-C ends
the controller in order first, then the simulator, so that even then there is a verdict.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import os
import signal
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import AsyncExitStack
from dataclasses import dataclass
from itertools import zip_longest
from pathlib import Path
from typing import Any

from controller.cli.common import BAD_INPUT, NOT_OK, OK, BadInputError, print_json, print_rows
from controller.cli.run import may_mark
from controller.compiled import core_text, runs_compiled
from controller.local_client import LocalClient, NotRunningError
from controller.local_socket import socket_path
from controller.records.journal import Journal
from controller.records.reading import find_run, reading
from controller.records.schema import JournalError
from controller.serial_line import is_serial
from controller.settings.base import SettingsError
from controller.settings.line import LineConfig
from controller.snapshot import Snapshot
from sim.children import Child, ChildError, child
from sim.cli import load
from sim.marker import MarkTruth
from sim.result import shortfalls
from sim.scenario import Scenario
from sim.server import NEW_PAIR
from sim.show import Progress, bench_rows
from sim.terms import SpeedTerms
from sim.verdict import Judged

LOOK_S = 0.2
LOOPBACK = "127.0.0.1"
BACKLOG_EVENTS = 50_000
"""So many events not yet on the disk, and a bench in virtual time waits for them."""


@dataclass(frozen=True, slots=True)
class Plan:
    """One bench as asked for."""

    config: LineConfig
    scenario: Scenario
    scenario_path: Path
    seed: int
    duration_s: float
    dry: bool
    host: str
    port: int
    journal: Path
    runtime: Path | None
    """A runtime directory of its own, as the ports are; None: the user's, where `beltcue status` finds the line."""


def bench(args: argparse.Namespace) -> int:
    """Run the bench that the arguments ask for, print the verdict, and give the exit code."""
    try:
        config, scenario, path = load(args)
        with tempfile.TemporaryDirectory(prefix="beltcue-") as folder:
            plan = _plan(args, config, scenario, path, Path(folder))
            result = _virtual(plan) if args.virtual else asyncio.run(_Bench(plan).run())
    except (SettingsError, JournalError) as error:
        raise BadInputError(str(error)) from None
    except ValueError as error:
        raise BadInputError(f"{args.scenario or args.line_file}: {error}") from None
    except ChildError as error:
        if error.code == BAD_INPUT:
            raise BadInputError(str(error)) from None
        raise
    result["seed"], result["scenario"] = plan.seed, scenario.name
    result["compiled"], result["core"] = runs_compiled(), core_text()
    result["shortfalls"] = shortfalls(result)
    result["good"] = not result["shortfalls"]
    print_rows(bench_rows(result, config.display))
    if args.json:
        print_json(result)
    return OK if result["good"] else NOT_OK


def _plan(args: argparse.Namespace, config: LineConfig, scenario: Scenario, path: Path, folder: Path) -> Plan:
    host, port = config.address
    if args.port is not None:
        if is_serial(host):
            raise BadInputError("--port: on a serial line the bench makes the port by itself: leave it out")
        if not 0 <= args.port <= 65535:
            raise BadInputError(f"--port: {args.port} is outside 0 to 65535")
        if config.inputs_address is not None:
            raise BadInputError("--port: this line has two addresses: write free ports of this computer in its file")
        host, port = LOOPBACK, args.port
    if is_serial(host):
        host, port = NEW_PAIR, 0
    elif not config.is_test_bench(host, port):
        raise BadInputError(f"{host}:{port} is not this computer: add --port 0 to try the line on free ports here")
    may_mark(args, config, host, port)
    journal = args.journal or (config.journal_path if args.keep_journal else folder / "journal.sqlite")
    return Plan(
        config=config,
        scenario=scenario,
        scenario_path=path,
        seed=scenario.seed if args.seed is None else args.seed,
        duration_s=scenario.duration if args.for_s is None else args.for_s,
        dry=args.dry,
        host=host,
        port=port,
        journal=journal,
        runtime=folder if port == 0 else None,
    )


class _Bench:
    """One bench over real sockets."""

    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        self._marks: list[Judged] = []
        self._environment = dict(os.environ)
        if plan.runtime is not None:
            self._environment["XDG_RUNTIME_DIR"] = str(plan.runtime)
        self._truth: dict[str, Any] = {}
        self._verdict: dict[str, Any] | None = None
        self._controller: Child | None = None
        self._calls: asyncio.Queue[dict[str, str]] = asyncio.Queue()

    async def run(self) -> dict[str, Any]:
        """Run it and put the result together. Raises ChildError when a process could not do its work."""
        began_s = time.monotonic()
        self._take_signals()
        with Progress(self._plan.config.display, self._plan.duration_s) as progress:
            async with AsyncExitStack() as stack:
                address, side = await self._start_side(stack)
                listening = asyncio.create_task(self._hear_side(side), name="truth")
                stack.push_async_callback(_cancel, listening)
                summary = await self._run_controller(stack, address, progress)
                side.signal(signal.SIGTERM)
                await listening
        if self._verdict is None:
            raise await side.failure()
        result = {**summary, **self._verdict, "wall_s": round(time.monotonic() - began_s, 3)}
        terms = self._speed_terms(result["placement"]["count_mm"])
        result["placement"]["tolerance_mm"] += terms.greatest_mm
        result["response"] = terms.summary()
        return result

    def _speed_terms(self, count_mm: float) -> SpeedTerms:
        """Join the true marks with the speeds that the controller's journal says were predicted for them."""
        terms = SpeedTerms(self._plan.config.spec(), self._plan.scenario, count_mm)
        for judged, predicted in zip_longest(self._marks, _predicted(self._plan.journal)):
            if judged is not None:
                terms.mark(judged)
            if predicted is not None:
                terms.request(*predicted)
        return terms

    def _take_signals(self) -> None:
        loop, main = asyncio.get_running_loop(), asyncio.current_task()
        assert main is not None

        def on_signal(number: signal.Signals) -> None:
            if self._controller is None:
                main.cancel()
            else:
                self._controller.signal(number)

        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, on_signal, number)

    async def _start_side(self, stack: AsyncExitStack) -> tuple[str, Child]:
        """Start the simulator, and the proxy before it where the link is slow; the address to go to."""
        plan, delays = self._plan, self._plan.scenario.link
        slow = delays.delay_max > 0
        serial = plan.host == NEW_PAIR
        if serial and slow:
            raise BadInputError("a delayed link is simulated over Ethernet only; remove [link] from the scenario")
        where = f"{LOOPBACK}:0" if slow else NEW_PAIR if serial else f"{plan.host}:{plan.port}"
        words = [
            "sim", str(plan.config.path), "--scenario", str(plan.scenario_path), "--seed", str(plan.seed),
            "--address", where, "--truth", "-", "--for", f"{plan.duration_s + 60:.0f} s",
        ]  # fmt: skip
        side = await stack.enter_async_context(child("simulator", "controller.cli.main", words, self._environment))
        ready = json.loads(await side.first_line())["ready"]
        if serial:
            return ready["host"], side
        port = int(ready["port"])
        if slow:
            words = [
                "--listen", f"{plan.host}:{plan.port}", "--to", f"{LOOPBACK}:{port}", "--seed", str(plan.seed),
                "--min-ms", f"{delays.delay_min * 1e3:g}", "--max-ms", f"{delays.delay_max * 1e3:g}",
            ]  # fmt: skip
            proxy = await stack.enter_async_context(child("proxy", "sim.proxy", words, self._environment))
            port = int((await proxy.first_line()).rpartition(":")[2])
        return f"{plan.host}:{port}", side

    async def _hear_side(self, side: Child) -> None:
        """Take the simulator's truth as it comes."""
        async for line in side.lines():
            match json.loads(line):
                case {"progress": progress}:
                    self._truth = progress
                case {"mark": mark}:
                    self._marks.append(Judged(MarkTruth(**mark.pop("truth")), **mark))
                case {"call": call}:
                    self._calls.put_nowait(call)
                case {"verdict": verdict}:
                    self._verdict = verdict

    async def _run_controller(self, stack: AsyncExitStack, address: str, progress: Progress) -> dict[str, Any]:
        """Run the controller to its end beside the display; its summary."""
        plan = self._plan
        words = [
            "run", str(plan.config.path), "--bench-start", "--for", f"{plan.duration_s:g} s", "--json",
            "--address", address, "--journal", str(plan.journal), "--log", "json",
        ]  # fmt: skip
        if plan.dry:
            words.append("--dry")
        controller = await stack.enter_async_context(
            child("controller", "controller.cli.main", words, self._environment)
        )
        self._controller = controller
        showing = asyncio.create_task(self._show(progress), name="display")
        try:
            said = [line async for line in controller.lines()]
        finally:
            await _cancel(showing)
        if not said or not said[-1].startswith("{"):
            raise await controller.failure()
        summary: dict[str, Any] = json.loads(said[-1])
        if await controller.process.wait() != OK:
            progress.note(f"controller: {(await controller.failure())}")
        return summary

    async def _show(self, progress: Progress) -> None:
        """Keep the display up to date, and give the scenario's calls as somebody at the panel would."""
        status: dict[str, Any] | None = None
        where = socket_path(self._plan.config.name, self._plan.runtime)
        while True:
            with contextlib.suppress(NotRunningError):
                status = await asyncio.to_thread(_status, where)
            progress.show(status, self._truth)
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(LOOK_S):
                    call = await self._calls.get()
                    refused = await asyncio.to_thread(_give, where, call)
                    progress.note(f"{call['verb']} {call['argument']}: {refused or 'accepted'}".replace(" :", ":"))


def _status(where: Path) -> dict[str, Any]:
    with LocalClient(where) as client:
        return client.status()


def _give(where: Path, call: dict[str, str]) -> str | None:
    with LocalClient(where) as client:
        return client.call(call["verb"], "bench", call["argument"])


def _predicted(journal: Path) -> Iterator[tuple[int, float]]:
    """Token and predicted speed (mm/s) of every mark that the newest run reports."""
    with reading(journal) as connection:
        run = find_run(connection, journal, None).run
        yield from connection.execute(
            "SELECT token, speed_mm_s FROM requests WHERE run = ? AND fate = 'marked' AND token IS NOT NULL "
            "AND speed_mm_s IS NOT NULL ORDER BY request",
            (run,),
        )


def let_write(journal: Journal) -> None:
    """Wait while many events are not yet on the disk: in virtual time nothing is missed by it.

    A run that takes the whole processor leaves the journal's thread little of it, and the journal holds only so much.
    """
    while journal.ok and journal.backlog > BACKLOG_EVENTS:
        journal.flush()


def _virtual(plan: Plan) -> dict[str, Any]:
    """Run it in virtual time, with a bar that shows how far it has come."""
    from rich.console import Console
    from rich.progress import Progress as Bar

    from controller.run_record import begin_record
    from sim.virtual import VirtualOptions, run_virtual

    spec = plan.config.spec(plan.dry, (plan.host, plan.port))
    journal = Journal.open(plan.journal, spec.name, synchronous="OFF")
    why = "it failed"
    try:
        begin_record(journal, plan.config, spec, mono_ns=0, wall_ns=time.time_ns())
        with Bar(console=Console(stderr=True), transient=True, disable=not sys.stderr.isatty()) as bar:
            task = bar.add_task("virtual time", total=plan.duration_s)

            def progress(gone_s: float, _: Snapshot) -> None:
                bar.update(task, completed=gone_s)
                let_write(journal)

            result = run_virtual(spec, plan.scenario, journal, VirtualOptions(plan.duration_s, plan.seed), progress)
        why = "its time was over"
    finally:
        journal.close(why)
    return result


async def _cancel(task: asyncio.Task[None]) -> None:
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task
