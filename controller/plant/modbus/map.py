"""The register map that the plant reads: one table, from which server, documents and CSV are made.

Rules of this file: within a map version no address, type, unit, meaning or number ever changes; what is new takes a
reserved place. Addresses count from 0, as they stand in the request. Holding and input registers show the same; so do
coils and discrete inputs. All of `STATUS` can be read in one request, and is then of one instant.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import chain

from controller.faults import FAULTS
from controller.model import Miss, ProductFate, State
from controller.modes import MARKING, title
from controller.plant.modbus.rows import Bit, Kind, Row, Shown, Take, of_snapshot, of_timing
from controller.plant.numbers import FAULT_NUMBERS, first_cause_number
from controller.snapshot import Snapshot

MAP_VERSION = 1
MOST_FAULTS = 64
"""So many fault numbers have a bit."""
ACTIVE_BIT = 32
UNACKNOWLEDGED_BIT = ACTIVE_BIT + MOST_FAULTS
STATE_BIT = UNACKNOWLEDGED_BIT + MOST_FAULTS
"""Where the bits begin: fault n is at ACTIVE_BIT + n − 1, state n at STATE_BIT + n."""


@dataclass(frozen=True, slots=True)
class Span:
    """Addresses that can be read; reserved ones among them are 0."""

    name: str
    first: int
    count: int

    def holds(self, address: int, count: int) -> bool:
        """Whether all of these addresses are in it."""
        return self.first <= address and address + count <= self.first + self.count


STATUS = Span("status", 0, 120)
COMMAND = Span("command", 150, 3)
TEXTS = Span("texts", 200, 280)
BITS = Span("bits", 0, 192)
SPANS = (STATUS, COMMAND, TEXTS)
CODE_AT, ARGUMENT_AT, NUMBER_AT = 150, 151, 152
NEXT_AT = 115
"""Where the number stands that the next command must have."""

_U16, _I16, _U32, _I32, _TEXT = Kind.U16, Kind.I16, Kind.U32, Kind.I32, Kind.TEXT


def _fault_word(word: int, active: bool) -> Take:
    def take(snapshot: Snapshot) -> int:
        bits = 0
        for view in snapshot.faults:
            place = FAULT_NUMBERS[view.name] - 1 - 16 * word
            if 0 <= place < 16 and (view.active if active else not view.acknowledged):
                bits |= 1 << place
        return bits

    return of_snapshot(take)


def _ms(age_ns: int | None) -> float | None:
    return None if age_ns is None else age_ns / 1e6


def _sum(address: int, name: str, meaning: str, take: Take, unit: str = "") -> Row:
    """A sum since launch or since the counters were reset."""
    return Row(address, name, _U32, unit, f"{meaning}; wraps", take, wraps=True)


def _products(fate: ProductFate) -> Take:
    return of_snapshot(lambda s: s.counters.products[fate])


def _missed(miss: Miss) -> Take:
    return of_snapshot(lambda s: s.counters.missed[miss])


def _in_state(state: State) -> Take:
    return of_snapshot(lambda s: s.state is state)


_OVER = {
    Miss.LATE: "due too soon to be sent",
    Miss.BUSY: "the marker was still busy",
    Miss.NOT_READY: "the marker was not ready",
    Miss.TOO_FAST: "the belt was too fast for it",
    Miss.FULL: "no place for another target",
    Miss.NOT_PERMITTED: "the state did not permit it",
    Miss.VOID: "given up: interlock, link, restart or stop",
    Miss.UNCONFIRMED: "what became of it is not known",
}

_STATE_ROWS = (
    Row(0, "map_version", _U16, "", "version of this map", lambda _: MAP_VERSION),
    Row(1, "heartbeat", _U16, "", "moves with every image of the line, 65535 is followed by 0; stands still when stale",
        lambda s: s.heartbeat, wraps=True),
    Row(2, "flags", _U16, "", "the bits 0 to 15 of the bit map, bit 0 the lowest",
        lambda s: sum(bit.take(s) << bit.address for bit in FLAG_BITS)),
    Row(3, "state", _U16, "", "PackML state number; 0 before the first image", of_snapshot(lambda s: s.state)),
    Row(4, "mode", _U16, "", "1 Production, 2 Maintenance, 3 Manual", of_snapshot(lambda s: s.mode)),
    Row(5, "image_age", _U16, "ms", "since the controller showed the line; 65535: longer, or never",
        lambda s: _ms(s.image_age_ns), none_is_most=True),
    Row(6, "status_age", _U16, "ms", "since the I/O side's last answer; 65535: longer, or never",
        lambda s: _ms(s.status_age_ns), none_is_most=True),
    Row(7, "faults_active", _U16, "", "how many faults are present",
        of_snapshot(lambda s: sum(view.active for view in s.faults))),
    Row(8, "first_cause", _U16, "", "number of the fault that stopped the line, until Reset; 0: none",
        of_snapshot(first_cause_number)),
    Row(9, "faults_unacknowledged", _U16, "", "how many faults nobody has acknowledged",
        of_snapshot(lambda s: sum(not view.acknowledged for view in s.faults))),
    *(Row(10 + w, f"fault_active_{w + 1}", _U16, "",
          f"faults {16 * w + 1} to {16 * w + 16} present, the first in bit 0", _fault_word(w, True)) for w in range(4)),
    *(Row(14 + w, f"fault_unacknowledged_{w + 1}", _U16, "",
          f"faults {16 * w + 1} to {16 * w + 16} not acknowledged, the first in bit 0",
          _fault_word(w, False)) for w in range(4)),
    Row(18, "state_time", _U32, "s", "how long it has been in that state",
        of_snapshot(lambda s: (s.t_ns - s.state_ns) / 1e9), scale=0.1),
    Row(20, "speed", _I16, "mm/s", "belt speed, forward positive", of_snapshot(lambda s: s.speed_mm_s)),
    Row(22, "speed_fine", _I32, "mm/s", "belt speed, finer", of_snapshot(lambda s: s.speed_mm_s), scale=0.001),
    Row(24, "travel", _I32, "count", "belt travel since launch, forward positive; wraps",
        of_snapshot(lambda s: s.travel_counts), wraps=True),
    Row(26, "unknown", _U32, "mm", "line that holds products nobody saw pass the detector",
        of_snapshot(lambda s: s.unknown_mm), scale=0.1),
    Row(28, "lead", _U32, "mm", "how far ahead of their place targets are sent now", of_snapshot(lambda s: s.lead_mm),
        scale=0.1),
    Row(30, "lead_time", _U16, "ms", "how long ahead targets are sent now", of_snapshot(lambda s: s.lead_ms),
        scale=0.1),
    Row(31, "armed", _U16, "", "targets sent and not yet answered for", of_snapshot(lambda s: s.armed)),
    Row(32, "in_flight", _U32, "", "products between detector and last station", of_snapshot(lambda s: s.in_flight)),
    Row(34, "pending", _U32, "", "mark requests without a fate yet", of_snapshot(lambda s: s.pending)),
)  # fmt: skip

_COUNT_ROWS = (
    _sum(36, "products_detected", "products seen by the detector", of_snapshot(lambda s: s.counters.detected)),
    *(_sum(address, f"products_{fate.value}", f"products {text}", _products(fate))
      for address, fate, text in (
          (38, ProductFate.MARKED, "with all marks"), (40, ProductFate.PART_MARKED, "with some of their marks"),
          (42, ProductFate.UNMARKED, "without a mark"),
          (44, ProductFate.UNKNOWN, "of which nobody knows whether they are marked"))),
    _sum(46, "requests_created", "mark requests", of_snapshot(lambda s: s.counters.created)),
    _sum(48, "requests_marked", "mark requests that were marked", of_snapshot(lambda s: s.counters.marked)),
    _sum(50, "requests_dry", "mark requests in a dry run: would have been marked",
         of_snapshot(lambda s: s.counters.dry)),
    _sum(52, "requests_missed", "mark requests that were missed, for any reason",
         of_snapshot(lambda s: sum(s.counters.missed.values()))),
    *(_sum(address, f"missed_{miss.value}", f"mark requests missed: {_OVER[miss]}", _missed(miss))
      for address, miss in (
          (54, Miss.LATE), (56, Miss.BUSY), (58, Miss.NOT_READY), (60, Miss.TOO_FAST), (62, Miss.FULL),
          (64, Miss.NOT_PERMITTED), (66, Miss.VOID), (68, Miss.UNCONFIRMED))),
    _sum(70, "test_marks", "test marks, counted apart", of_snapshot(lambda s: s.counters.test_marks)),
)  # fmt: skip

_FIGURE_ROWS = (
    Row(72, "job", _U16, "", "number of the job that is asked for", lambda s: s.about.job_number),
    Row(73, "job_loaded", _U16, "", "number of the job that the marker has", of_snapshot(lambda s: s.job_loaded)),
    Row(74, "exchange_median", _U32, "µs", "half of the exchanges with the I/O side are shorter",
        of_timing(lambda t: t.exchange_median_us)),
    Row(76, "exchange_p99", _U32, "µs", "99 % of the exchanges are shorter", of_timing(lambda t: t.exchange_p99_us)),
    Row(78, "late_median", _U32, "µs", "half of the scans begin less late", of_timing(lambda t: t.late_median_us)),
    Row(80, "late_p99", _U32, "µs", "99 % of the scans begin less late", of_timing(lambda t: t.late_p99_us)),
    _sum(82, "exchanges", "exchanges that were answered", of_timing(lambda t: t.exchanges)),
    _sum(84, "exchanges_failed", "exchanges that failed", of_timing(lambda t: t.failed)),
    _sum(86, "reconnects", "times the link came back", of_timing(lambda t: t.reconnects)),
    _sum(88, "overruns", "scans that began late by our own fault", of_timing(lambda t: t.overruns)),
    _sum(90, "link_limited", "scans that waited for the link", of_timing(lambda t: t.link_limited)),
    Row(92, "exchange_worst", _U32, "µs", "the exchange that the lead is reckoned with",
        of_snapshot(lambda s: 1e3 * s.worst_exchange_ms)),
    _sum(94, "scans", "scans since launch", of_snapshot(lambda s: s.scans)),
    Row(96, "top_speed", _U32, "mm/s", "the fastest that the belt runs", lambda s: s.about.top_speed_mm_s, scale=0.1),
    Row(98, "scale", _U32, "mm", "belt in one count", lambda s: s.about.scale_mm, scale=1e-6),
    Row(100, "distance", _U32, "mm", "from the detector to the farthest station", lambda s: s.about.distance_mm,
        scale=0.1),
    Row(102, "image_time", _U32, "s", "wall clock of the image: seconds since 1970-01-01 UTC",
        lambda s: None if s.image is None else s.image.wall_ns // 1_000_000_000),
    Row(104, "image_time_ms", _U16, "ms", "the milliseconds within image_time",
        lambda s: None if s.image is None else s.image.wall_ns // 1_000_000 % 1000),
    Row(110, "command_number", _U16, "", "number of the last command taken", lambda s: s.command.asked.number),
    Row(111, "command_code", _U16, "", "code of the last command taken", lambda s: s.command.asked.code),
    Row(112, "command_argument", _U16, "", "argument of the last command taken", lambda s: s.command.asked.argument),
    Row(113, "command_result", _U16, "", "what became of the last command taken", lambda s: s.command.result),
    Row(114, "command_reason", _U16, "", "why the last command was refused", lambda s: s.command.reason),
    Row(NEXT_AT, "command_next", _U16, "", "the number that the next command must have",
        lambda s: s.command.next_number),
)  # fmt: skip

_COMMAND_ROWS = (
    Row(CODE_AT, "ask_code", _U16, "", "code of a command; reads as command_code", lambda s: s.command.asked.code,
        writable=True),
    Row(ARGUMENT_AT, "ask_argument", _U16, "", "argument of it, 0 where it has none; reads as command_argument",
        lambda s: s.command.asked.argument, writable=True),
    Row(NUMBER_AT, "ask_number", _U16, "",
        "number of the command: written last, or with the others, it gives the command; reads as command_number",
        lambda s: s.command.asked.number, writable=True),
)  # fmt: skip


def _text(address: int, name: str, words: int, meaning: str, take: Take) -> Row:
    return Row(address, name, _TEXT, "", meaning, take, text_words=words)


_TEXT_ROWS = (
    _text(200, "line_name", 20, "the line", lambda s: s.about.name),
    _text(220, "job_name", 20, "the job", lambda s: s.about.job),
    _text(240, "first_cause_text", 60, "what stopped the line", of_snapshot(lambda s: s.first_cause)),
    _text(300, "next_step", 60, "what to do next", of_snapshot(lambda s: s.next_step)),
    _text(360, "not_permitted", 60, "what keeps the next start from being accepted",
          of_snapshot(lambda s: s.not_permitted)),
    _text(420, "command_text", 60, "why the last command was refused", lambda s: s.command.text),
)  # fmt: skip

ROWS: tuple[Row, ...] = (*_STATE_ROWS, *_COUNT_ROWS, *_FIGURE_ROWS, *_COMMAND_ROWS, *_TEXT_ROWS)


def _snap_bit(address: int, name: str, meaning: str, take: Take) -> Bit:
    return Bit(address, name, meaning, lambda s: bool(take(s)))


FLAG_BITS: tuple[Bit, ...] = (
    Bit(0, "stale", "the values are older than they may be: bit 1 or bit 2", lambda s: s.stale),
    Bit(1, "controller_silent", "the controller does not show the line any more, or not yet; values are the last ones",
        lambda s: s.controller_silent),
    Bit(2, "io_silent", "the I/O side does not answer", lambda s: s.io_silent),
    _snap_bit(3, "remote", "the plant may command the line", of_snapshot(lambda s: s.remote)),
    _snap_bit(4, "dry", "a dry run: the enable output stays off", of_snapshot(lambda s: s.dry)),
    _snap_bit(5, "balanced", "every product and request is in exactly one place", of_snapshot(lambda s: s.balanced)),
    _snap_bit(6, "start_permitted", "nothing keeps the next start from being accepted",
              of_snapshot(lambda s: not s.not_permitted)),
    _snap_bit(7, "marking", "marks are ordered", of_snapshot(lambda s: s.state in MARKING)),
    _snap_bit(8, "fault_present", "at least one fault is present",
              of_snapshot(lambda s: any(view.active for view in s.faults))),
    _snap_bit(9, "fault_unacknowledged", "at least one fault is not acknowledged",
              of_snapshot(lambda s: not all(view.acknowledged for view in s.faults))),
    _snap_bit(10, "line_unknown", "the line holds products nobody saw pass the detector",
              of_snapshot(lambda s: s.unknown_mm > 0)),
    _snap_bit(11, "output_forced", "somebody holds an auxiliary output", of_snapshot(lambda s: s.forced is not None)),
    Bit(12, "command_pending", "the last command is with the line", lambda s: s.command.result == 1),
)  # fmt: skip


def _fault_bit(first: int, what: str, meaning: str, name: str, active: bool) -> Bit:
    take = of_snapshot(lambda s: any(v.name == name and (v.active if active else not v.acknowledged) for v in s.faults))
    return _snap_bit(first + FAULT_NUMBERS[name] - 1, f"{what}_{name}", f"{meaning}: {FAULTS[name].text}", take)


BIT_ROWS: tuple[Bit, ...] = tuple(
    chain(
        FLAG_BITS,
        (_fault_bit(ACTIVE_BIT, "active", "fault present", name, True) for name in FAULT_NUMBERS),
        (_fault_bit(UNACKNOWLEDGED_BIT, "unacknowledged", "fault not acknowledged", name, False)
         for name in FAULT_NUMBERS),
        (_snap_bit(STATE_BIT + state, f"state_{state.name.lower()}", f"the line is in {title(state)}",
                   _in_state(state)) for state in State),
    )
)  # fmt: skip


def registers(shown: Shown) -> list[int]:
    """All registers from address 0 on as they are at that instant."""
    values = [0] * (TEXTS.first + TEXTS.count)
    for row in ROWS:
        values[row.address : row.address + row.words] = row.registers(shown)
    return values


def bits(shown: Shown) -> list[int]:
    """All bits from address 0 on as they are at that instant."""
    values = [0] * BITS.count
    for bit in BIT_ROWS:
        values[bit.address] = int(bit.take(shown))
    return values
