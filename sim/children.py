"""The bench's processes: each of its own, in a session of its own, so that Ctrl-C comes to the bench alone."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import sys
from collections.abc import AsyncIterator, Mapping, Sequence
from contextlib import asynccontextmanager

STREAM_LIMIT = 1 << 22
END_WITHIN_S = 10.0
"""Longer than any orderly end takes; then the process is killed, and its lease makes the I/O side safe."""


class ChildError(Exception):
    """A process of the bench could not do its work: its own last words, and its exit code."""

    def __init__(self, words: str, code: int) -> None:
        super().__init__(words)
        self.code = code


class Child:
    """One running process of the bench. Made by `child`."""

    def __init__(self, name: str, process: asyncio.subprocess.Process) -> None:
        self.name, self.process = name, process
        self._errors: list[str] = []
        self._reader = asyncio.create_task(self._read_errors(), name=f"errors of {name}")

    async def lines(self) -> AsyncIterator[str]:
        """Its standard output, line by line, to its end."""
        assert self.process.stdout is not None
        while line := await self.process.stdout.readline():
            yield line.decode(errors="replace").rstrip("\n")

    async def first_line(self) -> str:
        """The first line that it prints. Raises ChildError when it ends without one."""
        async for line in self.lines():
            return line
        raise await self.failure()

    async def failure(self) -> ChildError:
        """Wait for its end and take its last words as an error."""
        code = await self.process.wait()
        await self._reader
        words = self._errors[-1] if self._errors else f"ended with exit code {code} without a word"
        return ChildError(words.removeprefix("beltcue: "), code)

    def signal(self, number: signal.Signals) -> None:
        """Send a signal, if it still runs."""
        if self.process.returncode is None:
            # Not `process.send_signal`: it polls first, and where the process has just ended takes its exit code away
            # from the loop that waits for it.
            with contextlib.suppress(ProcessLookupError):
                os.kill(self.process.pid, number)

    async def end(self) -> None:
        """End it in order; kill it when that takes too long."""
        self.signal(signal.SIGTERM)
        try:
            async with asyncio.timeout(END_WITHIN_S):
                await self.process.wait()
        except TimeoutError:
            self.signal(signal.SIGKILL)
            await self.process.wait()
        await self._reader

    async def _read_errors(self) -> None:
        assert self.process.stderr is not None
        while line := await self.process.stderr.readline():
            self._errors = [*self._errors[-9:], line.decode(errors="replace").rstrip("\n")]


@asynccontextmanager
async def child(
    name: str, module: str, words: Sequence[str], environment: Mapping[str, str], prefix: Sequence[str] = ()
) -> AsyncIterator[Child]:
    """Run `python -m module words` while the block runs; it has ended when the block is left.

    `prefix` is a command that becomes what it is given to run, such as nsenter.
    """
    process = await asyncio.create_subprocess_exec(
        *prefix, sys.executable, "-m", module, *words, stdin=asyncio.subprocess.DEVNULL, stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE, start_new_session=True, env=dict(environment), limit=STREAM_LIMIT,
    )  # fmt: skip
    running = Child(name, process)
    try:
        yield running
    finally:
        await asyncio.shield(running.end())
