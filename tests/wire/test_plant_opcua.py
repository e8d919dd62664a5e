"""The plant's OPC UA server over a socket: what clients see, what they may ask for, and what they are told."""

from __future__ import annotations

import asyncio
import dataclasses
import socket
from collections.abc import AsyncIterator
from typing import Any

import pytest
import pytest_asyncio
from asyncua import Client, Node, ua

from controller.model import Refusal, State
from controller.plant.image import PlantError
from controller.plant.opcua.access import Grade
from controller.plant.opcua.packml_table import NAMESPACE
from controller.plant.opcua.server import OpcUaServer
from controller.plant.opcua.space import EVENT_TYPE
from controller.plant.opcua.space import NAMESPACE as OURS
from tests.unit.plant_images import ABOUT, WALL_NS, fault, image
from tests.wire.opcua_kit import Line, plain_server, plans, serving

pytestmark = pytest.mark.asyncio(loop_scope="module")
_C = ua.StatusCodes
EXECUTE = "BaseStateMachine/MachineState/ExecuteState"
WAIT_S = 10.0
OTHER = dataclasses.replace(ABOUT, name="other", length_unit="in", speed_unit="ft/min")


@dataclasses.dataclass
class Rig:
    """A server of two lines with one client."""

    line: Line
    server: OpcUaServer
    client: Client
    packml: int
    ours: int

    def node(self, path: str) -> Node:
        return self.client.get_node(ua.NodeId(path, self.ours))

    async def call(self, place: str, method: str, *arguments: ua.Variant) -> int:
        """Call a method by its name on an object of the demo line; returns the status."""
        node = self.node(f"demo/{place}" if place else "demo")
        for index in (self.packml, self.ours):
            try:
                found = await node.get_child(ua.QualifiedName(method, index))
                break
            except ua.UaStatusCodeError:
                continue
        else:
            raise AssertionError(f"{place} has no {method}")
        try:
            await node.call_method(found, *arguments)
        except ua.UaStatusCodeError as error:
            return int(error.code)
        return _C.Good

    async def asked(self, place: str, method: str, *arguments: ua.Variant) -> tuple[str, str] | None:
        """What reached the line by a call: the verb and its argument."""
        before = len(self.line.calls)
        assert await self.call(place, method, *arguments) == _C.Good
        (line, call) = self.line.calls[before]
        assert (line, call.who, call.source) == ("demo", "ann (opc ua)", "plant")
        return call.verb, call.argument


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def shared() -> AsyncIterator[Rig]:
    line = Line()
    async with serving(line, ABOUT, OTHER) as (server, url), Client(url, timeout=10) as client:
        await client.load_data_type_definitions()
        packml, ours = await client.get_namespace_index(NAMESPACE), await client.get_namespace_index(OURS)
        yield Rig(line, server, client, packml, ours)


@pytest_asyncio.fixture(loop_scope="module")
async def rig(shared: Rig) -> Rig:
    """Everything as at the start, whatever the last test did."""
    shared.line.calls.clear()
    shared.line.told.clear()
    shared.line.refused.clear()
    shared.line.grade = Grade.ENGINEER
    await shared.server.publish("demo", image())
    await shared.server.publish("other", image(line="other"))
    return shared


async def test_lines_are_found_where_packml_has_its_units(rig: Rig) -> None:
    folder = await rig.client.nodes.objects.get_child(ua.QualifiedName("PackMLObjects", rig.packml))
    names = [reference.BrowseName.Name for reference in await folder.get_references(ua.ObjectIds.Organizes)]
    assert names == ["Objects", "demo", "other"]
    assert await rig.node("demo/TagID").read_value() == "demo"
    path = [ua.QualifiedName(n, rig.packml) for n in ("Status", "CurMachSpeed")]
    assert await (await rig.node("demo").get_child(path)).read_value() == pytest.approx(15.0)


async def test_each_line_has_its_own_units(rig: Rig) -> None:
    assert await rig.node("other/Tracking/Speed").read_value() == pytest.approx(49.2126, abs=1e-4)
    unit = await rig.node("other/Tracking/Speed/EngineeringUnits").read_value()
    span = await rig.node("other/Tracking/Speed/EURange").read_value()
    assert (unit.UnitId, unit.DisplayName.Text) == (18002, "ft/min")
    assert (round(span.Low, 2), round(span.High, 2)) == (-98.43, 98.43)


async def test_every_number_with_a_unit_says_which_and_in_what_range(rig: Rig) -> None:
    analogs = (ua.NodeId(ua.ObjectIds.Double), ua.NodeId(ua.ObjectIds.Float))
    seen = 0
    for folder in ("Status", "Admin", "Tracking", "Queue", "Requests", "Products", "Job", "Link"):
        for node in await rig.node(f"demo/{folder}").get_variables():
            if await node.read_data_type() in analogs:
                names = {(await child.read_browse_name()).Name for child in await node.get_properties()}
                assert names >= {"EURange", "EngineeringUnits"}, node
                seen += 1
    assert seen == 15


async def test_values_carry_status_and_times(rig: Rig) -> None:
    data = await rig.node("demo/Tracking/Speed").read_data_value()
    assert data.SourceTimestamp.timestamp() == pytest.approx(WALL_NS / 1e9 - 0.004, abs=1e-5)
    assert data.StatusCode.is_good()
    await rig.server.publish("demo", None)
    data = await rig.node("demo/Tracking/Speed").read_data_value(raise_on_bad_status=False)
    assert data.StatusCode.value == _C.UncertainLastUsableValue
    assert data.Value.Value == pytest.approx(15.0)


async def test_structures_arrive_as_structures(rig: Rig) -> None:
    await rig.server.publish("demo", image(faults=(fault("interlock_open", "guard", first=True),)))
    (count,) = await rig.node("demo/Admin/ProdConsumedCount").read_value()
    assert (count.Name, count.Count, count.AccCount, count.Unit.UnitId) == ("products detected", 2, 2, 4404786)
    (alarm,) = await rig.node("demo/Admin/Alarm").read_value()
    assert (alarm.ID, alarm.Message, alarm.Trigger) == (1, "an interlock is open (guard)", True)


async def test_a_subscription_hears_of_changes_only(rig: Rig) -> None:
    async with heard(rig, data=["demo/State", "demo/Queue/Pending"]) as queue:
        first = {await next_of(queue), await next_of(queue)}
        assert first == {("demo/State", "Stopped"), ("demo/Queue/Pending", 1)}
        await rig.server.publish("demo", image(100_000_000))
        await rig.server.publish("demo", image(200_000_000, pending=4))
        assert await next_of(queue) == ("demo/Queue/Pending", 4)
        assert queue.empty()


async def test_faults_raise_events_at_the_line_and_at_the_server(rig: Rig) -> None:
    for source in (rig.node("demo"), rig.client.nodes.server):
        await rig.server.publish("demo", image())
        async with heard(rig, events=source) as queue:
            guard = fault("interlock_open", "guard", first=True)
            await rig.server.publish("demo", image(faults=(guard,)))
            event = await next_of(queue)
            assert event.Message.Text == "demo: stopped: an interlock is open (guard)"
            assert (event.Severity, event.SourceName) == (900, "demo")
            assert (event.Fault, event.Code, event.Reaction) == ("interlock_open", 1, "abort")
            assert (event.Active, event.FirstCause) == (True, True)
            assert event.SourceNode == ua.NodeId("demo", rig.ours)
            await rig.server.publish("demo", image(100_000_000, faults=(dataclasses.replace(guard, active=False),)))
            event = await next_of(queue)
            assert (event.Fault, event.Active, event.Severity) == ("interlock_open", False, 100)


async def test_a_controller_that_falls_silent_raises_one_event(rig: Rig) -> None:
    async with heard(rig, events=rig.node("demo")) as queue:
        await rig.server.publish("demo", None)
        await rig.server.publish("demo", None)
        await rig.server.publish("demo", image(100_000_000))
        events = [await next_of(queue), await next_of(queue)]
        assert [(e.Fault, e.Active, e.Severity) for e in events] == [
            ("controller_silent", True, 900), ("controller_silent", False, 100),
        ]  # fmt: skip


@pytest.mark.parametrize(
    ("place", "method", "verb"),
    [
        (EXECUTE, "Reset", "reset"), (EXECUTE, "Start", "start"), (EXECUTE, "Hold", "hold"),
        (EXECUTE, "Unhold", "unhold"), (EXECUTE, "Suspend", "suspend"), (EXECUTE, "Unsuspend", "unsuspend"),
        (EXECUTE, "ToComplete", "complete"), ("BaseStateMachine/MachineState", "Reset", "reset"),
        ("BaseStateMachine/MachineState", "Stop", "stop"), ("BaseStateMachine", "Abort", "abort"),
        ("BaseStateMachine", "Clear", "clear"), ("", "ResetCounters", "reset-counters"),
    ],
)  # fmt: skip
async def test_each_method_gives_its_command(rig: Rig, place: str, method: str, verb: str) -> None:
    assert await rig.asked(place, method) == (verb, "")


@pytest.mark.parametrize(("number", "mode"), [(1, "production"), (2, "maintenance"), (3, "manual")])
async def test_the_mode_is_set_by_its_number(rig: Rig, number: int, mode: str) -> None:
    assert await rig.asked("", "SetUnitMode", ua.Variant(number, ua.VariantType.Int32)) == ("mode", mode)


async def test_faults_are_acknowledged_by_name_or_all(rig: Rig) -> None:
    assert await rig.asked("", "Acknowledge", ua.Variant("jam")) == ("acknowledge", "jam")
    assert await rig.asked("", "Acknowledge", ua.Variant("")) == ("acknowledge", "")


@pytest.mark.parametrize(
    ("kind", "code"),
    [
        (Refusal.STATE, _C.BadInvalidState), (Refusal.PLACE, _C.BadNotExecutable),
        (Refusal.CAUSE, _C.BadRequestNotAllowed), (None, _C.BadOutOfService),
    ],
)  # fmt: skip
async def test_a_refusal_says_why_by_its_code_and_in_words(rig: Rig, kind: Refusal | None, code: int) -> None:
    rig.line.refused["start"] = "start is refused in Stopped", kind
    before = rig.line.desk.refusals.total()
    assert await rig.call(EXECUTE, "Start") == code
    assert rig.line.desk.refusals.total() == before + 1
    assert rig.line.told[-1][2]["reason"] == "start is refused in Stopped"
    await rig.server.publish("demo", image(100_000_000))
    assert await rig.node("demo/LastAnswer").read_value() == "start by ann: start is refused in Stopped"


@pytest.mark.parametrize(
    ("grade", "method", "arguments"),
    [
        (Grade.NONE, "Start", []), (Grade.VIEW, "Start", []), (Grade.VIEW, "Hold", []),
        (Grade.VIEW, "SetUnitMode", [ua.Variant(2, ua.VariantType.Int32)]), (Grade.VIEW, "Acknowledge", [ua.Variant("")]),
        (Grade.OPERATE, "ResetCounters", []),
    ],
)  # fmt: skip
async def test_whoever_has_not_the_role_reaches_nothing(
    rig: Rig, grade: Grade, method: str, arguments: list[Any]
) -> None:
    rig.line.grade = grade
    place = EXECUTE if method in ("Start", "Hold") else ""
    before = rig.line.desk.refusals["not permitted"]
    assert await rig.call(place, method, *arguments) == _C.BadUserAccessDenied
    assert rig.line.calls == []
    assert rig.line.desk.refusals["not permitted"] == before + 1


@pytest.mark.parametrize(
    ("method", "arguments"),
    [
        ("SetInterlock", [ua.Variant(1, ua.VariantType.Int32), ua.Variant(True)]),
        ("SetMachSpeed", [ua.Variant(1.0, ua.VariantType.Float)]),
        ("SetProduct", []), ("SetParameter", []), ("RemoteCommand", []),
    ],
)  # fmt: skip
async def test_what_has_no_honest_meaning_is_not_supported(rig: Rig, method: str, arguments: list[Any]) -> None:
    assert await rig.call("", method, *arguments) == _C.BadNotSupported
    assert rig.line.calls == []


async def test_wrong_arguments_reach_nothing(rig: Rig) -> None:
    int32 = ua.VariantType.Int32
    assert await rig.call("", "SetUnitMode") == _C.BadArgumentsMissing
    assert await rig.call("", "SetUnitMode", ua.Variant(9, int32)) == _C.BadInvalidArgument
    assert await rig.call("", "SetUnitMode", ua.Variant("manual")) == _C.BadInvalidArgument
    assert await rig.call("", "SetUnitMode", ua.Variant([2], int32)) == _C.BadInvalidArgument
    assert await rig.call("", "Acknowledge", ua.Variant(1, int32)) == _C.BadInvalidArgument
    assert await rig.call(EXECUTE, "Hold", ua.Variant(1, int32)) == _C.BadTooManyArguments
    assert rig.line.calls == []


async def test_start_takes_no_parameters_but_an_empty_list_of_them(rig: Rig) -> None:
    assert await rig.asked(EXECUTE, "Start", ua.Variant([], ua.VariantType.ExtensionObject)) == ("start", "")
    rig.line.calls.clear()
    descriptor = ua.extension_objects_by_datatype[ua.NodeId(16, rig.packml)](ID=1, Name="pitch")
    assert await rig.call(EXECUTE, "Start", ua.Variant([descriptor])) == _C.BadInvalidArgument
    assert rig.line.calls == []


async def test_a_method_belongs_to_its_object(rig: Rig) -> None:
    with pytest.raises(ua.uaerrors.BadMethodInvalid):
        await rig.node("demo").call_method(ua.NodeId(369, rig.packml))
    assert rig.line.calls == []


async def test_nothing_can_be_written(rig: Rig) -> None:
    for path in ("demo/State", "demo/Status/MachSpeed", "demo/Faults/jam/Active", "demo/Remote"):
        with pytest.raises(ua.uaerrors.BadUserAccessDenied):
            await rig.node(path).write_value(ua.DataValue(await written(rig, path)))


async def written(rig: Rig, path: str) -> ua.Variant:
    data = await rig.node(path).read_data_value(raise_on_bad_status=False)
    return data.Value


async def test_the_other_line_is_told_apart(rig: Rig) -> None:
    node = rig.node("other/BaseStateMachine")
    await node.call_method(ua.NodeId(364, rig.packml))
    assert [(line, call.verb) for line, call in rig.line.calls] == [("other", "abort")]
    await rig.server.publish("other", image(line="other", state=State.ABORTED))
    assert await rig.node("other/State").read_value() == "Aborted"
    assert await rig.node("demo/State").read_value() == "Stopped"


async def test_a_port_in_use_is_one_clear_line() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        server = OpcUaServer(plans(port), Line().desk, plain_server, Line().caller)
        with pytest.raises(PlantError) as caught:
            await server.open()
        await server.close()
    text = str(caught.value)
    assert text == (
        f"OPC UA server at 127.0.0.1:{port}: Address already in use; free the port or set another address in "
        "[plant.opcua]"
    )


class heard:  # noqa: N801  used as a function
    """A subscription for as long as the block lasts; yields a queue of what it hears."""

    def __init__(self, rig: Rig, data: list[str] | None = None, events: Node | None = None) -> None:
        self._rig, self._data, self._events = rig, data, events
        self._queue: asyncio.Queue[Any] = asyncio.Queue()

    async def __aenter__(self) -> asyncio.Queue[Any]:
        self._subscription = await self._rig.client.create_subscription(20, self)
        if self._data is not None:
            await self._subscription.subscribe_data_change([self._rig.node(path) for path in self._data])
        if self._events is not None:
            kind = self._rig.node(EVENT_TYPE)
            await self._subscription.subscribe_events(self._events, kind)
        return self._queue

    async def __aexit__(self, *_: object) -> None:
        await self._subscription.delete()

    def datachange_notification(self, node: Node, value: Any, _data: Any) -> None:
        self._queue.put_nowait((node.nodeid.Identifier, value))

    def event_notification(self, event: Any) -> None:
        self._queue.put_nowait(event)

    def status_change_notification(self, _status: Any) -> None: ...


async def next_of(queue: asyncio.Queue[Any]) -> Any:
    """The next thing heard."""
    async with asyncio.timeout(WAIT_S):
        return await queue.get()
