"""The simulated I/O side as a process: it serves the line, and tells the truth about it as it happens.

The truth is a stream of JSON objects, one a line: `ready` with the address, `progress` a few times a second, `mark` for
each mark as it really began, `call` when the scenario wants a command given, and `verdict` at the end.
"""

from __future__ import annotations

import asyncio
import dataclasses
import signal
from collections.abc import Callable, Iterator
from contextlib import AbstractAsyncContextManager, AsyncExitStack
from typing import Any, Protocol

from controller.plain import PlainInputs
from controller.registers import Command, Status
from controller.settings.line import LineConfig
from sim.device import Device
from sim.plain import PlainDevice
from sim.scenario import Scenario
from sim.server import Wire, serving, serving_plain, since_now_ns
from sim.verdict import Judged, Verdict
from sim.world import build_device, build_plain_device, scheduled_calls

PROGRESS_S = 0.2

Tell = Callable[[dict[str, Any]], None]


Noted = Callable[[Judged], None]
"""Who is told each mark as it is judged."""


class _Judged:
    """A device with its verdict: what has passed the marker is counted up to the instant at which marking ended.

    A belt that runs on after Stop carries products past the marker that nobody wanted marked. Marks are judged to
    the very end, so that one after the stop would show.
    """

    device: Device | PlainDevice
    _make: Callable[..., Device | PlainDevice]

    def __init__(
        self, config: LineConfig, scenario: Scenario, seed: int | None, on_judged: Noted | None = None
    ) -> None:
        """Build the world. Raises ValueError in one line where the scenario makes no sense."""
        spec = config.spec()
        self.verdict = Verdict(spec, scenario, on_judged)
        self.device = self._make(spec, scenario, seed, on_product=self.verdict.product, on_mark=self.verdict.mark)
        self._ran = False
        self._world_at_end: dict[str, Any] | None = None

    def advance(self, t_ns: int) -> None:
        """Bring the world up to `t_ns`."""
        self.device.advance(t_ns)
        self._follow()

    def link_down(self, t_ns: int) -> bool:
        """Whether the cable is out just now."""
        return self.device.link_down(t_ns)

    def result(self, speed_term_mm: float = 0.0) -> dict[str, Any]:
        """The verdict so far, as `Verdict.result` gives it."""
        result = self.verdict.result(self.device, speed_term_mm)
        if self._world_at_end is not None:
            result["world"] = {**self._world_at_end, "marks": result["world"]["marks"]}
        return result

    def _follow(self) -> None:
        """See whether the line has begun or ended to mark."""
        if self.device.running:
            self._world_at_end = None
        elif self._ran:
            self._world_at_end = self.verdict.result(self.device)["world"]
        self._ran = self.device.running


class JudgedSide(_Judged):
    """The field block's I/O side with its verdict."""

    device: Device
    _make = staticmethod(build_device)

    def write(self, command: Command, t_ns: int) -> None:
        """Take a complete command block."""
        self.device.write(command, t_ns)
        self._follow()

    def read(self, t_ns: int) -> Status:
        """Give the status block of that instant."""
        return self.device.read(t_ns)


class JudgedPlainSide(_Judged):
    """A plain device with its verdict."""

    device: PlainDevice
    _make = staticmethod(build_plain_device)

    def write_output(self, name: str, on: bool, t_ns: int) -> None:
        """Take what one output is to be."""
        self.device.write_output(name, on, t_ns)
        self._follow()

    def read_inputs(self, t_ns: int) -> PlainInputs:
        """Give the inputs as last taken."""
        return self.device.read_inputs(t_ns)


async def run_side(
    config: LineConfig, scenario: Scenario, seed: int | None, host: str, port: int, for_s: float | None, tell: Tell
) -> dict[str, Any]:
    """Serve until the time is over or a signal comes; the verdict.

    Raises OSError when it cannot listen, ValueError for a scenario that makes no sense.
    """

    def tell_mark(judged: Judged) -> None:
        tell({"mark": dataclasses.asdict(judged)})

    side: JudgedSide | JudgedPlainSide
    if config.plain is None:
        side = JudgedSide(config, scenario, seed, tell_mark)
    else:
        side = JudgedPlainSide(config, scenario, seed, tell_mark)
    done = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, done.set)
    async with AsyncExitStack() as stack:
        servers = [await stack.enter_async_context(served) for served in _served(config, side, host, port)]
        tell({"ready": {"host": servers[0].host, "port": servers[0].port}})
        telling = asyncio.create_task(_tell_progress(side, scenario, tell), name="progress")
        failing = [asyncio.create_task(server.failed(), name="device") for server in servers]
        ending = asyncio.create_task(done.wait(), name="end")
        tasks = (telling, *failing, ending)
        try:
            finished, _ = await asyncio.wait(tasks, timeout=for_s, return_when=asyncio.FIRST_COMPLETED)
            for task in finished:
                task.result()
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
    verdict = side.result()
    tell({"verdict": verdict})
    return verdict


class Served(Protocol):
    """What serves the device, over whatever protocol."""

    host: str
    port: int

    async def failed(self) -> None:
        """Wait until the device fails, and raise its error."""


def _served(
    config: LineConfig, side: JudgedSide | JudgedPlainSide, host: str, port: int
) -> Iterator[AbstractAsyncContextManager[Served]]:
    """The servers of a line's I/O side, the one with the counts first."""
    link, clock = config.settings.link, since_now_ns()
    serial = link.serial_line() if link.protocol == "modbus-rtu" else None
    wire = Wire(link.protocol != "modbus-tcp", serial, link.unit_id)
    if isinstance(side, JudgedPlainSide):
        if config.plain is not None:
            yield serving_plain(side, config.plain, host, port, clock, wire)
        return
    if link.protocol != "opcua":
        yield serving(side, config.points, host, port, clock, wire)
    if config.nodes is not None and config.access is not None:
        from sim.opcua import serving_opcua

        at = config.inputs_address or (host, port)
        yield serving_opcua(side, config.nodes, *at, clock, config.access.path)


async def _tell_progress(side: _Judged, scenario: Scenario, tell: Tell) -> None:
    device = side.device
    calls: list[tuple[int, Any]] | None = None
    while True:
        zero_ns, now_ns = device.belt.zero_ns, device.now_ns
        if zero_ns is not None:
            calls = scheduled_calls(scenario, device.belt) if calls is None else calls
            while calls and calls[0][0] <= now_ns:
                call = calls.pop(0)[1]
                tell({"call": {"verb": call.verb, "argument": call.argument}})
        tell({"progress": progress(side)})
        # The next call is given at its time, not at the next telling.
        due_s = (calls[0][0] - now_ns) / 1e9 if calls else PROGRESS_S
        await asyncio.sleep(min(PROGRESS_S, max(0.0, due_s)))


def progress(side: _Judged) -> dict[str, Any]:
    """The truth so far in a few figures, for a display."""
    device, result = side.device, side.result()
    zero_ns = device.belt.zero_ns
    return {
        "t_s": None if zero_ns is None else round((device.now_ns - zero_ns) / 1e9, 3),
        "speed_mm_s": round(device.belt.speed_mm_s(device.now_ns), 3),
        "products": result["world"]["products"],
        "past_marker": result["world"]["past_marker"],
        "marks": result["world"]["marks"],
        "doubles": result["doubles"],
        "off_product": result["off_product"],
        "max_abs_mm": result["placement"]["max_abs_mm"],
    }
