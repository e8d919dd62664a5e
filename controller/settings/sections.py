"""The sections of a line file, one model each."""

from __future__ import annotations

import ipaddress
import math
import re
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from controller.serial_line import Parity, SerialLine, is_serial
from controller.settings.base import Strict, problem
from controller.settings.quantities import (
    AccelMmS2,
    DurationS,
    LengthMm,
    PositiveDurationS,
    PositiveFrequencyHz,
    PositiveLengthMm,
    PositiveSpeedMmS,
    SpeedMmS,
)
from controller.spec import Pacing


def split_address(text: str) -> tuple[str, int | None]:
    """Split "host", "host:port" or "[::1]:port" into host and port. Raises ValueError with what is wrong."""
    example = 'write e.g. "192.0.2.10:502"'
    match = re.fullmatch(r"\[([0-9A-Fa-f:.]+)\](?::(\d+))?|([^\s:/\[\]]+)(?::(\d+))?", text)
    if match is None:
        raise ValueError(f"{text!r} is no address; {example}")
    host, port = match[1] or match[3], match[2] or match[4]
    if port is not None and not 1 <= int(port) <= 65535:
        raise ValueError(f"{text!r} has a port outside 1 to 65535; {example}")
    if match[1]:
        try:
            ipaddress.IPv6Address(host)
        except ValueError:
            raise ValueError(f"{text!r} is no address; {example}") from None
    return host, None if port is None else int(port)


def _address(text: str) -> str:
    split_address(text)
    return text


def _line_name(text: str) -> str:
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}", text):
        raise ValueError(f'{text!r} is no line name; use up to 40 letters, digits, "-" and "_", e.g. "tea-cartons"')
    return text


def _serial_port(text: str) -> str:
    if not is_serial(text):
        raise ValueError(f'{text!r} is no serial port; write its path, e.g. "/dev/ttyUSB0"')
    return text


def _place(text: str) -> str:
    return text if is_serial(text) else _address(text)


Address = Annotated[str, AfterValidator(_address)]
SerialPort = Annotated[str, AfterValidator(_serial_port)]
Place = Annotated[str, AfterValidator(_place)]


class LineSection(Strict):
    """The belt, and the files that belong to the line."""

    name: Annotated[str, AfterValidator(_line_name)] = Field(description="short name; files of the line carry it")
    job: str = Field(min_length=1, description="the job file, relative to this file")
    scenario: str | None = Field(default=None, description="the bench scenario to try the line with, relative too")
    scan_period: PositiveDurationS = Field(default=0.005, description="how often the controller looks and decides")
    top_speed: PositiveSpeedMmS = Field(description="the fastest that the belt can run")
    lowest_speed: SpeedMmS = Field(default=0.0, description="the slowest at which products are marked")
    greatest_acceleration: AccelMmS2 = Field(default=1000.0, description="the hardest that the belt can speed up")
    remote: bool = Field(default=False, description="whether the plant, not only this computer, may command the line")
    unsuspend_by_itself: bool = Field(default=False, description="go on alone when upstream or downstream is ready")

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.lowest_speed >= self.top_speed:
            raise problem("lowest_speed", "is not below top_speed; make it slower, or remove it")
        return self


class DisplaySection(Strict):
    """The units that people read."""

    length: Literal["mm", "in"] = "mm"
    speed: Literal["m/min", "ft/min", "mm/s", "m/s"] = "m/min"


class LinkSection(Strict):
    """The way to the I/O side."""

    protocol: Literal["modbus-tcp", "modbus-rtu-tcp", "modbus-rtu", "opcua"] = Field(
        default="modbus-tcp",
        description="Modbus over Ethernet; with serial framing over Ethernet; over a serial line; or OPC UA",
    )
    address: Address | None = Field(
        default=None, description='host and port, e.g. "192.0.2.10:502"; without a port 502'
    )
    port: SerialPort | None = Field(default=None, description='the serial port instead, e.g. "/dev/ttyUSB0"')
    baud: int | None = Field(default=None, ge=300, le=4_000_000, description="of the serial line; default 19200")
    parity: Parity | None = Field(default=None, description="of the serial line; default even")
    stop_bits: Literal[1, 2] | None = Field(default=None, description="default 1, without parity 2")
    unit_id: int = Field(default=1, ge=0, le=255, description="the unit that a gateway passes requests on to")
    timeout: PositiveDurationS = Field(default=0.1, description="an exchange that takes longer has failed")
    worst_exchange: PositiveDurationS = Field(default=0.005, description="reckoned with until measured")
    lease: PositiveDurationS = Field(default=0.25, description="without us for so long, the I/O side drops all")
    lost_after: PositiveDurationS = Field(default=0.25, description="no good exchange for so long is a lost link")
    function_23: bool = Field(default=True, description="write and read in one request (Modbus function 23)")
    test_addresses: list[Place] = Field(
        default_factory=list,
        description="addresses and serial ports that count as a test bench, besides this computer itself",
    )

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        serial = self.protocol == "modbus-rtu"
        if serial and self.port is None:
            raise problem("port", 'is missing; name the serial port, e.g. port = "/dev/ttyUSB0"')
        if not serial and self.protocol != "opcua" and self.address is None:
            raise problem("address", 'is missing; write e.g. address = "192.0.2.10:502"')
        if self.protocol == "opcua":
            for name in ("address", "unit_id", "function_23"):
                if name in self.model_fields_set:
                    raise problem(name, "belongs to Modbus; remove it (the server stands in opcua.endpoint)")
        if serial and self.address is not None:
            raise problem("address", "does not belong to a serial line; remove it, or choose another protocol")
        if not serial:
            for name in ("port", "baud", "parity", "stop_bits"):
                if getattr(self, name) is not None:
                    raise problem(name, f'belongs to protocol = "modbus-rtu", not to "{self.protocol}"; remove it')
        if serial and not 1 <= self.unit_id <= 247:
            raise problem("unit_id", f"{self.unit_id} is no address on a serial line; use 1 to 247")
        if self.timeout < self.worst_exchange:
            raise problem("timeout", "is shorter than worst_exchange; make it longer")
        if not 0.001 <= self.lease <= 65.535:
            raise problem("lease", 'is outside 1 ms to 65535 ms; write e.g. lease = "250 ms"')
        return self

    def serial_line(self) -> SerialLine:
        """How characters go over the serial line."""
        parity = self.parity or Parity.EVEN
        stop_bits = self.stop_bits or (2 if parity is Parity.NONE else 1)
        return SerialLine(self.baud or SerialLine().baud, parity, stop_bits)


class WheelSection(Strict):
    """The measuring wheel and its encoder."""

    circumference: PositiveLengthMm | None = Field(default=None, description="belt for one turn of the wheel")
    diameter: PositiveLengthMm | None = Field(default=None, description="instead of the circumference")
    counts_per_turn: int = Field(ge=1, le=10_000_000, description="periods of the encoder in one turn of its shaft")
    decode: Literal[1, 2, 4] = Field(default=4, description="counts for each period, as the counter is set")
    gearing: float = Field(default=1.0, gt=0.0, description="turns of the encoder for one turn of the wheel")

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if (self.circumference is None) == (self.diameter is None):
            raise problem("circumference", "give circumference or diameter, one of the two")
        return self

    def scale_mm(self) -> float:
        """Work out the belt for one count, in mm."""
        around_mm = self.circumference if self.diameter is None else math.pi * self.diameter
        if around_mm is None:
            raise ValueError("neither circumference nor diameter is given")
        return around_mm / (self.counts_per_turn * self.decode * self.gearing)


class EncoderSection(Strict):
    """The belt counter: how much belt one count is, and how it counts."""

    mm_per_count: PositiveLengthMm | None = Field(default=None, description="belt for one count, where measured")
    wheel: WheelSection | None = Field(default=None, description="or the wheel's data, to work it out from")
    counter_bits: Literal[16, 32] | None = Field(default=None, description="the counter's width; default: its point's")
    modulus: int | None = Field(default=None, ge=4, le=1 << 32, description="or how many values it has before it wraps")
    forward: Literal["counts up", "counts down"] = Field(default="counts up", description="what forward travel does")
    greatest_frequency: PositiveFrequencyHz | None = Field(
        default=None, description='what the counter input takes, periods a second of one channel, e.g. "100 kHz"'
    )

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if (self.mm_per_count is None) == (self.wheel is None):
            raise problem("mm_per_count", "give mm_per_count or wheel, one of the two")
        if self.counter_bits is not None and self.modulus is not None:
            raise problem("modulus", "give counter_bits or modulus, one of the two")
        if self.modulus is not None and self.modulus % 2:
            raise problem("modulus", f"{self.modulus} is odd; a counter has an even number of values")
        return self

    def scale_mm(self) -> float:
        """Work out the belt for one count, in mm."""
        scale_mm = self.mm_per_count if self.wheel is None else self.wheel.scale_mm()
        if scale_mm is None:
            raise ValueError("neither mm_per_count nor wheel is given")
        return scale_mm

    def greatest_counts_s(self) -> float | None:
        """Work out the fastest that the counter counts, in counts/s.

        Where the decoding is not given, each period is taken for one count: the slower case.
        """
        if self.greatest_frequency is None:
            return None
        return self.greatest_frequency * (1 if self.wheel is None else self.wheel.decode)


class DetectorSection(Strict):
    """The product sensor and the filters on its edges."""

    kind: Literal["captured", "sampled"] = Field(default="captured", description="captured in hardware, or polled")
    response: DurationS = Field(default=0.0, description="from the edge to the captured count")
    least_length: LengthMm = Field(default=0.0, description="anything shorter is no product")
    least_gap: LengthMm = Field(default=0.0, description="a shorter gap does not end a product")
    hold_off: LengthMm = Field(default=0.0, description="an edge so soon after one is the same edge again")
    jam_length: PositiveLengthMm | None = Field(default=None, description="blocked for more belt is a jam")
    silent_after: PositiveDurationS | None = Field(default=None, description="warn when no product comes for so long")


class StationSection(Strict):
    """A marker beside the belt."""

    name: str = Field(min_length=1, max_length=40, description="the station's name; the job refers to it")
    kind: Literal["marker"] = "marker"
    distance: LengthMm = Field(description="from the detector to the marker, along the belt")
    response: DurationS = Field(default=0.0, description="from the trigger to the mark")
    mark_time: DurationS = Field(default=0.0, description="how long one mark takes")
    rearm: DurationS = Field(default=0.0, description="how long after it until the marker takes the next")
    max_speed: PositiveSpeedMmS | None = Field(default=None, description="faster, and the mark would be cut short")
    mark_window: PositiveLengthMm | None = Field(
        default=None, description="so much belt may pass while one mark is made; more, and the mark is cut short"
    )
    pacing: Pacing | None = Field(
        default=None,
        description="what the marker paces itself from along the belt: only with the shared count does the length of "
        "its marks speak of our scale",
    )
    release: Literal["compare", "timed", "scan"] | None = Field(
        default=None,
        description="the I/O side releases at a count sent ahead (compare, the default) or at an order sent in time "
        "(timed); scan: a plain output, set by the nearest scan (the default with [plain], and only there)",
    )
    window: PositiveLengthMm = Field(
        default=2.0, description="a release in time is permitted so far before and after its place, else it is missed"
    )


class LimitsSection(Strict):
    """What the controller waits for."""

    enable: PositiveDurationS = Field(default=1.0, description="marking is enabled within this time or not at all")
    stop: PositiveDurationS = Field(default=2.0, description="a stop waits so long for a mark in progress")
    order: PositiveDurationS = Field(default=0.5, description="an order not answered for so long is a fault")
    stall: PositiveDurationS = Field(default=0.5, description="drive running and no count for so long is a stall")
    least_lead: DurationS = Field(default=0.0, description="what the device needs to take up an order")
    misses_in_a_row: int = Field(default=10, ge=0, description="so many misses hold the line; 0: never")


class JournalSection(Strict):
    """Where the records are kept, and how long."""

    path: str | None = Field(default=None, min_length=1, description="the journal's file; default: the user's state")
    keep_days: int = Field(
        default=90, ge=1, le=36500, description="older runs are removed, and what is older in one that goes on"
    )
