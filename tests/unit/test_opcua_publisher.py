"""What is written into the address space, with which status and which times. No socket: the server is not started."""

from __future__ import annotations

import dataclasses
from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta

import pytest
import pytest_asyncio
from asyncua import Server, ua

from controller.model import State
from controller.plant.opcua.packml_types import add_packml
from controller.plant.opcua.publisher import Publisher
from controller.plant.opcua.seen import Memory, Seen, wall
from controller.plant.opcua.space import LineSpace, Space, add_space
from tests.unit.plant_images import ABOUT, WALL_NS, fault, image

pytestmark = pytest.mark.asyncio(loop_scope="module")
NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
MS = 1_000_000
Rig = tuple[Server, Space, LineSpace]
_C = ua.StatusCodes


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def rig() -> AsyncIterator[Rig]:
    server = Server()
    await server.init()
    space = await add_space(server, await add_packml(server))
    yield server, space, await space.add_line(ABOUT)


class Shown:
    """A publisher with what it wrote."""

    def __init__(self, rig: Rig) -> None:
        self.server, self.space, line = rig
        self.publisher, self.memory = Publisher(self.server, line.values), Memory()

    async def publish(self, later_ns: int = 0, now: datetime = NOW, **changed: object) -> int:
        """Publish an image; returns how many values were written."""
        before = self.publisher.written
        await self.publisher.publish(Seen(ABOUT, image(later_ns, **changed), self.memory), now)
        return self.publisher.written - before

    def at(self, path: str) -> ua.DataValue:
        return self.server.read_attribute_value(self.space.node(f"demo/{path}"))


async def test_until_there_is_an_image_no_value_is_there(rig: Rig) -> None:
    shown = Shown(rig)
    await shown.publisher.begin()
    data = shown.at("Tracking/Speed")
    assert (data.StatusCode.value, data.Value.Value) == (_C.BadWaitingForInitialData, None)


async def test_only_what_has_changed_is_written(rig: Rig) -> None:
    shown = Shown(rig)
    await shown.publisher.begin()
    assert await shown.publish() > 300
    assert await shown.publish() == 0
    assert await shown.publish(100 * MS, pending=3) == 1
    assert shown.at("Queue/Pending").Value.Value == 3
    # The age of the status alone is written each time it is another.
    assert await shown.publish(200 * MS, pending=3, status_age_ns=5 * MS) == 1


async def test_a_value_is_dated_by_when_it_was_acquired(rig: Rig) -> None:
    shown = Shown(rig)
    await shown.publish()
    assert shown.at("Tracking/Speed").SourceTimestamp == wall(WALL_NS - 4 * MS)
    assert shown.at("Queue/Pending").SourceTimestamp == wall(WALL_NS)
    later = NOW + timedelta(seconds=1)
    await shown.publish(100 * MS, later, speed_mm_s=200.0)
    assert shown.at("Tracking/Speed").SourceTimestamp == wall(WALL_NS + 96 * MS)
    assert shown.at("Queue/Pending").SourceTimestamp == wall(WALL_NS)
    # Found to be still so:
    assert shown.at("Queue/Pending").ServerTimestamp == later


async def test_what_comes_from_a_silent_io_side_is_uncertain_and_keeps_its_value(rig: Rig) -> None:
    shown = Shown(rig)
    await shown.publish()
    await shown.publish(300 * MS, status_age_ns=300 * MS, link_error="cable out")
    speed, pending = shown.at("Tracking/Speed"), shown.at("Queue/Pending")
    assert speed.StatusCode.value == _C.UncertainNoCommunicationLastUsableValue
    assert speed.Value.Value == pytest.approx(15.0)
    assert pending.StatusCode.value == _C.Good
    await shown.publish(400 * MS)
    assert shown.at("Tracking/Speed").StatusCode.value == _C.Good


async def test_before_the_first_answer_of_the_io_side_its_values_are_awaited(rig: Rig) -> None:
    shown = Shown(rig)
    await shown.publisher.begin()
    await shown.publish(status_age_ns=None)
    assert shown.at("Tracking/Speed").StatusCode.value == _C.BadWaitingForInitialData
    assert shown.at("State").Value.Value == "Stopped"


async def test_when_the_controller_falls_silent_every_value_says_so(rig: Rig) -> None:
    shown = Shown(rig)
    await shown.publish()
    later = NOW + timedelta(seconds=3)
    await shown.publisher.silent(later)
    for path in ("State", "Tracking/Speed", "Queue/Pending", "Admin/StopReason", "Faults/jam/Meaning"):
        assert shown.at(path).StatusCode.value == _C.UncertainLastUsableValue, path
    assert shown.at("Queue/Pending").Value.Value == 1
    assert shown.at("Queue/Pending").SourceTimestamp == wall(WALL_NS)
    written = shown.publisher.written
    await shown.publisher.silent(later)
    assert shown.publisher.written == written
    await shown.publish(4000 * MS)
    assert shown.at("State").StatusCode.value == _C.Good


async def test_machines_that_are_not_at_work_have_no_state(rig: Rig) -> None:
    shown = Shown(rig)
    at = "BaseStateMachine/MachineState"
    await shown.publish(state=State.EXECUTE)
    assert shown.at(f"{at}/ExecuteState/CurrentState").Value.Value == ua.LocalizedText("Execute")
    assert shown.at(f"{at}/ExecuteState/CurrentState/Number").Value.Value == 6
    assert shown.at(f"{at}/CurrentState/Id").Value.Value == shown.space.types.node(75)
    await shown.publish(state=State.STOPPED)
    for part in ("", "/Id", "/Number"):
        data = shown.at(f"{at}/ExecuteState/CurrentState{part}")
        assert (data.StatusCode.value, data.Value.Value) == (_C.BadStateNotActive, None)
    assert shown.at(f"{at}/CurrentState/Number").Value.Value == 2


async def test_alarms_and_warnings_are_the_standards_structures(rig: Rig) -> None:
    shown = Shown(rig)
    guard = fault("interlock_open", "guard", first=True, count=2)
    await shown.publish(faults=(guard, fault("backing_up")), first_cause="an interlock is open (guard)")
    (alarm,) = shown.at("Admin/Alarm").Value.Value
    (warning,) = shown.at("Admin/Warning").Value.Value
    assert (alarm.ID, alarm.Value, alarm.Message) == (1, 2, "an interlock is open (guard)")
    assert (alarm.Category, alarm.Trigger, alarm.DateTime) == (4, True, wall(WALL_NS))
    assert warning.Category == 0
    assert shown.at("Admin/StopReason").Value.Value == alarm
    acknowledged = dataclasses.replace(guard, acknowledged=True)
    await shown.publish(100 * MS, faults=(acknowledged,), first_cause="an interlock is open (guard)")
    assert shown.at("Admin/Alarm").Value.Value[0].AckDateTime == wall(WALL_NS + 100 * MS)
    # Gone and acknowledged: no alarm any more, but still what stopped the line.
    await shown.publish(200 * MS, first_cause="an interlock is open (guard)")
    assert shown.at("Admin/Alarm").Value.Value == []
    reason = shown.at("Admin/StopReason").Value.Value
    assert (reason.ID, reason.Message, reason.Trigger) == (1, "an interlock is open (guard)", False)


async def test_what_has_no_source_has_no_value(rig: Rig) -> None:
    shown = Shown(rig)
    await shown.publish()
    assert shown.at("Status/MachSpeed").StatusCode.value == _C.BadNotConnected
    assert shown.at("Status/CurMachSpeed").Value.Value == pytest.approx(15.0)
    assert shown.at("Status/UnitSupportedModes").Value.Value == shown.space.types.node(11)
