"""Passes over a taped distance at a live line: Enter as each end of it stands at the pointer."""

from __future__ import annotations

import sys
import time
from typing import TYPE_CHECKING

import numpy as np

from controller.cli.commission_watch import LOOK_S, look_of, source_for, tell
from controller.cli.common import BadInputError, RefusedError
from controller.commissioning.cautions import BELT
from controller.commissioning.watched import watched

if TYPE_CHECKING:
    from controller.cli.points_source import Source
    from controller.commissioning.watched import Look
    from controller.settings.line import LineConfig

REST_S = 0.3
REST_COUNTS = 3
"""A count that moves by more than this in that time belongs to a belt that runs."""


def live_passes(config: LineConfig, address: str | None, length: str, passes: int) -> list[int]:
    """Have each pass marked by Enter at a terminal, the belt standing at both ends; gives the counts of each.

    The count is followed meanwhile, so that it may wrap. Raises BadInputError without a terminal, RefusedError where
    nothing answers.
    """
    import asyncio

    from controller.local_client import NotRunningError

    if not sys.stdin.isatty():
        raise BadInputError("--taped without --counts asks for Enter at both ends: sit at a terminal, or give --counts")
    tell(
        f"caution: {BELT}\nMark two places of the belt {length} apart, and a pointer beside it. {passes} passes; "
        "the belt must stand at each Enter."
    )
    try:
        with source_for(config, address) as source:
            return asyncio.run(_passes(source, config, passes))
    except NotRunningError as error:
        raise RefusedError(str(error)) from None


async def _passes(source: Source, config: LineConfig, passes: int) -> list[int]:
    counts = []
    try:
        for number in range(1, passes + 1):
            follower = Follower(source, config)
            begin = await follower.stood_at(
                f"Pass {number} of {passes}: first mark at the pointer, belt standing; Enter"
            )
            end = await follower.stood_at(f"Pass {number}: run on to the second mark, stop; Enter")
            counts.append(end - begin)
            tell(f"Pass {number}: {counts[-1]} counts")
    finally:
        await source.close()
    return counts


class Follower:
    """Follows the count without a gap while a person works; `look_s` from look to look."""

    def __init__(self, source: Source, config: LineConfig, look_s: float = LOOK_S) -> None:
        self._source, self._spec, self._look_s = source, config.spec(), look_s
        self.looks: list[Look] = []

    async def stood_at(self, text: str) -> int:
        """The travel at which the belt stands at Enter; asks again while it runs. Raises RefusedError."""
        import asyncio

        loop = asyncio.get_running_loop()
        while True:
            tell(text)
            entered = asyncio.Event()
            # Not by a thread: it would hold up Ctrl-C until the next Enter.
            loop.add_reader(sys.stdin.fileno(), entered.set)
            try:
                while not entered.is_set():
                    await self._look()
            finally:
                loop.remove_reader(sys.stdin.fileno())
            if not sys.stdin.readline():
                raise RefusedError("nobody is at the terminal any more; nothing was changed")
            before, deadline_s = len(self.looks), loop.time() + REST_S
            while loop.time() < deadline_s:
                await self._look()
            series = watched(self.looks, self._spec).series
            if series.jumps:
                raise RefusedError("the count jumped as no belt does; check the counter with beltcue commission sense")
            rest = watched(self.looks[before:], self._spec).series.counts
            if not len(rest):
                raise RefusedError("the I/O side does not answer; nothing was changed")
            if np.ptp(rest) <= REST_COUNTS:
                return int(series.counts[-1])
            tell("The belt was running. Stop it with the mark at the pointer.")

    async def _look(self) -> None:
        import asyncio

        seen = await self._source.look()
        if seen.note:
            raise RefusedError(seen.note)
        if seen.age_ms is not None:
            self.looks.append(look_of(seen, time.monotonic(), self._spec))
        await asyncio.sleep(self._look_s)
