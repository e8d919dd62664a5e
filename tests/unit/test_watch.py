"""What is wrong now, told from the status, the link and the belt."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from controller.enable import Enable, Phase
from controller.registers import StationStatus, Status, StatusBit
from controller.spec import Detector, LineSpec, Material
from controller.travel import Travel
from controller.watch import Watch, eye_faults, interlock_words, present
from tests.unit.core_kit import MS, OWNER, SECOND, line_spec, station

GOOD = int(StatusBit.INTERLOCKS_CLOSED | StatusBit.MARKER_READY)
HEALTHY = Status(bits=GOOD, interlocks=3, owner=OWNER, heartbeat_echo=1)


class Eyes:
    """A watch shown one status after another."""

    def __init__(self, spec: LineSpec | None = None, up: bool = True) -> None:
        self.spec = spec or line_spec()
        self.watch, self.enable = Watch(0b11), Enable()
        self.travel = Travel(self.spec.counter, 5000.0, 0.005)
        if up:
            self.enable.phase = Phase.UP
        self.now_ns = 0
        self.echo = 0

    def show(
        self, status: Status = HEALTHY, *, echoing: bool = True, after_ns: int = 5 * MS, **change: Any
    ) -> dict[str, str]:
        self.now_ns += after_ns
        self.echo += echoing
        status = replace(status, heartbeat_echo=self.echo, **change)
        self.watch.take(status, self.now_ns)
        self.travel.update(status.belt_count, None, self.now_ns, self.now_ns)
        return present(self.spec, self.watch, status, self.travel, self.enable, OWNER, self.now_ns)


def test_a_healthy_line_has_no_faults() -> None:
    eyes = Eyes()
    for _ in range(50):
        assert eyes.show() == {}


def test_an_open_interlock_is_named() -> None:
    assert Eyes().show(interlocks=1, bits=GOOD & ~2) == {"interlock_open": "cover"}
    assert Eyes().show(interlocks=0, bits=GOOD & ~2) == {"interlock_open": "guard, cover"}


def test_the_summary_bit_and_the_single_bits_are_each_enough() -> None:
    assert Eyes().show(bits=GOOD & ~2) == {"interlock_open": "by the summary bit"}
    assert Eyes().show(interlocks=2) == {"interlock_open": "guard"}


def test_a_blink_is_not_lost_also_of_an_interlock_without_a_name() -> None:
    assert Eyes().show(interlocks_opened=2) == {"interlock_opened": "cover"}
    assert Eyes().show(interlocks_opened=1 << 9) == {"interlock_opened": "bit 9"}
    assert Eyes(line_spec(interlocks={})).show(interlocks_opened=1) == {"interlock_opened": "bit 0"}
    assert Eyes(up=False).show(interlocks_opened=2) == {}


def test_inhibited_only_while_enable_is_up() -> None:
    bits = GOOD | StatusBit.INHIBITED
    assert Eyes().show(bits=bits, inhibit_cause=3) == {"inhibited": "the lease ran out: our writes came too late"}
    assert Eyes().show(bits=bits, inhibit_cause=99) == {"inhibited": "cause 99"}
    assert Eyes(up=False).show(bits=bits, inhibit_cause=1) == {}


def test_another_layout_hides_everything_else() -> None:
    assert Eyes().show(layout=2, bits=0) == {"layout_unknown": "layout 2, 1 is wanted"}


def test_a_heartbeat_not_taken_for_longer_than_the_lease() -> None:
    eyes = Eyes()
    eyes.show()
    assert eyes.show(echoing=False, after_ns=100 * MS) == {}
    assert eyes.show(echoing=False, after_ns=1) == {"heartbeat_lost": ""}
    assert eyes.show() == {}


@pytest.mark.parametrize("echoing", [True, False])
def test_another_owner_is_seen_though_its_heartbeat_moves(echoing: bool) -> None:
    eyes = Eyes()
    eyes.show()
    assert eyes.show(owner=5, echoing=echoing) == {}
    assert eyes.show(owner=5, echoing=echoing, after_ns=101 * MS) == {"other_owner": "owner 5"}
    assert eyes.show() == {}
    assert eyes.show(owner=5) == {}


@pytest.mark.parametrize(
    ("bit", "fault"),
    [
        (StatusBit.UPSTREAM_EMPTY, "upstream_empty"),
        (StatusBit.DOWNSTREAM_BLOCKED, "downstream_blocked"),
        (StatusBit.STOP_REQUESTED, "stop_requested"),
    ],
)
def test_the_lines_own_bits(bit: StatusBit, fault: str) -> None:
    assert Eyes().show(bits=GOOD | bit) == {fault: ""}


def test_a_marker_neither_ready_nor_busy_beyond_its_rearm_time() -> None:
    eyes = Eyes(line_spec(stations=(station(rearm_s=0.02),)))
    idle = GOOD & ~StatusBit.MARKER_READY
    assert eyes.show(bits=idle) == {}
    assert eyes.show(bits=idle, after_ns=70 * MS) == {}
    assert eyes.show(bits=idle, after_ns=1) == {"marker_not_ready": "flap"}
    assert eyes.show(bits=idle | StatusBit.MARKER_BUSY) == {}
    assert eyes.show(bits=idle) == {}


def test_a_further_stations_marker_is_watched_and_named() -> None:
    eyes = Eyes(line_spec(stations=(station(), station(300.0, "lid"))))
    fine = StationStatus(0, 8, ready=True, busy=False, fault=False, done_total=0)
    assert eyes.show(stations=(fine,)) == {}
    assert eyes.show(stations=(replace(fine, fault=True),)) == {"marker_fault": "lid"}
    eyes.show(stations=(replace(fine, ready=False),))
    assert eyes.show(stations=(replace(fine, ready=False),), after_ns=51 * MS) == {"marker_not_ready": "lid"}
    assert eyes.show(bits=GOOD | StatusBit.MARKER_FAULT, stations=(fine,)) == {"marker_fault": "flap"}


def test_the_job_loaded_must_be_the_one_asked_for() -> None:
    eyes = Eyes(line_spec(job_number=7))
    assert eyes.show(job_loaded=7) == {}
    assert eyes.show(job_loaded=0) == {"job_mismatch": "job 0 is loaded, 7 is asked for"}
    assert Eyes().show(job_loaded=9) == {}


def test_a_drive_that_runs_without_a_count_is_a_stall() -> None:
    eyes = Eyes()
    running = GOOD | StatusBit.DRIVE_RUNNING
    eyes.show(bits=running)
    assert eyes.show(bits=running, after_ns=500 * MS) == {}
    assert eyes.show(bits=running, after_ns=1) == {"encoder_stalled": "no count for 0.5 s"}
    assert eyes.show(bits=running, belt_count=1) == {}


def test_a_drive_that_has_only_just_started_is_not_stalled() -> None:
    eyes = Eyes()
    eyes.show(after_ns=0)
    eyes.show(after_ns=60 * SECOND)
    assert eyes.show(bits=GOOD | StatusBit.DRIVE_RUNNING) == {}


def test_counting_while_the_drive_is_off_after_coasting() -> None:
    eyes = Eyes()
    running = GOOD | StatusBit.DRIVE_RUNNING
    eyes.show(bits=running)
    for n in range(200):
        assert eyes.show(belt_count=n, echoing=True) == {}, n
    assert "counting_while_stopped" in eyes.show(belt_count=201, after_ns=10 * MS)
    assert eyes.show(belt_count=201, after_ns=251 * MS) == {}


def test_a_line_without_a_drive_signal_is_not_judged_by_it() -> None:
    eyes = Eyes(line_spec(has_drive=False))
    for n in range(400):
        assert eyes.show(belt_count=n) == {}


def test_backing_up_more_than_a_spring_back() -> None:
    eyes = Eyes()
    for count in (0, *[40] * 20, 35, 30):
        assert eyes.show(belt_count=count) == {}
    assert eyes.show(belt_count=29) == {"backing_up": ""}


def test_jam_and_silence() -> None:
    spec = line_spec(detector=Detector(jam_length_mm=600.0, silent_after_s=20.0))
    assert eye_faults(spec, 600.0, 20.0) == {}
    assert set(eye_faults(spec, 600.1, 20.1)) == {"jam", "silent"}
    assert eye_faults(line_spec(), 1e9, 1e9) == {}
    web = replace(spec, material=Material.WEB)
    assert set(eye_faults(web, 1e9, 0.0)) == set(), "on endless material nothing is a jam"


def test_interlock_words() -> None:
    assert interlock_words(line_spec(), 0b111) == "guard, cover, bit 2"
    assert interlock_words(line_spec(), 0) == "by the summary bit"
