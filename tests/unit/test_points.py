"""Where the values of the field block may stand, what is refused, and the requests that carry them."""

from __future__ import annotations

import json
import tomllib

import pytest
from pydantic import ValidationError

from controller.layout import command_points, status_points
from controller.points import Point, PointMap, Request, Table, WordOrder
from controller.settings.points import PointsConfig


def resolved(toml: str = "", stations: int = 0, modulus: int | None = None) -> PointMap:
    return PointsConfig.model_validate_json(json.dumps(tomllib.loads(toml))).resolve(stations, modulus)


def refusal(toml: str, stations: int = 0, modulus: int | None = None) -> str:
    with pytest.raises(ValueError) as caught:
        resolved(toml, stations, modulus)
    assert not isinstance(caught.value, ValidationError)
    text = str(caught.value)
    assert "\n" not in text
    return text


def test_the_default_map_is_one_read_of_80_and_one_write_of_13() -> None:
    points = PointMap.default()
    assert points.read_plan == (Request(Table.HOLDING, 0, 80),)
    assert points.write_plan == (Request(Table.HOLDING, 100, 13),)
    assert points.function_23_fits
    assert points.modulus == 1 << 32


def test_an_empty_section_is_the_default_map() -> None:
    assert resolved().status == PointMap.default().status
    assert resolved().command == PointMap.default().command


def test_further_stations_stand_at_200_and_every_8() -> None:
    points = resolved(stations=2)
    assert points.status["station.1.armed"] == Point(Table.HOLDING, 200)
    assert points.status["station.2.done_total"] == Point(Table.HOLDING, 213)
    assert points.read_plan[1] == Request(Table.HOLDING, 200, 14)


def test_the_whole_block_moves_to_input_registers_with_the_low_word_first() -> None:
    points = resolved('status_base = 1000\nstatus_table = "input"\ncommand_base = 40\nword_order = "low first"')
    assert points.read_plan == (Request(Table.INPUT, 1000, 80),)
    assert points.write_plan == (Request(Table.HOLDING, 40, 13),)
    assert points.status["belt_count"] == Point(Table.INPUT, 1013, 32, word_order=WordOrder.LOW_FIRST)
    assert points.status["belt_count"].words == (1014, 1013)
    assert not points.function_23_fits


def test_one_point_moves_and_is_retyped_and_the_others_stay() -> None:
    points = resolved("[belt_count]\naddress = 22\nwidth = 16\nsigned = true")
    assert points.status["belt_count"] == Point(Table.HOLDING, 22, 16, signed=True)
    assert points.status["sample_us"] == PointMap.default().status["sample_us"]
    assert points.modulus == 65536


def test_bits_move_to_other_words_and_to_inputs_of_their_own() -> None:
    toml = '[bits]\nmarker_ready = {table = "discrete", address = 12}\nmarker_busy = {address = 22, bit = 3}'
    points = resolved(toml)
    assert points.status["bits.marker_ready"] == Point(Table.DISCRETE, 12, 1)
    assert points.status["bits.marker_busy"] == Point(Table.HOLDING, 22, bit=3)
    assert points.read_plan == (Request(Table.HOLDING, 0, 80), Request(Table.DISCRETE, 12, 1))


def test_a_status_bit_may_be_one_of_the_interlock_inputs() -> None:
    points = resolved("[bits]\ninterlocks_closed = {address = 4, bit = 0}")
    assert points.status["bits.interlocks_closed"].cells == ((4, 1),)


def test_bits_of_a_32_bit_word_follow_its_word_order() -> None:
    assert Point(Table.HOLDING, 30, 32, bit=17).cells == ((30, 2),)
    assert Point(Table.HOLDING, 30, 32, bit=17, word_order=WordOrder.LOW_FIRST).cells == ((31, 2),)
    assert Point(Table.HOLDING, 30, 32, bit=1).cells == ((31, 2),)


def test_moving_the_word_of_status_bits_moves_all_of_them() -> None:
    toml = "[status_bits]\naddress = 23\n[command]\nheartbeat = {address = 101}\ncontrol_bits = {address = 100}"
    points = resolved(toml)
    assert points.status["bits.stop_requested"] == Point(Table.HOLDING, 23, bit=11)
    assert points.command["control.running"] == Point(Table.HOLDING, 100, bit=4)


def test_the_rings_move_as_wholes() -> None:
    points = resolved("[captures]\naddress = 300\nwidth = 16\n[belt_count]\nwidth = 16")
    assert points.status["captures.0.edge"] == Point(Table.HOLDING, 300)
    assert points.status["captures.7.count"] == Point(Table.HOLDING, 315)
    assert points.read_plan[-1] == Request(Table.HOLDING, 300, 16)


def test_what_a_device_lacks_is_dropped() -> None:
    points = resolved('drop = ["sample_us", "job_loaded", "captures", "upstream_empty", "running"]')
    for name in ("sample_us", "job_loaded", "captures", "capture_total", "bits.upstream_empty"):
        assert not points.has(name)
    assert points.has("releases") and points.has("belt_count")
    assert "control.running" not in points.command


def test_a_command_in_two_writes_takes_no_foreign_register_along_and_ends_with_heartbeat_and_token() -> None:
    points = resolved("[command]\nboot_id_seen = {address = 120}\nheartbeat = {address = 102}")
    assert points.write_plan == (Request(Table.HOLDING, 120, 1), Request(Table.HOLDING, 101, 12))


def test_the_read_that_shows_the_heartbeat_is_first_and_the_rings_are_last() -> None:
    points = resolved("[captures]\naddress = 500\n[bits]\nmarker_ready = {table = 'coil', address = 0}")
    assert points.read_plan == (
        Request(Table.HOLDING, 0, 22),
        Request(Table.COIL, 0, 1),
        Request(Table.HOLDING, 48, 32),
        Request(Table.HOLDING, 500, 24),
    )


def test_a_gap_wider_than_read_gap_is_not_read() -> None:
    assert len(resolved('drop = ["captures"]\nread_gap = 26').read_plan) == 1
    assert len(resolved('drop = ["captures"]\nread_gap = 25').read_plan) == 2


def test_no_read_asks_for_more_than_125_registers_or_cuts_a_value() -> None:
    points = resolved("[done_total]\naddress = 130\n[job_loaded]\naddress = 124\n", stations=10)
    assert all(request.count <= 125 for request in points.read_plan)
    for point in points.status.values():
        assert any(request.holds(point) for request in points.read_plan)


@pytest.mark.parametrize(
    ("toml", "names"),
    [
        ("[belt_count]\naddress = 14", ("belt_count (holding 14–15)", "sample_us (holding 15–16)")),
        (
            "[boot_id]\naddress = 22\nwidth = 32\n[owner]\naddress = 23",
            ("boot_id (holding 22–23)", "owner (holding 23)"),
        ),
        ("[captures]\naddress = 50", ("captures.0.edge (holding 50)", "releases.0.count (holding 50–51)")),
        ("command_base = 75", ("releases.6.count (holding 74–75)", "command.heartbeat (holding 75)")),
        (
            "[bits]\nmarker_busy = {bit = 2}",
            ("bits.marker_ready (holding 3 bit 2)", "bits.marker_busy (holding 3 bit 2)"),
        ),
        (
            "[bits]\nmarker_busy = {address = 101, bit = 9}",
            ("bits.marker_busy (holding 101 bit 9)", "control.enable (holding 101 bit 0)"),
        ),
        ("[command.owner]\naddress = 102", ("command.boot_id_seen (holding 102)", "command.owner (holding 102)")),
        (
            '[bits]\nmarker_ready = {table="coil", address=3}\n[control]\nenable = {table="coil", address=3}',
            ("bits.marker_ready (coil 3)", "control.enable (coil 3)"),
        ),
        ("[sample_us]\naddress = 500", ("belt_count (holding 13–14)", "sample_us (holding 500–501)")),
        ("[ack_count]\naddress = 500", ("ack_token (holding 7)", "ack_count (holding 500–501)")),
        ("[armed]\naddress = 300", ("releases.0.token (holding 48)", "armed (holding 300)")),
        ('drop = ["job_number"]', ("command.heartbeat (holding 100)", "command.order_token (holding 112)")),
        ("[ack_count]\nwidth = 16", ("ack_count (holding 9)", "belt_count (holding 13–14)")),
        ("[command.order_last]\nwidth = 16", ("command.order_last (holding 110)", "belt_count (holding 13–14)")),
    ],
)
def test_points_in_each_others_way_are_refused_with_both_named(toml: str, names: tuple[str, str]) -> None:
    text = refusal(toml)
    assert all(name in text for name in names), text


@pytest.mark.parametrize(
    ("toml", "said"),
    [
        ("[sample_us]\naddress = 65535", "sample_us: a 32-bit value at the last register"),
        ("[boot_id]\nbit = 3", "boot_id (holding 1 bit 3) is a number"),
        ('[boot_id]\ntable = "coil"', "boot_id (coil 1) is a number"),
        ('[bits]\nmarker_ready = {table = "coil", address = 3, width = 16}', "bits.marker_ready: a coil is one bit"),
        ("[bits]\nmarker_ready = {bit = 16}", "bits.marker_ready: bit 16 is beyond the 16 bits of holding 3"),
        ('[command.owner]\ntable = "input"', "command.owner (input 103) cannot be written"),
        ("[sample_us]\nwidth = 16", "sample_us (holding 15) needs 32 bits"),
        ('drop = ["belt_count"]', '"belt_count" cannot be dropped: everything is placed by it'),
        ('drop = ["interlocks_closed"]', '"interlocks_closed" cannot be dropped'),
        ('drop = ["releases"]', '"releases" cannot be dropped: without it no mark can be confirmed'),
        ('drop = ["lease_ms"]', '"lease_ms" cannot be dropped'),
        ('drop = ["wheel"]', '"wheel" is not a value of the field block'),
        ("[station.1]\narmed = {address = 300}", "station.1: the line has 0 further stations"),
        ("station_base = 100\n", "overlap"),
    ],
)
def test_impossible_points_are_refused_in_one_line(toml: str, said: str) -> None:
    assert said in refusal(toml, stations=1 if "station_base" in toml else 0)


@pytest.mark.parametrize("address", [-1, 65536])
def test_no_point_stands_outside_the_addresses(address: int) -> None:
    with pytest.raises(ValueError, match="outside 0 to 65535"):
        Point(Table.HOLDING, address)


@pytest.mark.parametrize("toml", ["[belt_cont]\naddress = 3", "[belt_count]\nwidth = 24", "status_base = 65500"])
def test_the_schema_refuses_what_no_map_could_have(toml: str) -> None:
    with pytest.raises(ValidationError):
        resolved(toml)


@pytest.mark.parametrize("modulus", [3, 65535, 1 << 33])
def test_a_counter_that_cannot_be_is_refused(modulus: int) -> None:
    assert "values" in refusal("", modulus=modulus)


def test_a_map_made_by_hand_must_be_whole() -> None:
    status, command = status_points(Point(Table.HOLDING, 0)), command_points(Point(Table.HOLDING, 100))
    del command["order_token"]
    with pytest.raises(ValueError, match=r"command\.order_token cannot be dropped"):
        PointMap(status, command)
