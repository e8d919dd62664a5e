"""A slow, honest network between two TCP ends: every chunk is delayed at random, and each direction stays in order.

Runs as a process of its own (`python -m sim.proxy`), so that its delays are nobody's scan. Delays come from a seed.
With `late_s`, what a client had on its way when it went away arrives so much later: the late write of an old process.
"""

from __future__ import annotations

import argparse
import asyncio
import random
import signal
import sys
from collections import deque
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from weakref import WeakSet


@dataclass(frozen=True, slots=True)
class Delays:
    """Each chunk waits between `least_s` and `most_s`; what a lost client leaves on its way waits `late_s` more."""

    least_s: float = 0.0
    most_s: float = 0.0
    late_s: float = 0.0

    def __post_init__(self) -> None:
        if not 0 <= self.least_s <= self.most_s or self.late_s < 0:
            given = f"delays of {self.least_s:g} to {self.most_s:g} s, late {self.late_s:g} s"
            raise ValueError(f"{given}: none may be negative, and the least not above the greatest")


class _Way:
    """One direction: chunks with the instants at which they are due, delivered in order. An end is due like a chunk."""

    def __init__(self, delays: Delays, random_: random.Random) -> None:
        self._delays, self._random = delays, random_
        self._loop = asyncio.get_running_loop()
        self._queue: deque[tuple[float, bytes | None]] = deque()
        self._timer: asyncio.TimerHandle | None = None
        self._target: asyncio.WriteTransport | None = None

    def open_to(self, target: asyncio.WriteTransport) -> None:
        """Deliver to `target` from now on."""
        self._target = target
        self._plan()

    def put(self, chunk: bytes | None) -> None:
        """Send a chunk on its way; None is the end of the connection."""
        due = self._loop.time() + self._random.uniform(self._delays.least_s, self._delays.most_s)
        if self._queue:
            due = max(due, self._queue[-1][0])
        self._queue.append((due, chunk))
        self._plan()

    def belate(self) -> None:
        """Hold back what is on its way."""
        self._queue = deque((due + self._delays.late_s, chunk) for due, chunk in self._queue)
        self.stop()
        self._plan()

    def stop(self) -> None:
        """Deliver nothing until there is a new plan."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _plan(self) -> None:
        if self._timer is None and self._target is not None and self._queue:
            self._timer = self._loop.call_at(self._queue[0][0], self._deliver)

    def _deliver(self) -> None:
        self._timer = None
        # The loop wakes on whole milliseconds: everything that is due by now goes, in order.
        while self._queue and self._target is not None and self._queue[0][0] <= self._loop.time():
            _, chunk = self._queue.popleft()
            if chunk is None:
                self._target.close()
            elif not self._target.is_closing():
                self._target.write(chunk)
        self._plan()


class _End(asyncio.Protocol):
    """One side of a proxied connection: what it hears goes on its way to the other side."""

    def __init__(self, proxy: Proxy, outward: _Way, inward: _Way, client: bool) -> None:
        self._proxy, self._outward, self._inward, self._client = proxy, outward, inward, client
        self.transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        if not isinstance(transport, asyncio.Transport):
            raise TypeError("a proxy needs a stream")
        self.transport = transport
        self._proxy.transports.add(transport)
        self._inward.open_to(transport)
        if self._client:
            self._proxy.reach_target(self._outward, self._inward)

    def data_received(self, data: bytes) -> None:
        self._outward.put(data)

    def connection_lost(self, _exc: Exception | None) -> None:
        if self.transport is not None:
            self._proxy.transports.discard(self.transport)
        if self._client:
            self._outward.belate()
        self._outward.put(None)


class Proxy:
    """A running proxy. Made by `proxying`."""

    def __init__(self, target_host: str, target_port: int, delays: Delays, seed: int) -> None:
        self.transports: set[asyncio.Transport] = set()
        self.port = 0
        self._target = (target_host, target_port)
        self._delays = delays
        self._random = random.Random(seed)
        self._ways: WeakSet[_Way] = WeakSet()
        self._server: asyncio.Server | None = None
        self._tasks: set[asyncio.Task[None]] = set()

    async def listen(self, host: str, port: int) -> None:
        """Listen on host and port (0: any free one, then in `port`). Raises OSError with a line of its own."""
        try:
            self._server = await asyncio.get_running_loop().create_server(self._accept, host, port)
        except OSError as error:
            text = f"cannot listen on {host}:{port}: {error.strerror}; stop what uses it or choose another port"
            raise OSError(error.errno, text) from None
        self.port = self._server.sockets[0].getsockname()[1]

    def reach_target(self, to_target: _Way, to_client: _Way) -> None:
        """Open the far side of a new connection; when it cannot be reached the client's side ends."""
        task = asyncio.get_running_loop().create_task(self._reach(to_target, to_client))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def close(self) -> None:
        """Stop listening and end every connection at once; what is on its way is lost."""
        for way in list(self._ways):
            way.stop()
        if self._server is not None:
            self._server.close()
        for task in list(self._tasks):
            task.cancel()
            with suppress(asyncio.CancelledError):
                await task
        for transport in list(self.transports):
            transport.abort()
        # Lost connections put their ends on the way; nobody is left to hear of them.
        await asyncio.sleep(0)
        for way in list(self._ways):
            way.stop()
        if self._server is not None:
            await self._server.wait_closed()

    def _accept(self) -> _End:
        to_target, to_client = (_Way(self._delays, self._random) for _ in range(2))
        self._ways.update((to_target, to_client))
        return _End(self, to_target, to_client, client=True)

    async def _reach(self, to_target: _Way, to_client: _Way) -> None:
        try:
            loop = asyncio.get_running_loop()
            await loop.create_connection(lambda: _End(self, to_client, to_target, client=False), *self._target)
        except OSError:
            to_client.put(None)


@asynccontextmanager
async def proxying(
    target_host: str,
    target_port: int,
    delays: Delays,
    *,
    seed: int = 0,
    host: str = "127.0.0.1",
    port: int = 0,
) -> AsyncIterator[Proxy]:
    """Run a proxy while the block runs; it says its `port`. Raises OSError when it cannot listen."""
    proxy = Proxy(target_host, target_port, delays, seed)
    try:
        await proxy.listen(host, port)
        yield proxy
    finally:
        await proxy.close()


def _address(text: str) -> tuple[str, int]:
    host, _, port = text.rpartition(":")
    if not host or not port.isdigit() or int(port) > 65535:
        raise argparse.ArgumentTypeError(f'"{text}" is not HOST:PORT')
    return host, int(port)


async def _run(listen: tuple[str, int], to: tuple[str, int], delays: Delays, seed: int) -> None:
    done = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(number, done.set)
    async with proxying(*to, delays, seed=seed, host=listen[0], port=listen[1]) as proxy:
        print(f"listening on {listen[0]}:{proxy.port}", flush=True)
        await done.wait()


def main(arguments: list[str] | None = None) -> int:
    """Run the proxy until SIGINT or SIGTERM; exit code 2 with one line for what cannot be done."""
    parser = argparse.ArgumentParser(prog="python -m sim.proxy", description="A TCP proxy that delays, in order.")
    parser.add_argument("--listen", type=_address, required=True, metavar="HOST:PORT", help="port 0: any free one")
    parser.add_argument("--to", type=_address, required=True, metavar="HOST:PORT", help="the I/O side")
    parser.add_argument("--min-ms", type=float, default=0.0, help="least delay each way (default %(default)s)")
    parser.add_argument("--max-ms", type=float, default=20.0, help="greatest delay each way (default %(default)s)")
    parser.add_argument("--late-ms", type=float, default=0.0, help="a lost client's last chunks wait longer")
    parser.add_argument("--seed", type=int, default=0, help="of the random delays (default %(default)s)")
    given = parser.parse_args(arguments)
    try:
        delays = Delays(given.min_ms / 1e3, given.max_ms / 1e3, given.late_ms / 1e3)
        asyncio.run(_run(given.listen, given.to, delays, given.seed))
    except (ValueError, OSError) as error:
        text = error.strerror if isinstance(error, OSError) else str(error)
        print(f"proxy: {text}", file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
