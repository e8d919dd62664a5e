"""A plain device with everything it is wired to: a counter, inputs and outputs, and none of the field block's rules.

It takes its inputs and sets its outputs once in each scan of its own: what is read is as old as that scan, what is
written comes with the next one. A watchdog drops every output when nothing was written for so long; a one-shot ends a
trigger's pulse. A marker is triggered by the rising edge of its trigger while the enable output, if there is one, is
high. At one instant what forbids comes first.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from controller.plain import PlainInputs, PlainSide, StationInputs
from controller.registers import Command, Status
from sim.belt import Belt
from sim.detector import Eye, EyeSpec
from sim.encoder import Encoder
from sim.marker import Markers, MarkerSpec, MarkTruth
from sim.products import Product
from sim.script import Change, Happening, Kind, changes, intervals, within

ENABLE, RUNNING = "enable", "running"


def trigger(station: int) -> str:
    """The name of a station's trigger output."""
    return f"station.{station}.trigger"


@dataclass(frozen=True, slots=True)
class PlainDeviceSpec:
    """The device itself; times in ns. `interlocks` has one bit for each that there is."""

    interlocks: int = 0
    io_scan_ns: int = 0
    watchdog_ns: int | None = None
    one_shot_ns: int | None = None
    has_enable: bool = True
    restart_raw: int = 0


def _ignore(*_: object) -> None:
    return None


class PlainDevice:
    """The device. Times never run backward. `on_output` is told each change of an output as it really happens."""

    def __init__(
        self, spec: PlainDeviceSpec, belt: Belt, encoder: Encoder, supply: Iterator[Product],
        markers: Sequence[MarkerSpec], *, eye: EyeSpec | None = None, happenings: Sequence[Happening] = (),
        on_product: Callable[[Product], None] = _ignore, on_mark: Callable[[MarkTruth], None] = _ignore,
        on_output: Callable[[int, str, bool], None] = _ignore,
    ) -> None:  # fmt: skip
        self.spec, self.belt, self.encoder = spec, belt, encoder
        self.now_ns = 0
        self.outputs: dict[str, bool] = {}
        """What is really on, by name."""
        self._on_output = on_output
        self._written: dict[str, bool] = {}
        """What was written and not yet set."""
        self._image: dict[str, bool] = {}
        """What the device was last told, which a one-shot's output need not follow."""
        self._set_ns: int | None = None
        self._write_ns: int | None = None
        self._shots: dict[str, int] = {}
        self._interlocks = spec.interlocks
        self._off = False
        self._numbers = 0
        self._markers = Markers(markers, belt, frozenset(), on_mark)
        self._eye = Eye(eye or EyeSpec(), belt, supply, self._seen, on_product)
        self._happenings = happenings
        self._changes: list[Change] = []
        self._link_gaps: list[tuple[int, int | None]] = []
        if belt.zero_ns is not None:
            self._begin(belt.zero_ns)
        self._taken = self._inputs(0)

    @property
    def running(self) -> bool:
        """Whether the line says that it runs: its beacon's output, or enable where there is no beacon."""
        return self.outputs.get(RUNNING, False) or (RUNNING not in self._image and self.outputs.get(ENABLE, False))

    def _begin(self, t_ns: int) -> None:
        self.belt.start(t_ns)
        self.encoder.start(t_ns)
        self._changes = changes(self._happenings, self.belt)
        self._link_gaps = intervals(self._changes, frozenset({Kind.LINK_DROP, Kind.IO_RESTART}))
        self._eye.look(t_ns)

    def link_down(self, t_ns: int) -> bool:
        """Whether the scenario has the link down, or the device restarting, at this time."""
        return within(self._link_gaps, t_ns)

    # What is written and read.

    def write_output(self, name: str, on: bool, t_ns: int) -> None:
        """Take what one output is to be; it is set with the device's next scan."""
        self.advance(t_ns)
        if self._off:
            return
        self._write_ns = t_ns
        self._written[name] = on
        if self._set_ns is None:
            step_ns = self.spec.io_scan_ns
            self._set_ns = t_ns if not step_ns else (t_ns // step_ns + 1) * step_ns
        self.advance(t_ns)

    def read_inputs(self, t_ns: int) -> PlainInputs:
        """Give the inputs as the device last took them."""
        self.advance(t_ns)
        return self._taken

    def _inputs(self, t_ns: int) -> PlainInputs:
        each = [(marker, marker.status(0, t_ns)) for marker in self._markers.each]
        return PlainInputs(
            count=self.encoder.raw(t_ns),
            stations=tuple(StationInputs(s.ready, s.busy, s.fault, marker.complete) for marker, s in each),
            sample_us=t_ns // 1000 & 0xFFFFFFFF,
            detector=self._eye.blocked,
            drive=self.belt.running(t_ns),
            interlocks=self._interlocks,
            enable_back=self.outputs.get(ENABLE, False),
        )

    # Time.

    def advance(self, t_ns: int) -> None:
        """Carry out every event up to and including this time. Raises ValueError for a time already past."""
        if t_ns < self.now_ns:
            raise ValueError(f"the device is at {self.now_ns} ns and cannot go back to {t_ns} ns")
        step_ns = self.spec.io_scan_ns
        take_ns = t_ns - t_ns % step_ns if step_ns else t_ns
        if take_ns >= self.now_ns:
            self._advance(take_ns)
            self._taken = self._inputs(take_ns)
        self._advance(t_ns)

    def _advance(self, t_ns: int) -> None:
        while True:
            due = [
                (ns, order)
                for order, ns in enumerate((
                    self._changes[0].t_ns if self._changes else None,
                    self._expires_ns,
                    min(self._shots.values(), default=None),
                    self._set_ns,
                    self._markers.next_ns,
                    self._eye.next_ns,
                ))
                if ns is not None and ns <= t_ns
            ]  # fmt: skip
            if not due:
                break
            due_ns, what = min(due)
            if what == 0:
                self._change(self._changes.pop(0))
            elif what == 1:
                self._drop_all(due_ns)
            elif what == 2:
                name = min(self._shots, key=self._shots.__getitem__)
                del self._shots[name]
                self._set(name, False, due_ns)
            elif what == 3:
                self._set_outputs(due_ns)
            elif what == 4:
                self._markers.step()
            else:
                self._eye.step()
        self.now_ns = t_ns

    @property
    def _expires_ns(self) -> int | None:
        if self.spec.watchdog_ns is None or self._write_ns is None:
            return None
        return self._write_ns + self.spec.watchdog_ns

    def _set_outputs(self, t_ns: int) -> None:
        self._set_ns = None
        written, self._written = self._written, {}
        # Enable first, so that it is high for a trigger that rises with it.
        for name, on in sorted(written.items()):
            rose = on and not self._image.get(name, False)
            self._image[name] = on
            shot_ns = self.spec.one_shot_ns if name not in (ENABLE, RUNNING) else None
            if shot_ns is None or not on:
                self._set(name, on, t_ns)
            elif rose:
                self._shots[name] = t_ns + shot_ns
                self._set(name, True, t_ns)

    def _drop_all(self, t_ns: int) -> None:
        """The watchdog, or a restart: all outputs off, and what was written is forgotten."""
        self._write_ns = self._set_ns = None
        self._written.clear()
        self._image.clear()
        self._shots.clear()
        for name in list(self.outputs):
            self._set(name, False, t_ns)

    def _set(self, name: str, on: bool, t_ns: int) -> None:
        if self.outputs.get(name, False) is on:
            return
        self.outputs[name] = on
        self._on_output(t_ns, name, on)
        if not on:
            return
        if self.running and self.belt.zero_ns is None:
            self._begin(t_ns)
        for station in range(len(self._markers.each)):
            permitted = self.outputs.get(ENABLE, False) or not self.spec.has_enable
            if name == trigger(station) and permitted:
                self._numbers += 1
                # No token comes over a plain output: the marks are numbered, below every token.
                self._markers.trigger(-self._numbers, station, self.encoder.raw(t_ns), t_ns)

    def _change(self, change: Change) -> None:
        match change.kind:
            case Kind.INTERLOCK_OPEN:
                bit = 1 << change.number
                self._interlocks = self._interlocks & ~bit if change.on else self._interlocks | bit
            case Kind.MARKER_FAULT:
                marker = self._markers.each[change.number]
                if change.on:
                    marker.break_down(change.t_ns)
                else:
                    marker.fault = False
            case Kind.NOT_READY:
                self._markers.each[change.number].not_ready = change.on
            case Kind.IO_RESTART:
                self._off = change.on
                self._drop_all(change.t_ns)
                if not change.on:
                    self.encoder.preset(self.spec.restart_raw, change.t_ns)
            case _:
                pass  # a link drop is the link's own affair; the rest is nothing that a plain device could tell

    def _seen(self, _t_ns: int, _blocked: bool, _backward: bool, product: Product | None) -> None:
        if product is not None:
            product.captured = True


class PlainLine:
    """A plain device and the rules played for it, as one field block: what a bench in virtual time exchanges with.

    The outputs are written `write_ns` after the inputs were read, as over a link with so many requests.
    """

    def __init__(self, device: PlainDevice, side: PlainSide, write_ns: int = 150_000) -> None:
        self.device, self.side = device, side
        self.belt = device.belt
        self._write_ns = write_ns
        self._triggers: tuple[bool, ...] = ()
        self._status: Status | None = None

    @property
    def now_ns(self) -> int:
        """The time that the device has come to."""
        return self.device.now_ns

    def advance(self, t_ns: int) -> None:
        """Bring the device up to a time, if it is not there already."""
        self.device.advance(max(t_ns, self.device.now_ns))

    def link_down(self, t_ns: int) -> bool:
        """Whether the cable is out just now."""
        return self.device.link_down(t_ns)

    def write(self, command: Command, t_ns: int) -> None:
        """Read the inputs, and write what the rules make of the command."""
        device = self.device
        outputs = self.side.step(command, device.read_inputs(max(t_ns, device.now_ns)), t_ns)
        at_ns = device.now_ns + self._write_ns
        for station, high in enumerate(outputs.triggers):
            if not self._triggers or high is not self._triggers[station]:
                device.write_output(trigger(station), high, at_ns)
        if device.spec.has_enable:
            device.write_output(ENABLE, outputs.enable, at_ns)
        device.write_output(RUNNING, outputs.running, at_ns)
        self._triggers = outputs.triggers
        self._status = self.side.answered(at_ns)

    def read(self, _t_ns: int) -> Status:
        """Give the status of the exchange whose command was written."""
        if self._status is None:
            raise RuntimeError("nothing was written yet")
        return self._status
