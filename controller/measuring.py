"""Measuring a real link: exchanges as the loop makes them, by nobody, so that nothing changes at the I/O side.

To a field block the requests carry owner 0, which it ignores whole; of a plain device only inputs are read. Rules of
this file: the line's own period, adapter and way of waking, so that what is measured is what the loop will have.
"""

from __future__ import annotations

import asyncio
import gc
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from controller.link_analysis import Record
from controller.loop import LayoutError, check_layout
from controller.ports import FieldLink, LinkError, WrongPointsError
from controller.registers import Command, Status
from controller.timed import MARGIN_S
from controller.waking import Waker

INSTANT_EVERY = 2
"""After so many periods one more exchange is sent at an instant, as a release in time is."""
GOLDEN = 0.6180339887
"""Such parts of a period follow one another evenly over the whole of it."""
BURST_SHARE = 0.1
"""So large a part of the time goes into exchanges without a pause, which show the I/O side's own scan."""
BURST_MOST_NS = 2_000_000_000
RETRY_S = 0.1
REMIND_NS = 5_000_000_000


class NotMeasuredError(Exception):
    """The I/O side did not answer in all the time there was; one line."""


class Measuring:
    """One measurement. `say` gets a line for the person when something is worth saying, `progress` the share done."""

    def __init__(
        self,
        link: FieldLink,
        where: str,
        period_s: float,
        say: Callable[[str], None],
        progress: Callable[[float], None],
    ) -> None:
        self._link, self._where, self._say, self._progress = link, where, say, progress
        self._period_ns = round(period_s * 1e9)
        self._waker = Waker()
        self._record = Record()
        self._whole = 0
        self._said_ns: int | None = None

    async def run(self, for_s: float) -> Record:
        """Measure for so long. Raises NotMeasuredError when nothing answers, LayoutError for a foreign layout."""
        began_ns = time.monotonic_ns()
        until_ns = began_ns + round(for_s * 1e9)
        burst_ns = min(BURST_MOST_NS, round(for_s * 1e9 * BURST_SHARE))
        self._waker = Waker.open()
        try:
            with _no_collections():
                await self._reach(until_ns)
                await self._periods(began_ns, until_ns - burst_ns, for_s)
                await self._burst(until_ns)
        finally:
            self._waker.close()
            await self._link.close()
        record = self._record
        if record.exchanges < 2:
            raise NotMeasuredError(f"{self._where} answered {record.exchanges} exchanges within {for_s:g} s, too few")
        return record

    async def _reach(self, until_ns: int) -> None:
        error = ""
        while time.monotonic_ns() < until_ns:
            try:
                await self._link.connect()
                check_layout(await self._link.exchange(Command()), self._where)
            except WrongPointsError as wrong:
                raise LayoutError(str(wrong)) from None
            except LinkError as failed:
                error = str(failed)
                self._remind(f"no answer, trying on: {error}")
                await asyncio.sleep(RETRY_S)
            else:
                return
        raise NotMeasuredError(error or "no time was left to measure in")

    def _remind(self, text: str) -> None:
        now_ns = time.monotonic_ns()
        if self._said_ns is None or now_ns - self._said_ns > REMIND_NS:
            self._said_ns = now_ns
            self._say(text)

    async def _periods(self, began_ns: int, until_ns: int, for_s: float) -> None:
        """Exchanges at the line's own period, every few of them followed by one at an instant."""
        period_ns, record = self._period_ns, self._record
        deadline_ns, number = time.monotonic_ns(), 0
        while deadline_ns < until_ns:
            if time.monotonic_ns() < deadline_ns:
                await self._waker.until(deadline_ns)
                record.late_ns.append(time.monotonic_ns() - deadline_ns)
            else:
                await asyncio.sleep(0)
            status = await self._exchange(periodic=True)
            number += 1
            if status is not None and number % INSTANT_EVERY == 0:
                # As the loop waits for it: without an exchange, for the worst one and up to a period more.
                after_ns = record.got_ns[-1] - record.sent_ns[-1] + round(MARGIN_S * 1e9)
                instant_ns = record.got_ns[-1] + after_ns + int(number * GOLDEN % 1.0 * period_ns)
                await self._waker.exactly(instant_ns)
                if await self._exchange(periodic=False) is not None:
                    record.send_late_ns.append(self._link.sent_ns - instant_ns)
            now_ns = time.monotonic_ns()
            deadline_ns += period_ns
            if now_ns > deadline_ns:
                deadline_ns += (now_ns - deadline_ns) // period_ns * period_ns
            self._progress(min(1.0, (now_ns - began_ns) * 1e-9 / for_s))

    async def _exchange(self, periodic: bool) -> Status | None:
        record = self._record
        self._whole += 1
        began_ns = time.monotonic_ns()
        try:
            status = await self._link.exchange(Command())
        except LinkError as error:
            record.failed += 1
            self._remind(f"an exchange failed: {error}")
            await asyncio.sleep(RETRY_S)
            return None
        record.got_ns.append(time.monotonic_ns())
        record.sent_ns.append(max(began_ns, self._link.sent_ns))
        record.sample_us.append(status.sample_us)
        record.periodic.append(periodic)
        record.whole.append(self._whole)
        return status

    async def _burst(self, until_ns: int) -> None:
        while time.monotonic_ns() < until_ns:
            try:
                status = await self._link.exchange(Command())
            except LinkError:
                self._record.failed += 1
                return
            self._record.burst.append((time.monotonic_ns(), status.sample_us, status.belt_count))
            await asyncio.sleep(0)


@contextmanager
def _no_collections() -> Iterator[None]:
    """Keep garbage collection out of the measurement; the loop keeps it out of its scans likewise."""
    gc.collect()
    gc.disable()
    try:
        yield
    finally:
        gc.enable()
