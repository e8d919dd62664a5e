"""What the plant's OPC UA values say of a line."""

from __future__ import annotations

import pytest
from asyncua import ua

from controller.faults import FAULTS
from controller.model import Counters, Miss, ProductFate, State
from controller.plant.numbers import FAULT_NUMBERS
from controller.plant.opcua import packml_table as table
from controller.plant.opcua.eu import CODES, unit, unit_id
from controller.plant.opcua.fault_points import NEVER, fault_points
from controller.plant.opcua.packml_points import COUNTS, current
from controller.plant.opcua.points import LINE_POINTS, count
from controller.plant.opcua.seen import Bad, Memory, Seen, wall
from controller.units import SHOWN
from tests.unit.plant_images import ABOUT, T_NS, TIMING, WALL_NS, fault, image


def seen(**changed: object) -> Seen:
    return Seen(ABOUT, image(**changed), Memory())


def value(path: str, what: Seen) -> object:
    return next(point for point in LINE_POINTS if point.path == path).get(what)


@pytest.mark.parametrize(
    ("name", "number"),
    [
        ("mm", 5066068), ("m", 5067858), ("in", 4804168), ("ft", 4607828), ("s", 5457219), ("ms", 4403766),
        ("µs", 4340024), ("m/s", 5067859), ("mm/s", 4403510), ("m/min", 12888), ("ft/min", 18002), ("in/s", 18773),
        ("one", 4404786),
    ],
)  # fmt: skip
def test_units_have_the_numbers_of_the_unece_list(name: str, number: int) -> None:
    """Source: UNECE_to_OPCUA.csv of the OPC Foundation's UA-Nodeset."""
    assert unit_id(name) == number
    assert unit(name).UnitId == number


def test_every_unit_that_a_line_may_show_has_a_code() -> None:
    assert CODES.keys() >= {unit for unit in SHOWN if "²" not in unit}


@pytest.mark.parametrize("state", State)
def test_the_three_machines_together_say_which_state_it_is(state: State) -> None:
    base, machine, execute = (current(m, state) for m in (table.BASE_MACHINE, table.MACHINE, table.EXECUTE_MACHINE))
    assert base is not None
    if state in (State.ABORTING, State.ABORTED):
        assert (base[2], machine, execute) == (int(state), None, None)
    elif state in (State.CLEARING, State.STOPPING, State.STOPPED):
        assert machine is not None
        assert (base[2], machine[2], execute) == (19, int(state), None)
    else:
        assert machine is not None
        assert execute is not None
        assert (base[2], machine[2], execute[2]) == (19, 18, int(state))


def test_paths_are_different_and_every_analogue_value_has_a_range() -> None:
    points = [*LINE_POINTS, *(p for name in FAULTS for p in fault_points(name))]
    assert len({p.path for p in points}) == len(points)
    for point in LINE_POINTS:
        assert (point.type is ua.VariantType.Double) is (point.analog is not None), point.path
        if point.analog is not None:
            analog = point.analog(ABOUT)
            assert analog.unit in CODES
            assert analog.low < analog.high


def test_lengths_and_speeds_are_in_the_lines_own_units() -> None:
    assert value("Tracking/Speed", seen(speed_mm_s=250.0)) == pytest.approx(15.0)  # m/min
    assert value("Tracking/Travel", seen(travel_counts=16_000)) == pytest.approx(600.0)  # mm


def test_requests_and_products_are_counted_by_fate_and_reason() -> None:
    counters = Counters(detected=9, created=12, marked=5, dry=1)
    counters.missed[Miss.NOT_READY] = 4
    counters.products[ProductFate.PART_MARKED] = 3
    what = seen(counters=counters)
    assert value("Requests/Missed/NotReady", what) == 4
    assert value("Products/PartMarked", what) == 3
    assert value("Products/Detected", what) == 9


def test_counters_begin_anew_when_they_are_full() -> None:
    assert count(2**32 - 1) == 2**32 - 1
    assert count(2**32 + 5) == 5


def test_processed_less_defective_is_what_was_marked_in_full() -> None:
    counters = Counters(detected=10)
    counters.products.update(
        {ProductFate.MARKED: 5, ProductFate.PART_MARKED: 1, ProductFate.UNMARKED: 2, ProductFate.UNKNOWN: 1}
    )
    of = {name: get(counters) for name, (_, get) in COUNTS.items()}
    assert of == {"ProdConsumedCount": 10, "ProdProcessedCount": 9, "ProdDefectiveCount": 4}


def test_a_total_goes_on_over_a_reset_and_does_not_count_in_flight_twice() -> None:
    memory = Memory()
    assert memory.total("x", 100) == 100
    assert memory.total("x", 5) == 100  # reset: five are in flight and counted again
    assert memory.total("x", 8) == 103
    assert memory.total("y", 1) == 1


def test_a_wall_time_of_the_past_stands_still_from_image_to_image() -> None:
    memory = Memory()
    first = Seen(ABOUT, image(0), memory).since(T_NS - 1_000_000_000)
    assert first == wall(WALL_NS - 1_000_000_000)
    late = image(100_000_000)
    slipped = type(late)(late.snapshot, TIMING, late.wall_ns + 3_000_000)  # the wall clock was set
    assert Seen(ABOUT, slipped, memory).since(T_NS - 1_000_000_000) == first


def test_a_fault_says_what_it_means_and_whether_it_is_there() -> None:
    points = {p.path.rsplit("/", 1)[1]: p for p in fault_points("jam")}
    quiet, loud = seen(), seen(faults=(fault("jam", "eye 1", count=3, first=True),))
    assert {name: point.get(quiet) for name, point in points.items()} == {
        "Code": FAULT_NUMBERS["jam"], "Meaning": FAULTS["jam"].text, "WhatToDo": FAULTS["jam"].mend, "Reaction": "hold",
        "Active": False, "Acknowledged": True, "FirstCause": False, "Count": 0, "Since": NEVER, "Detail": "",
    }  # fmt: skip
    assert points["Active"].get(loud)
    assert not points["Acknowledged"].get(loud)
    assert points["FirstCause"].get(loud)
    assert points["Count"].get(loud) == 3
    assert points["Detail"].get(loud) == "eye 1"
    assert points["Since"].get(loud) == wall(WALL_NS)


def test_before_the_first_answer_there_is_no_age() -> None:
    what = seen(status_age_ns=None)
    assert isinstance(value("Tracking/StatusAge", what), Bad)
    assert what.stale
    assert value("Link/Answering", what) is False


@pytest.mark.parametrize(("age_ns", "stale"), [(0, False), (200_000_000, False), (200_000_001, True)])
def test_the_io_side_is_stale_from_its_limit_on(age_ns: int, stale: bool) -> None:
    assert seen(status_age_ns=age_ns).stale is stale
