"""The map: what stands where, that it stays there, and that the documents say the same."""

from __future__ import annotations

import csv
import dataclasses
import io
import math
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.cli.main import main
from controller.faults import FAULTS
from controller.layout import Table
from controller.model import Counters, Miss, ProductFate, State
from controller.plant.image import Desk, LineImage, LinePlan
from controller.plant.modbus import map as plant_map
from controller.plant.modbus.bank import LineBank
from controller.plant.modbus.page import as_csv, as_markdown
from controller.plant.modbus.rows import Kind, Row
from controller.plant.numbers import FAULT_NUMBERS, first_cause_number
from controller.settings.plant import ModbusServerSection, PlantSection
from tests.unit.plant_images import ABOUT, T_NS, TIMING, fault, image

DEPLOY = Path(__file__).parents[2] / "deploy"

# Version 1 of the map. A row may be added here, never changed: clients are built on these numbers.
VERSION_1 = """
0 map_version u16 1|1 heartbeat u16 1|2 flags u16 1|3 state u16 1|4 mode u16 1|5 image_age u16 1|6 status_age u16 1
7 faults_active u16 1|8 first_cause u16 1|9 faults_unacknowledged u16 1|10 fault_active_1 u16 1|11 fault_active_2 u16 1
12 fault_active_3 u16 1|13 fault_active_4 u16 1|14 fault_unacknowledged_1 u16 1|15 fault_unacknowledged_2 u16 1
16 fault_unacknowledged_3 u16 1|17 fault_unacknowledged_4 u16 1|18 state_time u32 0.1|20 speed i16 1
22 speed_fine i32 0.001|24 travel i32 1|26 unknown u32 0.1|28 lead u32 0.1|30 lead_time u16 0.1|31 armed u16 1
32 in_flight u32 1|34 pending u32 1|36 products_detected u32 1|38 products_marked u32 1|40 products_part_marked u32 1
42 products_unmarked u32 1|44 products_unknown u32 1|46 requests_created u32 1|48 requests_marked u32 1
50 requests_dry u32 1|52 requests_missed u32 1|54 missed_late u32 1|56 missed_busy u32 1|58 missed_not_ready u32 1
60 missed_too_fast u32 1|62 missed_full u32 1|64 missed_not_permitted u32 1|66 missed_void u32 1
68 missed_unconfirmed u32 1|70 test_marks u32 1|72 job u16 1|73 job_loaded u16 1|74 exchange_median u32 1
76 exchange_p99 u32 1|78 late_median u32 1|80 late_p99 u32 1|82 exchanges u32 1|84 exchanges_failed u32 1
86 reconnects u32 1|88 overruns u32 1|90 link_limited u32 1|92 exchange_worst u32 1|94 scans u32 1|96 top_speed u32 0.1
98 scale u32 1e-06|100 distance u32 0.1|102 image_time u32 1|104 image_time_ms u16 1|110 command_number u16 1
111 command_code u16 1|112 command_argument u16 1|113 command_result u16 1|114 command_reason u16 1|115 command_next u16 1
150 ask_code u16 1|151 ask_argument u16 1|152 ask_number u16 1|200 line_name text 1|220 job_name text 1
240 first_cause_text text 1|300 next_step text 1|360 not_permitted text 1|420 command_text text 1
"""
FLAGS_1 = (
    "stale controller_silent io_silent remote dry balanced start_permitted marking fault_present fault_unacknowledged "
    "line_unknown output_forced command_pending"
)
FAULTS_1 = (
    "interlock_open interlock_opened link_lost heartbeat_lost inhibited enable_failed io_restarted count_jump "
    "layout_unknown other_owner order_mismatch order_refused order_unanswered release_unexpected release_misplaced "
    "release_missing captures_lost marker_fault marker_not_ready misses_in_a_row job_mismatch encoder_stalled jam "
    "journal_failed upstream_empty downstream_blocked stop_requested backing_up counting_while_stopped silent"
)


def test_numbers_of_version_1_have_not_moved() -> None:
    written = [cell for line in VERSION_1.split("\n") for cell in line.split("|") if cell]
    assert [f"{r.address} {r.name} {r.kind} {r.scale:g}" for r in plant_map.ROWS][: len(written)] == written
    assert plant_map.MAP_VERSION == 1
    assert [(b.address, b.name) for b in plant_map.FLAG_BITS] == list(enumerate(FLAGS_1.split()))
    assert list(FAULT_NUMBERS.items())[:30] == [(name, n) for n, name in enumerate(FAULTS_1.split(), 1)]
    by_name = {bit.name: bit.address for bit in plant_map.BIT_ROWS}
    assert (by_name["active_link_lost"], by_name["unacknowledged_link_lost"], by_name["state_execute"]) == (34, 98, 166)


def test_every_fault_has_a_number_of_its_own_and_a_bit() -> None:
    assert set(FAULT_NUMBERS) == set(FAULTS)
    assert len(set(FAULT_NUMBERS.values())) == len(FAULT_NUMBERS)
    assert all(1 <= n <= plant_map.MOST_FAULTS for n in FAULT_NUMBERS.values())


def test_no_two_values_overlap_and_all_can_be_read() -> None:
    taken: set[int] = set()
    for row in plant_map.ROWS:
        own = set(range(row.address, row.address + row.words))
        assert not own & taken, row.name
        assert any(span.holds(row.address, row.words) for span in plant_map.SPANS), row.name
        taken |= own
    addresses = [bit.address for bit in plant_map.BIT_ROWS]
    assert len(set(addresses)) == len(addresses)
    assert max(addresses) < plant_map.BITS.count
    assert plant_map.STATUS.count <= 125  # in one request
    names = [row.name for row in (*plant_map.ROWS, *plant_map.BIT_ROWS)]
    assert len(set(names)) == len(names)


async def nobody(*_: Any) -> Any:
    raise AssertionError("no command was given")


class Clock:
    def __init__(self) -> None:
        self.t_ns = T_NS

    def now_ns(self) -> int:
        return self.t_ns


def bank(clock: Clock | None = None) -> LineBank:
    section = PlantSection(modbus=ModbusServerSection(address="127.0.0.1:15502"))
    return LineBank(LinePlan(ABOUT, section, Path()), Desk(nobody, lambda *_: None), (clock or Clock()).now_ns)


def look(served: LineBank) -> dict[str, float | str]:
    """Every value as a client would make it out of the registers and bits by the CSV alone."""
    found: dict[str, float | str] = {}
    for row in csv.DictReader(io.StringIO(as_csv())):
        at, words, kind = int(row["address"]), int(row["words"]), row["type"]
        if kind == "bit":
            (found[row["name"]],) = served.read(Table.DISCRETE, at, 1)
            continue
        raw = served.read(Table.INPUT, at, words)
        if kind == "text":
            found[row["name"]] = b"".join(w.to_bytes(2, "big") for w in raw).rstrip(b"\0").decode()
            continue
        value = int.from_bytes(b"".join(w.to_bytes(2, "big") for w in raw), "big", signed=kind.startswith("i"))
        found[row["name"]] = round(value * float(row["scale"]), 9)
    return found


def test_a_line_is_shown_as_it_is() -> None:
    products = {ProductFate.MARKED: 70_000, ProductFate.PART_MARKED: 2, ProductFate.UNMARKED: 3, ProductFate.UNKNOWN: 4}
    missed = dict(zip(Miss, range(1, 9), strict=True))
    served = bank()
    served.publish(
        image(
            state=State.EXECUTE,
            speed_mm_s=-416.6667,
            travel_counts=-5,
            unknown_mm=12.34,
            counters=Counters(70_081, products, 70_040, 70_000, 4, missed, 1),
            faults=(
                fault("jam", first=True),
                fault("interlock_open", active=False),
                fault("silent", acknowledged=True),
            ),
            first_cause="the detector has been blocked for too long (620 mm)",
            not_permitted="a",
            next_step="é" * 80,
            remote=True,
            job_loaded=8,
        )
    )
    seen = look(served)
    wanted = {
        "map_version": 1, "heartbeat": 1, "state": 6, "mode": 1, "image_age": 0, "status_age": 4, "faults_active": 2,
        "first_cause": 23, "faults_unacknowledged": 2, "fault_active_1": 0, "fault_active_2": 1 << 6 | 1 << 13,
        "fault_unacknowledged_1": 1, "fault_unacknowledged_2": 1 << 6, "state_time": 10, "speed": -417,
        "speed_fine": -416.667, "travel": -5, "unknown": 12.3, "lead": 7.5, "lead_time": 30, "armed": 1, "in_flight": 2,
        "pending": 1, "products_detected": 70_081, "products_marked": 70_000, "products_part_marked": 2,
        "products_unmarked": 3, "products_unknown": 4, "requests_created": 70_040, "requests_marked": 70_000,
        "requests_dry": 4, "requests_missed": 36, "missed_late": 1, "missed_busy": 2, "missed_not_ready": 3,
        "missed_too_fast": 4, "missed_full": 5, "missed_not_permitted": 6, "missed_void": 7, "missed_unconfirmed": 8,
        "test_marks": 1, "job": 7, "job_loaded": 8, "exchange_median": 400, "exchange_p99": 1500, "late_median": 60,
        "late_p99": 200, "exchanges": 1000, "exchanges_failed": 3, "reconnects": 1, "overruns": 2, "link_limited": 0,
        "exchange_worst": 4000, "scans": 1000, "top_speed": 500, "scale": 0.0375, "distance": 400,
        "image_time": 1_795_000_000, "image_time_ms": 0, "command_code": 0, "command_result": 0, "line_name": "demo",
        "job_name": "tea-carton-flap", "first_cause_text": "the detector has been blocked for too long (620 mm)",
        "next_step": "é" * 60, "not_permitted": "a", "stale": 0, "remote": 1, "dry": 0, "balanced": 1,
        "start_permitted": 0, "marking": 1, "fault_present": 1, "fault_unacknowledged": 1, "line_unknown": 1,
        "active_jam": 1, "active_interlock_open": 0, "unacknowledged_interlock_open": 1, "unacknowledged_silent": 0,
        "active_silent": 1, "state_execute": 1, "state_held": 0, "flags": 0b0111_1010_1000,
    }  # fmt: skip
    assert {name: seen[name] for name in wanted} == wanted


def test_before_the_first_image_everything_is_stale_and_the_ages_are_the_greatest() -> None:
    seen = look(bank())
    assert (seen["stale"], seen["controller_silent"], seen["io_silent"], seen["state"]) == (1, 1, 1, 0)
    assert (seen["image_age"], seen["status_age"], seen["heartbeat"], seen["map_version"]) == (65535, 65535, 0, 1)


def test_a_line_that_falls_silent_keeps_its_values_and_says_so() -> None:
    served = bank()
    served.publish(image())
    served.publish(image(100))
    served.publish(None)
    seen = look(served)
    assert (seen["heartbeat"], seen["stale"], seen["controller_silent"], seen["io_silent"]) == (2, 1, 1, 0)
    assert seen["speed"] == 250
    served.publish(image(200))
    assert (look(served)["heartbeat"], look(served)["stale"]) == (3, 0)


def test_an_image_that_grows_old_is_stale_by_itself_and_its_ages_stop_at_the_end() -> None:
    clock = Clock()
    served = bank(clock)
    served.publish(image())
    clock.t_ns += 400_000_000  # lost_after 200 ms and two periods of 100 ms
    seen = look(served)
    assert (seen["stale"], seen["image_age"], seen["status_age"]) == (0, 400, 404)
    clock.t_ns += 11_000_000
    seen = look(served)
    assert (seen["stale"], seen["image_age"], seen["heartbeat"]) == (1, 411, 1)
    clock.t_ns += 3_600_000_000_000
    seen = look(served)
    assert (seen["image_age"], seen["status_age"]) == (65535, 65535)


@pytest.mark.parametrize(("age_ns", "silent"), [(None, 1), (200_000_001, 1), (200_000_000, 0)])
def test_an_i_o_side_that_does_not_answer_is_told_apart(age_ns: int | None, silent: int) -> None:
    served = bank()
    served.publish(image(status_age_ns=age_ns))
    seen = look(served)
    assert (seen["io_silent"], seen["controller_silent"], seen["stale"]) == (silent, 0, silent)


def test_the_same_image_again_moves_no_heartbeat() -> None:
    served, one = bank(), image()
    served.publish(one)
    served.publish(one)
    assert look(served)["heartbeat"] == 1


def test_the_heartbeat_and_sums_wrap_and_the_rest_stays_at_its_end() -> None:
    served = bank()
    for n in range(0x10001):
        served.publish(image(n))
    assert look(served)["heartbeat"] == 1
    served.publish(
        image(
            travel_counts=0x8000_0001, counters=Counters(0x1_0000_0002), speed_mm_s=1e9, armed=70_000, unknown_mm=-1.0
        )
    )
    seen = look(served)
    assert (seen["travel"], seen["products_detected"]) == (0x8000_0001 - (1 << 32), 2)
    assert (seen["speed"], seen["speed_fine"], seen["armed"], seen["unknown"]) == (32767, 2147483.647, 65535, 0)


@given(
    kind=st.sampled_from([k for k in Kind if k is not Kind.TEXT]),
    value=st.one_of(st.none(), st.floats(), st.integers(-(1 << 40), 1 << 40)),
    scale=st.sampled_from([1e-6, 0.001, 0.1, 1.0]),
    wraps=st.booleans(),
)
def test_no_value_whatever_raises_or_leaves_its_registers(
    kind: Kind, value: float | None, scale: float, wraps: bool
) -> None:
    row = Row(0, "x", kind, "", "", lambda _: value, scale, wraps)
    words = row.registers(shown())
    assert len(words) == row.words
    assert all(0 <= word <= 0xFFFF for word in words)
    least, most = (0, (1 << 16 * row.words) - 1) if kind.startswith("u") else (-1 << 15, (1 << 15) - 1)
    if value is not None and math.isfinite(value) and least <= value / scale <= most:
        raw = int.from_bytes(b"".join(w.to_bytes(2, "big") for w in words), "big", signed=kind.startswith("i"))
        assert abs(raw - value / scale) <= 0.5


def shown() -> Any:
    return bank()._shown(T_NS)


def test_the_first_cause_has_its_number_also_when_its_fault_has_left_the_list() -> None:
    for name, kind in FAULTS.items():
        gone = image(first_cause=f"{kind.text} (guard)").snapshot
        assert first_cause_number(gone) == FAULT_NUMBERS[name]
    assert first_cause_number(image().snapshot) == 0


def test_the_documents_are_those_of_the_table() -> None:
    again = "make it again with beltcue plant-map"
    assert (DEPLOY / "plant-map.md").read_text(encoding="utf-8") == as_markdown(), again
    assert (DEPLOY / "plant-map.csv").read_text(encoding="utf-8") == as_csv(), again


def test_the_verb_prints_each_form(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plant-map", "--csv"]) == 0
    assert capsys.readouterr().out == as_csv()
    config = DEPLOY.parent / "config"
    text = (config / "demo-line.toml").read_text().replace('"jobs/', f'"{config}/jobs/')
    line = tmp_path / "line.toml"
    line.write_text(text)
    assert main(["plant-map", str(line)]) == 2
    assert "plant.modbus is missing" in capsys.readouterr().err
    line.write_text(f'{text}\n[plant.modbus]\nunit = 3\ncommand_clients = ["192.0.2.20"]\n')
    assert main(["plant-map", str(line)]) == 0
    assert "0.0.0.0:502, unit 3; commands are taken from 192.0.2.20." in capsys.readouterr().out
    assert main(["plant-map", str(line), "--csv"]) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert {(row["line"], row["unit_number"]) for row in rows} == {("tea-cartons", "3")}
    assert main(["plant-map", str(line), "--markdown"]) == 0
    assert "unit 3" in capsys.readouterr().out


def test_timing_is_that_of_its_image() -> None:
    served = bank()
    late = dataclasses.replace(TIMING, late_p99_us=1234.4)
    served.publish(LineImage(image().snapshot, late, 1_999))
    assert (look(served)["late_p99"], look(served)["image_time"]) == (1234, 0)
