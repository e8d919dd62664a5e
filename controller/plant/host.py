"""The lines' side of the plant's process: it is started, fed with images, asked by, and started anew where it dies.

Rules of this file: a line never waits for the plant. An image for which there is no room is not sent, since the next
one says more; a process that dies is replaced, and meanwhile the lines run on.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import subprocess
import sys
from collections.abc import Mapping, Sequence
from typing import Any, Protocol, Self

from controller.model import Call, Reply
from controller.plant.channel import Answer, Down, Images, Plans, down_frame, read_up
from controller.plant.image import LineImage, LinePlan, PlantError
from controller.plant.plans import check_plans, places

OPEN_WITHIN_S = 60.0
"""Making keys and an address space takes a while on a small computer."""
END_WITHIN_S = 3.0
AGAIN_FIRST_S, AGAIN_CEILING_S = 0.1, 2.0


class Served(Protocol):
    """A line that is served."""

    def image(self) -> LineImage:
        """The line as it is now."""
        ...

    async def give(self, call: Call) -> Reply:
        """Give the line a call; it answers and never raises."""
        ...


class PlantHost:
    """Keeps the plant's process while the block runs that it is entered for."""

    def __init__(self, lines: Mapping[str, Served], plans: Sequence[LinePlan], log: Any) -> None:
        """`lines` by name; each of the `plans` is of one of them."""
        self._lines, self._plans, self._log = lines, tuple(plans), log
        self._child: subprocess.Popen[bytes] | None = None
        self._writer: asyncio.StreamWriter | None = None
        self._reader: asyncio.StreamReader | None = None
        self._task: asyncio.Task[None] | None = None
        self._calls: set[asyncio.Task[None]] = set()

    async def __aenter__(self) -> Self:
        """Start the process and wait until it serves. Raises PlantError for what the user can mend."""
        if self._plans:
            check_plans(self._plans)
            try:
                await self._start()
            except BaseException:
                await self._end()
                raise
            self._task = asyncio.create_task(self._keep(), name="plant")
        return self

    async def __aexit__(self, *_: object) -> None:
        """Show the lines as they ended, and end the process."""
        if self._task is not None:
            self._task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._task
        for task in self._calls:
            task.cancel()
        await asyncio.gather(*self._calls, return_exceptions=True)
        await self._end()

    async def _start(self) -> None:
        ours, theirs = socket.socketpair()
        with theirs:
            # Not asyncio's: that one keeps a thread for it, and our end of the socket says when the child has ended.
            self._child = subprocess.Popen(  # noqa: ASYNC220
                [sys.executable, "-m", "controller.plant.process", str(theirs.fileno())],
                pass_fds=[theirs.fileno()],
                stdin=subprocess.DEVNULL,
                start_new_session=True,  # a signal from the terminal is answered here
            )
        self._reader, self._writer = await asyncio.open_unix_connection(sock=ours)
        self._send(Plans(self._plans))
        try:
            async with asyncio.timeout(OPEN_WITHIN_S):
                while True:
                    message = await read_up(self._reader)
                    if message is None:
                        raise PlantError("the servers for the plant ended as they began: the log above says why")
                    if "refused" in message:
                        raise PlantError(str(message["refused"]))
                    if "ready" in message:
                        break
                    self._take(message)
        except TimeoutError:
            raise PlantError(
                f"the servers for the plant did not begin within {OPEN_WITHIN_S:g} s: leave [plant] out to run without"
            ) from None
        self._log.info("serving the plant", at=", ".join(places(self._plans)))

    async def _keep(self) -> None:
        """Feed the process and answer it; where it ends, start it anew, after ever longer waits up to a ceiling."""
        again_s = AGAIN_FIRST_S
        while True:
            feeding = asyncio.create_task(self._feed(), name="plant images")
            try:
                if await self._listen():
                    again_s = AGAIN_FIRST_S
            finally:
                feeding.cancel()
                await asyncio.gather(feeding, return_exceptions=True)
            self._log.warning("the servers for the plant ended, starting them anew; the lines run on")
            while True:
                await self._end()
                await asyncio.sleep(again_s)
                again_s = min(2 * again_s, AGAIN_CEILING_S)
                try:
                    await self._start()
                    break
                except (PlantError, OSError) as error:
                    self._log.warning("the servers for the plant cannot be started, trying on", error=str(error))

    async def _feed(self) -> None:
        period_s = min(plan.section.period for plan in self._plans)
        loop = asyncio.get_running_loop()
        due_s = loop.time()
        while True:
            # Not while the last one waits to be taken: a process that is held up must cost nothing here.
            if self._writer is not None and not self._writer.transport.get_write_buffer_size():
                self._send(Images(tuple(self._lines[plan.about.name].image() for plan in self._plans)))
            due_s = max(due_s + period_s, loop.time())
            await asyncio.sleep(due_s - loop.time())

    async def _listen(self) -> bool:
        """Take what the process says until it ends; whether it said anything."""
        heard = False
        while self._reader is not None:
            try:
                message = await read_up(self._reader)
            except ValueError as error:
                self._log.warning("the servers for the plant said what is no message", error=str(error))
                return heard
            if message is None:
                return heard
            heard = True
            self._take(message)
        return heard

    def _take(self, message: Mapping[str, Any]) -> None:
        match message:
            case {"log": level, "what": what, "words": dict(words)}:
                (self._log.info if level == "info" else self._log.warning)(str(what), plant=True, **words)
            case {
                "call": int(number),
                "line": str(line),
                "verb": str(verb),
                "argument": str(argument),
                "who": str(who),
            }:
                task = asyncio.create_task(self._call(number, line, Call(verb, who[:64], "plant", argument)))
                self._calls.add(task)
                task.add_done_callback(self._calls.discard)

    async def _call(self, number: int, line: str, call: Call) -> None:
        served = self._lines.get(line)
        reply = Reply(call, False, f"no line {line!r} is served") if served is None else await served.give(call)
        self._send(Answer(number, reply.accepted, reply.reason, reply.kind))

    def _send(self, message: Down) -> None:
        if self._writer is not None and not self._writer.is_closing():
            self._writer.write(down_frame(message))

    async def _end(self) -> None:
        """Close our end, and wait for the process; one that does not end is killed."""
        if self._writer is not None:
            self._writer.close()
            with contextlib.suppress(OSError):
                await self._writer.wait_closed()
            self._writer = self._reader = None
        child, self._child = self._child, None
        if child is None:
            return
        loop = asyncio.get_running_loop()
        until_s = loop.time() + END_WITHIN_S
        while child.poll() is None:
            if loop.time() > until_s:
                child.kill()
            await asyncio.sleep(0.01)
