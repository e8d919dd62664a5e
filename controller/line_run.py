"""One line, run: the loop, the journal and the control socket together, from the first exchange to the safe end.

Rules of this file: one TaskGroup, so that whatever dies stops this line safely; nothing starts by itself; nothing here
waits for the disk once lines run, since other lines of the process would wait with it.
"""

from __future__ import annotations

import asyncio
import secrets
import time
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from controller.drift_watch import DriftWatch, earlier
from controller.events import Event, FaultChanged
from controller.job_files import taken_up
from controller.logs import log_events
from controller.loop import LineLoop, LoopEndedError
from controller.model import Call, FaultPhase, Reply, State
from controller.modes import accept, title
from controller.plant.image import LineImage, LinePlan
from controller.plant.local import LocalServer
from controller.plant.plans import link_timing, plan_of
from controller.plant.view import controller_part
from controller.ports import FieldLink
from controller.records.journal import Journal
from controller.records.reading import summaries
from controller.run_record import begin_record
from controller.scan import Line
from controller.serial_line import place_text
from controller.settings.line import LineConfig
from controller.snapshot import Snapshot
from controller.spec import LineSpec
from controller.tidying import Tidier

START_WITHIN_S = 5.0
"""From launch: what has not become startable by then is not started."""
LOOK_S = 0.02
STOP_GRACE_S = 1.0
"""Beyond the line's own stop limit, for the scans that it takes to see the end."""


@dataclass(frozen=True, slots=True)
class RunOptions:
    """What the command line adds to the line's files."""

    host: str
    port: int
    journal: Path
    who: str
    for_s: float | None = None
    start: bool = False
    dry: bool = False


@dataclass(frozen=True, slots=True)
class RunResult:
    """How a run ended: `orderly` when as asked, stopped and with its records kept; else `why` says what was not."""

    summary: dict[str, Any]
    orderly: bool
    why: str


@dataclass(slots=True)
class _Ending:
    """Why the run is to end, once something has said so."""

    asked: asyncio.Event = field(default_factory=asyncio.Event)
    why: str = ""
    failed: bool = False

    def ask(self, why: str, failed: bool = False) -> None:
        """Ask for the end; the first reason stands."""
        if not self.asked.is_set():
            self.why, self.failed = why, failed
            self.asked.set()


@asynccontextmanager
async def opened(
    config: LineConfig, options: RunOptions, link: FieldLink, tidier: Tidier, log: Any
) -> AsyncIterator[LineRun]:
    """Open the line's journal and its control socket, and close them after the block.

    Raises JournalError and LocalSocketError, each one line, for what the user can mend.
    """
    spec = config.spec(options.dry, (options.host, options.port))
    journal = Journal.open(options.journal, spec.name)
    why = "it failed"
    try:
        run = LineRun(config, options, spec, link, journal, tidier, log)
        await run.open()
        try:
            yield run
        finally:
            why = run.why or why
            await run.close()
    finally:
        # Where the run has ended its record itself, this changes nothing.
        journal.close(why)


class LineRun:
    """One line of the process. Made by `opened`."""

    def __init__(
        self,
        config: LineConfig,
        options: RunOptions,
        spec: LineSpec,
        link: FieldLink,
        journal: Journal,
        tidier: Tidier,
        log: Any,
    ) -> None:
        self._opened_ns = self._began_ns = time.monotonic_ns()
        self._config, self._options, self._spec, self._journal = config, options, spec, journal
        self.log = log
        self.name, self.period_ns = spec.name, round(spec.period_s * 1e9)
        self._ending = _Ending()
        self._faults: dict[str, int] = {}
        self._address = place_text(options.host, options.port)
        self._loop = LineLoop(
            Line(spec, secrets.randbelow(65535) + 1, time.monotonic_ns()),
            link,
            journal,
            period_s=spec.period_s,
            tidier=tidier,
            where=self._address,
            watch=self._watch,
            log=log,
        )
        self._drift = DriftWatch(spec, config.display, _time_of_day, log)
        self._about = self._begin_about()
        self._server = LocalServer(
            spec.name, self._loop.snapshot, lambda call: _give(self._loop, call), self._loop.look, self._about
        )

    @property
    def why(self) -> str:
        """Why it is to end or has ended; empty before."""
        return self._ending.why

    @property
    def plan(self) -> LinePlan | None:
        """What of it is to be served to the plant; None: nothing."""
        return plan_of(self._config, self._spec)

    def image(self) -> LineImage:
        """The line as it is now, between two scans, for the plant."""
        now_ns, wall_ns = time.monotonic_ns(), time.time_ns()
        snapshot = self._loop.snapshot()
        return LineImage(snapshot, link_timing(self._loop.timing), wall_ns + snapshot.t_ns - now_ns)

    async def give(self, call: Call) -> Reply:
        """Give the next scan a call; refused where the line has ended."""
        return await _give(self._loop, call)

    def end(self, why: str) -> None:
        """Stop the line in order, for that reason; the first reason stands."""
        self._ending.ask(why)

    def end_at_once(self) -> None:
        """End after the scan in progress; the outputs are written safe."""
        self._loop.end()

    async def open(self) -> None:
        """Open the control socket and begin the run's record. Raises JournalError, LocalSocketError."""
        await self._server.open()
        journal = self._journal
        if journal.recovered is not None:
            self.log.warning("the last run ended without a stop", recovered=str(journal.recovered))
        now_ns, wall_ns = time.monotonic_ns(), time.time_ns()
        kept = ((info.started_utc, info.job, summary) for info, summary in summaries(journal.path))
        self._drift.earlier = earlier(kept, self._spec)
        begin_record(journal, self._config, self._spec, mono_ns=now_ns, wall_ns=wall_ns)
        journal.prune(self._config.settings.journal.keep_days, wall_ns)
        self.log.info("run begins", line=self._spec.name, job=self._spec.job_name, address=self._address,
                       dry=self._spec.dry, journal=str(journal.path), socket=str(self._server.path))  # fmt: skip

    async def close(self) -> None:
        """Close the control socket."""
        await self._server.close()

    async def run(self, begin_ns: int) -> RunResult:
        """Run from that instant until its time is over, it is asked to end, or it fails.

        Raises LayoutError in one line; anything else is a defect. In every case the outputs have been written safe
        where the link allowed it.
        """
        self._began_ns = time.monotonic_ns()
        try:
            await self._tasks(begin_ns)
            return await self._result()
        finally:
            await self.close()
            await asyncio.to_thread(self._journal.close, self._ending.why or "it failed")

    async def _tasks(self, begin_ns: int) -> None:
        try:
            async with asyncio.TaskGroup() as group:
                group.create_task(self._loop.run(begin_ns), name="loop")
                group.create_task(self._conduct(self._loop), name="conduct")
        except ExceptionGroup as failures:
            # Not `except*`: Python 3.11.2, as Debian 12 has it, would put what is raised there into a group again.
            self._ending.ask("it failed", failed=True)
            raise failures.exceptions[0] from None

    async def _conduct(self, loop: LineLoop) -> None:
        """Start if asked to, wait for the end, and stop the line in order before the loop ends."""
        if self._options.start:
            refused = await self._start_once(loop)
            if refused:
                self._ending.ask(refused, failed=True)
        left_s = None
        if self._options.for_s is not None:
            left_s = max(0.0, self._options.for_s - (time.monotonic_ns() - self._began_ns) / 1e9)
        try:
            async with asyncio.timeout(left_s):
                await self._ending.asked.wait()
        except TimeoutError:
            self._ending.ask("its time was over")
        await self._stop(loop)
        loop.end()

    async def _start_once(self, loop: LineLoop) -> str:
        """Reset and Start on behalf of whoever typed it; why not, where it cannot be."""
        deadline_ns = self._began_ns + round(START_WITHIN_S * 1e9)
        while not self._ending.asked.is_set():
            view = loop.snapshot()
            if loop.answered and not view.not_permitted and not view.link_error:
                break
            if time.monotonic_ns() > deadline_ns:
                why = view.link_error or view.not_permitted or "no answer"
                return f"not started within {START_WITHIN_S:g} s: {why}"
            await asyncio.sleep(LOOK_S)
        for verb, wanted in (("reset", State.IDLE), ("start", State.EXECUTE)):
            if self._ending.asked.is_set():
                return ""
            reply = await _give(loop, Call(verb, self._options.who))
            if not reply.accepted:
                return f"not started: {reply.reason}"
            limit_s = self._spec.limits.enable_s + STOP_GRACE_S
            if not await self._until(loop, {wanted}, limit_s):
                view = loop.snapshot()
                return f"not started: {verb} led to {title(view.state)} ({view.first_cause or 'no cause given'})"
        return ""

    async def _stop(self, loop: LineLoop) -> None:
        """Give Stop where the state accepts it and wait until the line stands, within the line's stop limit."""
        self.log.info("run ends", why=self._ending.why)
        if accept("stop", loop.snapshot().state) is not None:
            await _give(loop, Call("stop", self._options.who))
        await self._until(loop, {State.STOPPED, State.ABORTED}, self._spec.limits.stop_s + STOP_GRACE_S)

    async def _until(self, loop: LineLoop, states: set[State], limit_s: float) -> bool:
        """Wait for one of the states; False when it took longer, the loop ended, or the line aborted instead."""
        deadline_ns = time.monotonic_ns() + round(limit_s * 1e9)
        while (state := loop.snapshot().state) not in states:
            if time.monotonic_ns() > deadline_ns or loop.ended or state is State.ABORTED:
                return False
            await asyncio.sleep(LOOK_S)
        return True

    def _watch(self, events: Sequence[Event]) -> None:
        log_events(self.log, events)
        if self._drift.take(events):
            self._about["drift"] = self._drift.text
        for event in events:
            if isinstance(event, FaultChanged) and event.phase is FaultPhase.RAISED:
                self._faults[event.fault] = self._faults.get(event.fault, 0) + 1

    def _begin_about(self) -> dict[str, Any]:
        """What the control socket adds to the snapshot: the I/O side's place, people's units, job settings, drift."""
        display = self._config.display
        return {
            "address": self._address,
            "test_address": self._config.is_test_address(self._options.host, self._options.port),
            "display": {"length_unit": display.length_unit, "speed_unit": display.speed_unit},
            "job_settings": taken_up(self._config),
            "drift": "",
        }

    async def _result(self) -> RunResult:
        loop, journal, now_ns = self._loop, self._journal, time.monotonic_ns()
        view = loop.snapshot()
        part = controller_part(
            view,
            virtual=False,
            duration_s=(now_ns - self._began_ns) / 1e9,
            wall_s=(now_ns - self._opened_ns) / 1e9,
        )
        summary = {
            **part,
            "faults": self._faults,
            "drift": self._drift.summary(),
            "scan": loop.timing.as_dict(),
            "ended": self._ending.why,
        }
        kept = await asyncio.to_thread(journal.close, self._ending.why, mono_ns=now_ns, summary=summary)
        why = self._why_not_orderly(view, loop.answered, "" if kept else journal.error)
        self.log.info("run ended", why=self._ending.why, state=title(view.state), balanced=view.balanced)
        return RunResult(summary, not why, why)

    def _why_not_orderly(self, view: Snapshot, answered: bool, journal_error: str) -> str:
        if self._ending.failed:
            return self._ending.why
        if not answered:
            return f"the I/O side at {self._address} never answered: {view.link_error}"
        if not view.balanced:
            return "the counts do not balance: a defect of this program, please report it"
        if view.state is not State.STOPPED:
            return f"the line ended in {title(view.state)}: {view.first_cause or 'it did not stop in time'}"
        return journal_error


def _time_of_day(t_ns: int) -> str:
    """A monotonic instant as people tell the time; for display only."""
    at_s = time.time() - (time.monotonic_ns() - t_ns) / 1e9
    return time.strftime("%Y-%m-%d %H:%M", time.localtime(at_s))


async def _give(loop: LineLoop, call: Call) -> Reply:
    try:
        return await loop.call(call)
    except LoopEndedError as ended:
        return Reply(call, False, str(ended))
