"""The loop: the only keeper of time, and the one owner of the link to the I/O side.

Rules of this file: deadlines are absolute (t0 + n·period), so lateness never adds up; an exchange is never
cancelled half-way; a failed exchange is an image without a status, and what it means is decided in `scan`;
whatever ends the loop, the safe outputs are written where the link allows it.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Callable, Sequence
from typing import Any

from controller.events import Event
from controller.model import Call, Reply
from controller.outcome import Image, Outcome
from controller.point_values import Look, command_values, status_values
from controller.ports import FieldLink, LinkError, Recorder, WrongPointsError
from controller.registers import LAYOUT, Command, Status
from controller.scan import Line, scan, snapshot
from controller.snapshot import Snapshot
from controller.tidying import Tidier
from controller.timing import Parts, Timing
from controller.waking import Waker

RETRY_FIRST_NS = 100_000_000
RETRY_CEILING_NS = 2_000_000_000
REMIND_NS = 10_000_000_000
"""How often a link that stays down is said again."""


class LayoutError(Exception):
    """The I/O side speaks another layout, or its points are not the line's; one line, with what to do."""


def check_layout(status: Status, where: str) -> None:
    """Refuse a foreign layout at the first answer; one that changes later is a fault, decided in `scan`.

    Raises LayoutError.
    """
    if status.layout != LAYOUT:
        raise LayoutError(
            f"the I/O side at {where} says register layout {status.layout}, this program speaks {LAYOUT}: "
            "check the address and the points in the line's file, or the program in the I/O side"
        )


class LoopEndedError(Exception):
    """A call came after the loop had ended, or was not answered before it ended."""


class LineLoop:
    """Exchanges, scans and hands on what happened, every period until `end` is called."""

    def __init__(
        self,
        line: Line,
        link: FieldLink,
        recorder: Recorder,
        *,
        period_s: float,
        tidier: Tidier | None = None,
        where: str,
        watch: Callable[[Sequence[Event]], None],
        log: Any,
    ) -> None:
        """`where` is the I/O side's address for messages; `watch` gets each scan's events and must not wait.

        The loops of one process share one `tidier`.
        """
        self.timing = Timing(round(period_s * 1e9))
        self.answered = False
        """Whether the I/O side has answered at least once."""
        self.ended = False
        """Whether the last scan has been made."""
        self._line, self._link, self._recorder = line, link, recorder
        self._where, self._watch, self._log = where, watch, log
        self._command = line.command
        self._written: Command | None = None
        """The last command that the I/O side has answered."""
        self._tidier = Tidier() if tidier is None else tidier
        self._waker = Waker()
        self._parts = Parts()
        self._waiting: list[Call] = []
        self._callers: dict[int, asyncio.Future[Reply]] = {}
        self._up = False
        self._proved = False
        """Whether the I/O side has answered since the connection was opened."""
        self._link_error = f"not connected to {where} yet"
        self._connecting: asyncio.Task[None] | None = None
        self._retry_ns = RETRY_FIRST_NS
        self._retry_at_ns = 0
        self._reminded_ns: int | None = None
        self._ending = False

    def snapshot(self) -> Snapshot:
        """The line as it is now, between two scans."""
        return snapshot(self._line, time.monotonic_ns())

    def look(self) -> Look:
        """Every point's last value, for a check of the wiring."""
        now_ns, line, good_ns = time.monotonic_ns(), self._line, self._line.watch.good_ns
        values = {} if line.status is None else status_values(line.status)
        if self._written is not None:
            values |= command_values(self._written)
        return Look(now_ns, values, None if good_ns is None else now_ns - good_ns, line.link_error, line.forced)

    def end(self) -> None:
        """End the loop after the scan in progress; safe outputs follow."""
        self._ending = True

    async def call(self, call: Call) -> Reply:
        """Give a call to the next scan and wait for its answer. Raises LoopEndedError."""
        if self._ending or self.ended:
            raise LoopEndedError("the controller is ending")
        future: asyncio.Future[Reply] = asyncio.get_running_loop().create_future()
        self._callers[id(call)] = future
        self._waiting.append(call)
        return await future

    async def run(self, begin_ns: int = 0) -> None:
        """Run until `end`. A cancellation ends it as `end` does: the exchange in progress is completed first.

        The first period begins at `begin_ns`, or at once where that is past: so loops keep out of each other's way.
        """
        inner = asyncio.create_task(self._run(begin_ns), name="scan loop")
        try:
            await asyncio.shield(inner)
        except asyncio.CancelledError:
            self.end()
            await inner
            raise

    async def _run(self, begin_ns: int) -> None:
        self._waker = Waker.open()
        try:
            await self._periods(begin_ns)
        finally:
            self.ended = True
            self._waker.close()
            self._tidier.forget(self)
            for future in self._callers.values():
                if not future.done():
                    future.set_exception(LoopEndedError("the controller ended before it answered"))
            await self._leave_safe()

    async def _periods(self, begin_ns: int) -> None:
        timing = self.timing
        period = timing.period_ns
        deadline = max(time.monotonic_ns(), begin_ns)
        await self._waker.until(deadline)
        on_time = True
        while not self._ending:
            parts = self._parts = self._woke(deadline)
            if on_time:
                timing.begun(parts)
            limited = timing.link_limited + timing.failed
            outcome = await self._cycle()
            timed = False
            while True:
                if outcome.send_at_ns is not None:
                    timed = True
                    outcome = await self._send_at(outcome.send_at_ns)
                elif outcome.at_once and self._up and time.monotonic_ns() + timing.last_exchange_ns < deadline + period:
                    outcome = await self._cycle()
                else:
                    break
            deadline += period
            now = time.monotonic_ns()
            on_time = now <= deadline
            if timed and not on_time:
                # What the order waited for has brought a fresh status as well: the next period is soon enough.
                deadline += -(-(now - deadline) // period) * period
                on_time = True
            if on_time:
                self._tidier.tidy(self, deadline)
                await self._waker.until(deadline)
                continue
            if timing.link_limited + timing.failed == limited:
                timing.overran(now - deadline, parts)
            deadline += (now - deadline) // period * period
            await asyncio.sleep(0)

    def _woke(self, deadline_ns: int) -> Parts:
        """Where the time from the deadline until now went."""
        now_ns = time.monotonic_ns()
        tidying_ns = self._tidier.took_ns(deadline_ns, now_ns)
        return Parts(woke_late=now_ns - deadline_ns - tidying_ns, tidying=tidying_ns)

    async def _send_at(self, instant_ns: int) -> Outcome:
        """Send the command at its instant, as exactly as can be: it carries a timed release."""
        await self._waker.exactly(instant_ns)
        outcome = await self._cycle()
        if self._up:
            self.timing.sends.add(self._link.sent_ns - instant_ns)
        return outcome

    async def _cycle(self) -> Outcome:
        """One exchange and the decision on what it brought."""
        began_ns = time.monotonic_ns()
        status, error = await self._exchange(began_ns)
        got_ns = time.monotonic_ns()
        # Where the link waited for others, or opened anew, the request itself left later than it was asked for.
        sent_ns = max(began_ns, self._link.sent_ns)
        if status is not None:
            self.timing.exchanged(got_ns - began_ns)
            if not self.answered:
                check_layout(status, self._where)
            self.answered = True
        calls, self._waiting = self._waiting, []
        outcome = scan(self._line, Image(status, sent_ns, got_ns, error, self._recorder.ok), got_ns, calls)
        decided_ns = time.monotonic_ns()
        self.timing.scans += 1
        self._command = outcome.command
        if outcome.events:
            self._recorder.put(outcome.events)
            self._watch(outcome.events)
        for reply in outcome.replies:
            future = self._callers.pop(id(reply.call), None)
            if future is not None and not future.done():
                future.set_result(reply)
        parts = self._parts
        parts.exchange += got_ns - began_ns
        parts.decision += decided_ns - got_ns
        parts.records += time.monotonic_ns() - decided_ns
        return outcome

    async def _exchange(self, now_ns: int) -> tuple[Status | None, str]:
        if not self._up:
            self._tend_link(now_ns)
            return None, self._link_error
        try:
            status = await self._link.exchange(self._command)
        except LinkError as error:
            self.timing.failed += 1
            self._up = False
            if self._proved:
                self._proved = False
                self._log.warning("link lost", address=self._where, error=str(error))
                self._reminded_ns = time.monotonic_ns()
                self._link_error = str(error)
            else:
                # It can be reached and does not answer: not asked all the time, since others may share the way to it.
                self._try_later(str(error))
            return None, str(error)
        self._written = self._command
        if not self._proved:
            self._proved = True
            self._retry_ns, self._retry_at_ns = RETRY_FIRST_NS, 0
            self.timing.reconnects += self.answered
            self._reminded_ns = None
            self._log.info("link up", address=self._where)
        return status, ""

    def _tend_link(self, now_ns: int) -> None:
        """Start, or take the result of, an attempt to connect; scans go on meanwhile, without a status."""
        if self._connecting is not None:
            if not self._connecting.done():
                return
            done, self._connecting = self._connecting, None
            done.result()
        if not self._up and now_ns >= self._retry_at_ns:
            self._connecting = asyncio.create_task(self._connect(), name="connect")

    async def _connect(self) -> None:
        await self._link.close()
        try:
            await self._link.connect()
        except LinkError as error:
            if isinstance(error, WrongPointsError) and not self.answered:
                raise LayoutError(str(error)) from None
            self._try_later(str(error))
            return
        self._up = True

    def _try_later(self, error: str) -> None:
        """Try to reach the I/O side again after a while, ever longer up to a ceiling, and say so now and then."""
        now_ns = time.monotonic_ns()
        self._link_error = error
        self._retry_at_ns = now_ns + self._retry_ns
        self._retry_ns = min(2 * self._retry_ns, RETRY_CEILING_NS)
        if self._reminded_ns is None or now_ns - self._reminded_ns >= REMIND_NS:
            self._reminded_ns = now_ns
            self._log.warning("no connection, trying on", address=self._where, error=error)

    async def _leave_safe(self) -> None:
        """Write the safe outputs where the link allows it; the lease makes the I/O side drop them where not."""
        if self._connecting is not None:
            self._connecting.cancel()
            with contextlib.suppress(asyncio.CancelledError, LinkError, LayoutError):
                await self._connecting
        if self._up:
            try:
                await self._link.exchange(self._line.safe_command())
                self._log.info("outputs written safe", address=self._where)
            except LinkError as error:
                self._log.warning("safe outputs not written: the lease drops them", error=str(error))
        await self._link.close()
