"""The cable-pull test of a plain device: whether its outputs drop by themselves when nobody writes to them any more.

Rules of this file: every output is written low before and after; a trigger is raised only where the person has typed
its station's name; after the link is back the device is read before it is written to. Not a safety function.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import AsyncIterator
from dataclasses import dataclass
from typing import Protocol

from controller.field.connection import ModbusConnection
from controller.field.links import make_connection
from controller.field.plain import PlainDevice
from controller.plain import PlainInputs, PlainOutputs
from controller.ports import LinkError
from controller.settings.line import LineConfig
from controller.settings.plain import PlainSection
from controller.units import parse_duration_s

WAIT_S = 300.0
"""How long a person may take to pull the cable, and to plug it in again."""
RETRY_S = 0.2
POLL_S = 0.001
SETTLE_SCANS = 10
SHARE, GRACE_S = 0.1, 0.020
"""A drop that took so much longer than stated is still as stated: the device's scan, and how well one can measure."""
CAUTIONS = """\
This test raises outputs of a real marker. Before it:
  - the marker's beam or ink is off, or it is aimed at scrap that may be marked;
  - guards are closed, and nobody is within reach of the marker or the belt;
  - no controller runs this line, and whoever may work on it by local rules makes or attends this test.
This program is not a safety function: guards, emergency stop and shutters act in hard wiring.
You will pull the cable between this computer and the device, and measure at the marker how long the output stays on
(an oscilloscope or a logger tells it; watching a lamp does not)."""


class PullFailedError(Exception):
    """The test did not prove what it should; one line, with what to do."""


class NotMadeError(Exception):
    """The test was not made, and says nothing; one line."""


class Person(Protocol):
    """Who makes the test."""

    async def tell(self, text: str) -> None:
        """Tell the person something, or ask for something to be done."""

    async def ask(self, question: str) -> str:
        """Ask, and wait for what is typed."""
        ...


@dataclass(frozen=True, slots=True)
class Pulled:
    """A test that passed: which output dropped, how long after the pull or the last write, and how that is known."""

    output: str
    within_s: float
    how: str


def allowed_s(config: LineConfig, station: int | None) -> float:
    """Within what time the output must have dropped: the watchdog's, or the pulse's that a one-shot ends."""
    section = _section(config)
    if section.watchdog is None:
        stated_s = section.stations[config.settings.stations[station or 0].name].width
    else:
        stated_s = section.watchdog
    return stated_s * (1.0 + SHARE) + GRACE_S


async def pull_by_hand(config: LineConfig, host: str, port: int, station: int | None, person: Person) -> Pulled:
    """Guide a person through the test. Raises PullFailedError, NotMadeError, LinkError.

    `station` is the one whose trigger is raised too, None for the enable output alone.
    """
    await person.tell(CAUTIONS)
    if (await person.ask('Type "yes" when all of this is so: ')).strip().lower() != "yes":
        raise NotMadeError("not begun: nothing was raised")
    if station is not None:
        name = config.settings.stations[station].name
        typed = await person.ask(f'The trigger of station {name} will be raised: its marker may mark. Type "{name}": ')
        if typed.strip() != name:
            raise NotMadeError(f'not begun: "{name}" was not typed, and nothing was raised')
    bench = _Bench(config, host, port, station)
    # From the loss of the link until it is back nothing is written: what drops the output then is the device alone.
    async with bench.raised():
        await person.tell(f"{bench.output} is high now, and written again and again. Pull the network cable.")
        await bench.hold_until_lost()
        await person.tell("The link is gone.")
        answer = await person.ask(f"Did {bench.output} go low by itself, at the marker? (yes or no) ")
        within_s = await _ask_time(person) if answer.strip().lower() in ("yes", "y") else None
        await person.tell("Plug the cable in again: the outputs will be read, and then written low.")
        inputs = await bench.read_when_back()
    if within_s is None or inputs.enable_back:
        seen = "by your word" if within_s is None else "by the input wired back"
        raise PullFailedError(
            f"{bench.output} did not drop without us, {seen}: set the device's watchdog or one-shot and test again"
        )
    how = "measured by hand" + ("" if inputs.enable_back is None else ", and read back low when the link was back")
    return _judged(config, Pulled(bench.output, within_s, how), station)


async def pull_simulated(config: LineConfig, host: str, port: int) -> Pulled:
    """Stop writing, in place of the pull, and look at the input wired back. For a test bench. As `pull_by_hand`."""
    if _section(config).enable_back is None:
        raise PullFailedError(
            "plain.enable_back: is missing; without an input wired back the bench cannot see the drop"
        )
    bench = _Bench(config, host, port, None)
    async with bench.raised():
        last_ns = await bench.hold(SETTLE_SCANS)
        within_s = await _seen_low(bench, last_ns, 3.0 * allowed_s(config, None))
    return _judged(config, Pulled(bench.output, within_s, "writes stopped, and read back over the link"), None)


async def _seen_low(bench: _Bench, last_ns: int, limit_s: float) -> float:
    while (await bench.read()).enable_back:
        if (time.monotonic_ns() - last_ns) * 1e-9 > limit_s:
            raise PullFailedError(
                f"{bench.output} was still high {limit_s:.2g} s after the last write: no watchdog acts"
            )
        await asyncio.sleep(POLL_S)
    return (time.monotonic_ns() - last_ns) * 1e-9


async def _ask_time(person: Person) -> float:
    question = 'Within what time of the pull was it low, as measured? (e.g. "0.2 s") '
    while True:
        try:
            return parse_duration_s((await person.ask(question)).strip())
        except ValueError as error:
            question = f"{error}; once more: "


def _judged(config: LineConfig, pulled: Pulled, station: int | None) -> Pulled:
    limit_s = allowed_s(config, station)
    if pulled.within_s > limit_s:
        raise PullFailedError(
            f"{pulled.output} took {pulled.within_s:.3g} s to drop, and the line's file allows {limit_s:.3g} s: "
            "set the device's time, or state the longer one in [plain] and make the test again"
        )
    return pulled


class _Bench:
    """The device with its outputs raised, while the test lasts."""

    def __init__(self, config: LineConfig, host: str, port: int, station: int | None) -> None:
        if config.plain is None:
            raise ValueError("the line's I/O side is no plain device")
        names = [s.name for s in config.settings.stations]
        has_enable = "enable" in config.plain.outputs
        self.output = "enable" if has_enable else f"the trigger of station {names[station or 0]}"
        self._low = PlainOutputs(False, False, (False,) * len(names))
        self._high = PlainOutputs(has_enable, False, tuple(n == station for n in range(len(names))))
        self._period_s = config.settings.line.scan_period
        self._wire: ModbusConnection = make_connection(config, host, port)
        self._device = PlainDevice(config.plain, self._wire)
        self._is_low = True

    async def read(self) -> PlainInputs:
        """Read the inputs. Raises LinkError."""
        return await self._wire.carry(self._device.read)

    async def _write(self, outputs: PlainOutputs) -> None:
        await self._wire.carry(lambda: self._device.write(outputs))

    @contextlib.asynccontextmanager
    async def raised(self) -> AsyncIterator[None]:
        """Write all low, then raise what is tested; low again at the end, where the link allows it."""
        await self._write(self._low)
        self._is_low = False
        try:
            await self.hold(SETTLE_SCANS)
            if (await self.read()).enable_back is False and self._high.enable:
                raise PullFailedError("the input wired back from enable does not follow it: see plain.enable_back")
            yield
        finally:
            if not self._is_low:
                self._device.forget()
                # Where the cable is out, this cannot come through, and what drops the outputs is what is tested.
                with contextlib.suppress(LinkError):
                    await self._write(self._low)
            await self._wire.close()

    async def hold(self, scans: int) -> int:
        """Write the raised outputs so many times; when the last write began, by the monotonic clock."""
        began_ns = time.monotonic_ns()
        for _ in range(scans):
            await asyncio.sleep(self._period_s)
            began_ns = time.monotonic_ns()
            await self._write(self._high)
        return began_ns

    async def hold_until_lost(self) -> None:
        """Write the raised outputs until nothing answers any more. Raises NotMadeError when that takes too long."""
        try:
            async with asyncio.timeout(WAIT_S):
                while True:
                    await self.hold(1)
        except LinkError:
            self._device.forget()
        except TimeoutError:
            raise NotMadeError(f"the cable was not pulled within {WAIT_S:g} s: make the test again") from None

    async def read_when_back(self) -> PlainInputs:
        """Wait for the link, read the inputs before anything is written, then write all low."""
        try:
            async with asyncio.timeout(WAIT_S):
                while True:
                    try:
                        inputs = await self.read()
                        await self._write(self._low)
                    except LinkError:
                        self._device.forget()
                        await asyncio.sleep(RETRY_S)
                    else:
                        self._is_low = True
                        return inputs
        except TimeoutError:
            raise NotMadeError(f"the link did not come back within {WAIT_S:g} s: look at the cable") from None


def _section(config: LineConfig) -> PlainSection:
    if config.settings.plain is None:
        raise ValueError("the line's I/O side is no plain device")
    return config.settings.plain
