"""What is wrong now: from the status, the link and the belt to the faults whose cause is present."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from controller.enable import Enable
from controller.registers import LAYOUT, InhibitCause, Status, StatusBit
from controller.spec import LineSpec, Material
from controller.travel import Travel

READY_GRACE_S: Final = 0.05
"""A marker may be neither ready nor busy for its rearm time and this much before that is a fault."""
COASTING_S: Final = 1.0
"""The belt may run on for so long after its drive stopped."""
COUNTING_NS: Final = 250_000_000
"""A count that changed within this time is still changing."""
BACKING_MM: Final = 1.0
"""The belt may spring back by so much without a word."""
_USUAL: Final = (
    StatusBit.INTERLOCKS_CLOSED | StatusBit.MARKER_FAULT | StatusBit.UPSTREAM_EMPTY | StatusBit.DOWNSTREAM_BLOCKED
    | StatusBit.STOP_REQUESTED
)  # fmt: skip

_INHIBIT_WORDS: dict[int, str] = {
    InhibitCause.NONE: "no cause given",
    InhibitCause.ENABLE_LOW: "it sees enable low",
    InhibitCause.INTERLOCK: "interlock",
    InhibitCause.LEASE_EXPIRED: "the lease ran out: our writes came too late",
    InhibitCause.ENABLE_NOT_CYCLED: "it has not seen enable low and then high",
    InhibitCause.WRONG_BOOT_ID: "it restarted",
    InhibitCause.OTHER_OWNER: "it obeys another controller",
}


def inhibit_words(cause: int) -> str:
    """The inhibit cause in words."""
    return _INHIBIT_WORDS.get(cause, f"cause {cause}")


@dataclass(slots=True)
class Watch:
    """What must be remembered from scan to scan to tell how long something has lasted. Times by the scan's clock."""

    interlock_mask: int = 0
    """The bits of the interlocks that the line names."""
    good_ns: int | None = None
    echo: int = -1
    echo_ns: int = 0
    drive: bool = False
    drive_ns: int = 0
    foreign_ns: int | None = None
    """Since when the I/O side obeys another controller; None: it does not."""
    unready_ns: dict[int, int] = field(default_factory=dict)

    def take(self, status: Status, now_ns: int) -> None:
        """Note an answer of the I/O side."""
        if status.heartbeat_echo != self.echo or self.good_ns is None:
            self.echo, self.echo_ns = status.heartbeat_echo, now_ns
        drive = bool(status.bits & StatusBit.DRIVE_RUNNING)
        if drive != self.drive or self.good_ns is None:
            self.drive, self.drive_ns = drive, now_ns
        self.good_ns = now_ns

    def kept(self, echo: int, now_ns: int) -> None:
        """The I/O side has gone on answering, and taking our heartbeat, up to now."""
        self.echo, self.echo_ns, self.good_ns = echo, now_ns, now_ns


def interlock_words(spec: LineSpec, bits: int) -> str:
    """The names of the interlocks in `bits`; those without a name by their number."""
    names = [spec.interlocks.get(b, f"bit {b}") for b in range(16) if bits & 1 << b]
    return ", ".join(names) or "by the summary bit"


def present(
    spec: LineSpec, watch: Watch, status: Status, travel: Travel, enable: Enable, owner: int, now_ns: int
) -> dict[str, str]:
    """The faults whose cause the I/O side shows now: name → detail, the most telling first."""
    found: dict[str, str] = {}
    if status.layout != LAYOUT:
        found["layout_unknown"] = f"layout {status.layout}, {LAYOUT} is wanted"
        return found
    mask = watch.interlock_mask
    if not status.bits & StatusBit.INTERLOCKS_CLOSED or status.interlocks & mask != mask:
        found["interlock_open"] = interlock_words(spec, mask & ~status.interlocks)
    if enable.up:
        if status.interlocks_opened:  # also one that the line gives no name to
            found["interlock_opened"] = interlock_words(spec, status.interlocks_opened)
        if status.bits & StatusBit.INHIBITED:
            found["inhibited"] = inhibit_words(status.inhibit_cause)
    lease_ns = spec.limits.lease_s * 1e9
    if status.owner in (0, owner):
        watch.foreign_ns = None
        if now_ns - watch.echo_ns > lease_ns:
            found["heartbeat_lost"] = ""
    else:
        # The echo may well move: it is then the other one's heartbeat.
        if watch.foreign_ns is None:
            watch.foreign_ns = now_ns
        if now_ns - watch.foreign_ns > lease_ns:
            found["other_owner"] = f"owner {status.owner}"
    if status.bits & _USUAL != StatusBit.INTERLOCKS_CLOSED:
        _bits(status, found)
    _marker(spec, watch, status, found, now_ns)
    _belt(spec, watch, travel, found, now_ns)
    return found


def _bits(status: Status, found: dict[str, str]) -> None:
    bits = status.bits
    if bits & StatusBit.UPSTREAM_EMPTY:
        found["upstream_empty"] = ""
    if bits & StatusBit.DOWNSTREAM_BLOCKED:
        found["downstream_blocked"] = ""
    if bits & StatusBit.STOP_REQUESTED:
        found["stop_requested"] = ""


def _marker(spec: LineSpec, watch: Watch, status: Status, found: dict[str, str], now_ns: int) -> None:
    for index, station in enumerate(spec.stations):
        if index == 0:
            bits = status.bits
            fault = bool(bits & StatusBit.MARKER_FAULT)
            idle = not bits & (StatusBit.MARKER_READY | StatusBit.MARKER_BUSY)
        elif index <= len(status.stations):
            further = status.stations[index - 1]
            fault, idle = further.fault, not (further.ready or further.busy)
        else:
            continue
        if fault:
            found["marker_fault"] = station.name
        if not idle:
            watch.unready_ns.pop(index, None)
        elif now_ns - watch.unready_ns.setdefault(index, now_ns) > (station.rearm_s + READY_GRACE_S) * 1e9:
            found["marker_not_ready"] = station.name
    if spec.job_number and status.job_loaded != spec.job_number:
        found["job_mismatch"] = f"job {status.job_loaded} is loaded, {spec.job_number} is asked for"


def _belt(spec: LineSpec, watch: Watch, travel: Travel, found: dict[str, str], now_ns: int) -> None:
    still_ns = now_ns - travel.moved_ns
    if spec.has_drive:
        drive_s = (now_ns - watch.drive_ns) * 1e-9
        if watch.drive and min(still_ns * 1e-9, drive_s) > spec.limits.stall_s:
            found["encoder_stalled"] = f"no count for {spec.limits.stall_s:g} s"
        elif not watch.drive and drive_s > COASTING_S and still_ns < COUNTING_NS:
            found["counting_while_stopped"] = ""
    if travel.furthest - travel.counts > BACKING_MM / spec.scale_mm and travel.speed_counts_s < 0:
        found["backing_up"] = ""


def eye_faults(spec: LineSpec, blocked_mm: float, silent_s: float) -> dict[str, str]:
    """The faults that the products show: an eye blocked too long, or no product for too long."""
    found: dict[str, str] = {}
    jam_mm = spec.detector.jam_length_mm
    if spec.material is Material.DISCRETE and jam_mm is not None and blocked_mm > jam_mm:
        found["jam"] = f"blocked over more than {jam_mm:g} mm of belt"
    silent_after_s = spec.detector.silent_after_s
    if silent_after_s is not None and silent_s > silent_after_s:
        found["silent"] = f"none for {silent_after_s:g} s"
    return found
