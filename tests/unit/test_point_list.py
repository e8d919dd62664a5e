"""Every point of a line by name: that none is missing, where it stands, and what its value says."""

from __future__ import annotations

import dataclasses
import io
from pathlib import Path

import pytest
from rich.console import Console

from controller.cli.points_source import Seen
from controller.cli.points_view import HEADS, Tally
from controller.point_list import ListedPoint, listed
from controller.point_values import command_values, status_values
from controller.points import PointMap
from controller.registers import Command, ControlBit, StationStatus, Status, StatusBit
from controller.settings.line import load_line
from controller.units import Display

CONFIG = Path(__file__).parents[2] / "config"


def points_of(name: str) -> dict[str, ListedPoint]:
    points = listed(load_line(CONFIG / f"{name}.toml"))
    named = {point.name: point for point in points}
    assert len(named) == len(points)
    return named


def test_an_exchange_gives_a_value_for_every_point_that_a_field_block_can_have() -> None:
    points = PointMap.default(2)
    stations = (StationStatus(1, 8, True, False, False, 5), StationStatus(0, 4, False, True, True, 6))
    status = status_values(Status(stations=stations))
    assert status.keys() == points.status.keys()
    assert (status["station.2.depth"], status["station.2.busy"], status["station.1.fault"]) == (4, 1, 0)
    written = {name if name.startswith("control.") else f"command.{name}" for name in points.command}
    assert command_values(Command()).keys() == written


def test_every_word_of_an_exchange_is_shown_as_it_is() -> None:
    status = Status(*range(100, 119))
    values = status_values(status)
    names = {f.name for f in dataclasses.fields(Status)} - {
        "bits",
        "captures",
        "releases",
        "stations",
        "plain_points",
    }
    assert {name: values[name] for name in names} == {name: getattr(status, name) for name in names}
    for bit in StatusBit:
        assert status_values(Status(bits=int(bit)))[f"bits.{bit.name.lower()}"] == 1
    for bit in ControlBit:
        values = command_values(Command(control=int(bit)))
        assert [n for n, v in values.items() if v] == [f"control.{bit.name.lower()}"]


def test_a_value_that_the_device_does_not_have_is_not_there() -> None:
    assert "sample_us" not in status_values(Status(sample_us=None))


def test_the_points_of_a_field_block_are_those_of_its_map_and_each_named_interlock() -> None:
    config = load_line(CONFIG / "demo-line.toml")
    points = points_of("demo-line")
    assert {p.key for p in points.values() if not p.out} == config.points.status.keys()
    assert len([p for p in points.values() if p.out]) == len(config.points.command)
    assert points["interlocks.cover"].place == "holding 4 bit 1"
    assert (points["interlocks.cover"].raw({"interlocks": 0b101}), points["interlocks.guard"].raw({})) == (0, None)
    assert points["interlocks.cover"].text(0) == "OPEN"
    assert points["belt_count"].place == "holding 13–14"


@pytest.mark.parametrize(
    ("line", "named"), [("demo-line", {"control.line_stop", "control.running"}), ("plain-line", {"running"})]
)
def test_only_the_stop_request_and_the_beacon_are_auxiliary(line: str, named: set[str]) -> None:
    points = points_of(line)
    assert {name for name, point in points.items() if point.auxiliary} == named
    assert {p.auxiliary for p in points.values() if p.auxiliary} == set(
        load_line(CONFIG / f"{line}.toml").spec().auxiliary
    )


def test_the_points_of_a_plain_device_have_the_names_of_its_section() -> None:
    points = points_of("plain-line")
    assert points["interlocks.fume_extraction"].place == "input 2 bit 5"
    assert points["stations.flap.trigger"].out
    assert points["stations.flap.trigger"].place == "coil 8"
    assert points["stations.flap.busy"].key == "station.0.busy"
    assert {n for n, p in points.items() if p.out} == {"enable", "running", "stations.flap.trigger"}


@pytest.mark.parametrize(
    ("name", "raw", "scaled", "unit", "text"),
    [
        ("belt_count", 8000, 299.7, "mm", ""),  # one turn of the wheel
        ("captures.3.count", 80, 2.997, "mm", ""),
        ("command.order_count", 0, 0.0, "mm", ""),
        ("sample_us", 1500, 1.5, "ms", ""),
        ("command.lease_ms", 250, 250.0, "ms", ""),
        ("inhibit_cause", 3, None, "", "lease expired"),
        ("inhibit_cause", 99, None, "", "no such value"),
        ("captures.0.edge", 0x8002, None, "", "cleared, backward"),
        ("releases.0.result", 2, None, "", "marker busy"),
        ("bits.marker_ready", 1, None, "", "on"),
        ("bits.interlocks_closed", 0, None, "", "OPEN"),
        ("boot_id", 7, None, "", ""),
    ],
)
def test_a_raw_value_in_the_unit_that_people_read_or_in_words(
    name: str, raw: int, scaled: float | None, unit: str, text: str
) -> None:
    point = points_of("demo-line")[name]
    assert (point.scaled(raw), point.unit, point.text(raw)) == (
        scaled if scaled is None else pytest.approx(scaled), unit, text,
    )  # fmt: skip


def test_changes_are_counted_from_the_first_look_on() -> None:
    tally = Tally([ListedPoint("a", "a", "coil 1"), ListedPoint("b", "b", "coil 2")], Display())
    for a in (0, 0, 1, 0):
        tally.take(Seen({"a": a}, 1.0))
    rows = [dict(zip(HEADS, row, strict=True)) for row in tally.rows()]
    assert [(row["raw"], row["changes"]) for row in rows] == [("0", "2"), ("–", "0")]
    assert [(row["raw"], row["changes"], row["age_ms"]) for row in tally.as_json()] == [(0, 2, 1.0), (None, 0, None)]


def test_a_length_keeps_its_hundredth_of_a_millimetre_however_far_the_belt_has_run() -> None:
    point = ListedPoint("belt_count", "belt_count", "holding 13–14", unit="mm", scale=0.04)
    for unit, text in (("mm", "171798691.80 mm"), ("in", "6763728.0236 in")):
        tally = Tally([point], Display(unit))
        tally.take(Seen({"belt_count": 4294967295}, 1.0))
        assert tally.rows()[0][HEADS.index("value")] == text


def test_on_a_low_screen_what_is_held_and_what_moves_is_shown_first() -> None:
    points = [ListedPoint(f"p{n}", f"p{n}", "coil 1", auxiliary=f"p{n}") for n in range(20)]
    tally = Tally(points, Display())
    forced = {"name": "p17", "on": True, "who": "ann", "age_s": 1.0}
    for n in range(2):
        tally.take(Seen({f"p{k}": int(k == 11 and n) for k in range(20)}, 1.0, forced=forced))
    out = io.StringIO()
    Console(file=out, width=100, height=8).print(tally.screen(["head"], 8))
    shown = [line.split()[0] for line in out.getvalue().splitlines()]
    assert shown == ["head", "point", "p0", "p11", "p17", "17"]


def test_a_foreign_layout_is_said_and_not_refused() -> None:
    assert "layout is 0, and this program speaks 1" in Seen({"layout": 0}).note
    assert Seen({"layout": 1}).note == Seen({"count": 1}).note == ""


def test_at_an_opc_ua_server_the_places_are_nodes_their_bits_and_their_elements() -> None:
    points = points_of("opcua-line")
    block = points_of("demo-line")
    assert {name: point.key for name, point in points.items()} == {name: point.key for name, point in block.items()}
    assert points["belt_count"].place == "0:Objects/2:Line/2:Belt/2:Count"
    assert points["bits.drive_running"].place == "ns=2;i=77"
    assert points["bits.marker_busy"].place == "ns=2;s=FieldBlock.status_bits bit 3"
    assert points["interlocks.cover"].place == "ns=2;s=FieldBlock.interlocks bit 1"
    assert points["captures.3.count"].place == "ns=2;s=FieldBlock.captures.count [3]"
    assert points["control.line_stop"].place == "ns=2;s=FieldBlock.command.control_bits bit 3"
    assert not [point for point in points.values() if "holding" in point.place]


def test_inputs_that_come_over_opc_ua_beside_modbus_stand_at_their_nodes(tmp_path: Path) -> None:
    text = (CONFIG / "demo-line.toml").read_text().replace('"jobs/', f'"{CONFIG}/jobs/')
    nodes = '[opcua]\nendpoint = "opc.tcp://127.0.0.1:1"\n[opcua.nodes]\ninterlocks = "ns=2;i=4"\nbits.upstream_empty = "ns=2;i=9"\n'
    path = tmp_path / "line.toml"
    path.write_text(text + nodes)
    points = {point.name: point for point in listed(load_line(path))}
    assert points.keys() == points_of("demo-line").keys()
    assert points["interlocks.cover"].place == "ns=2;i=4 bit 1"
    assert points["bits.upstream_empty"].place == "ns=2;i=9"
    assert points["belt_count"].place == "holding 13–14"


def test_interlocks_that_are_nodes_of_their_own_stand_there_and_a_word_only_where_one_is_read(tmp_path: Path) -> None:
    text = (CONFIG / "demo-line.toml").read_text().replace('"jobs/', f'"{CONFIG}/jobs/')
    head = '[opcua]\nendpoint = "opc.tcp://127.0.0.1:1"\n[opcua.nodes.interlock]\nguard = "i=1"\n'
    path = tmp_path / "line.toml"
    path.write_text(text + head)
    some = {point.name: point for point in listed(load_line(path))}
    assert (some["interlocks.guard"].place, some["interlocks.cover"].place) == ("i=1", "holding 4 bit 1")
    assert some["interlocks.guard"].raw({"interlocks": 0b001}) == 1
    path.write_text(text + head + 'cover = "i=2"\nfume_extraction = "i=3"\n')
    every = {point.name: point for point in listed(load_line(path))}
    assert every["interlocks.cover"].place == "i=2"
    assert "interlocks" not in every
