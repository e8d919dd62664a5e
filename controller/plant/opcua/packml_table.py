"""What OPC 30050 (PackML, model 1.01) lays down, as far as it is served here: numbers, names and types of the standard.

Every number is that of a node in the standard's namespace. Left out: the XML encodings and the type dictionaries, which
the base standard has replaced by definitions that stand at the data types themselves.
"""

from __future__ import annotations

from dataclasses import dataclass

from asyncua import ua

NAMESPACE = "http://opcfoundation.org/UA/PackML/"
VERSION, PUBLISHED = "1.01", "2020-10-08T11:08:00+00:00"
TAGS_VERSION = "TR88.00.02-2015"
"""What the model itself gives as PackMLVersion."""

EXECUTE_MACHINE, MACHINE, BASE_MACHINE, STATUS, ADMIN, UNIT = 1, 2, 3, 4, 5, 6
OBJECT_TYPES: dict[int, tuple[str, int]] = {
    EXECUTE_MACHINE: ("PackMLExecuteStateMachineType", ua.ObjectIds.FiniteStateMachineType),
    MACHINE: ("PackMLMachineStateMachineType", ua.ObjectIds.FiniteStateMachineType),
    BASE_MACHINE: ("PackMLBaseStateMachineType", ua.ObjectIds.FiniteStateMachineType),
    STATUS: ("PackMLStatusObjectType", ua.ObjectIds.BaseObjectType),
    ADMIN: ("PackMLAdminObjectType", ua.ObjectIds.BaseObjectType),
    UNIT: ("PackMLBaseObjectType", ua.ObjectIds.BaseObjectType),
}
"""Number → name and the type of the base standard that it derives from."""

HAS_INTERLOCK, HAS_ALARM, HAS_ALARM_HISTORY, HAS_WARNING, HAS_STOP_REASON = 21, 22, 23, 24, 25
REFERENCE_TYPES = {
    HAS_INTERLOCK: ("HasInterlock", "InterlockFor"),
    HAS_ALARM: ("HasAlarm", "AlarmFor"),
    HAS_ALARM_HISTORY: ("HasAlarmHistory", "AlarmHistoryFor"),
    HAS_WARNING: ("HasWarning", "WarningFor"),
    HAS_STOP_REASON: ("HasStopReason", "StopReasonFor"),
}
"""Number → name and name of the inverse; all derive from HasComponent."""

OBJECTS, METADATA = 72, 117
"""The folder of all PackML units under Objects, and what the server says of the namespace."""

MODES, MODE_VALUES = 11, 194
MODE_NAMES = ("Invalid", "Produce", "Maintenance", "Manual")

COUNT, ALARM, DESCRIPTOR, INGREDIENTS, PRODUCT, REMOTE = 14, 15, 16, 17, 18, 19


@dataclass(frozen=True, slots=True)
class Structure:
    """A structured data type: its fields are name, data type, array."""

    name: str
    encoding: int
    """The node of the binary encoding."""
    fields: tuple[tuple[str, int | str, bool], ...]


_I = ua.ObjectIds
STRUCTURES: dict[int, Structure] = {
    DESCRIPTOR: Structure(
        "PackMLDescriptorDataType", 77,
        (
            ("ID", _I.Int32, False), ("Name", _I.String, False), ("Unit", _I.EUInformation, False),
            ("Value", _I.Float, False),
        ),
    ),
    COUNT: Structure(
        "PackMLCountDataType", 69,
        (
            ("ID", _I.Int32, False), ("Name", _I.String, False), ("Unit", _I.EUInformation, False),
            ("Count", _I.Int32, False), ("AccCount", _I.Int32, False),
        ),
    ),
    ALARM: Structure(
        "PackMLAlarmDataType", 74,
        (
            ("ID", _I.Int32, False), ("Value", _I.Int32, False), ("Message", _I.String, False),
            ("Category", _I.Int32, False), ("DateTime", _I.UtcTime, False), ("AckDateTime", _I.UtcTime, False),
            ("Trigger", _I.Boolean, False),
        ),
    ),
    INGREDIENTS: Structure(
        "PackMLIngredientsDataType", 79,
        (("IngredientID", _I.Int32, False), ("Parameter", "PackMLDescriptorDataType", True)),
    ),
    PRODUCT: Structure(
        "PackMLProductDataType", 81,
        (
            ("ProductID", _I.Int32, False), ("ProcessVariables", "PackMLDescriptorDataType", True),
            ("Ingredients", "PackMLIngredientsDataType", True),
        ),
    ),
    REMOTE: Structure(
        "PackMLRemoteInterfaceDataType", 83,
        (
            ("Number", _I.Int32, False), ("ControlCmdNumber", _I.Int32, False), ("CmdValue", _I.Int32, False),
            ("Parameter", "PackMLDescriptorDataType", True),
        ),
    ),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class MachineRow:
    """A state machine type: its states, and what leads from one to another."""

    states: tuple[tuple[str, int, int, int], ...]
    """Name, its number as a node, the node of StateNumber, StateNumber."""
    transitions: tuple[tuple[str, str, int, int, int | None], ...]
    """From, to, its number as a node, the node of TransitionNumber, the method that causes it."""
    available: tuple[int, int]
    """The nodes of AvailableStates and AvailableTransitions."""


MACHINES: dict[int, MachineRow] = {
    EXECUTE_MACHINE: MachineRow(
        (
            ("Resetting", 27, 127, 15), ("Idle", 28, 128, 4), ("Starting", 29, 129, 3), ("Suspending", 30, 130, 13),
            ("Suspended", 31, 131, 5), ("Unsuspending", 32, 132, 14), ("Holding", 33, 133, 10), ("Held", 34, 134, 11),
            ("Unholding", 35, 135, 12), ("Execute", 36, 136, 6), ("Completing", 37, 137, 16), ("Complete", 38, 138, 17),
        ),
        (
            ("Resetting", "Idle", 39, 139, None), ("Idle", "Starting", 40, 140, 369),
            ("Starting", "Execute", 41, 141, None), ("Execute", "Suspending", 42, 142, 367),
            ("Suspending", "Suspended", 43, 143, None), ("Unsuspending", "Execute", 44, 144, None),
            ("Execute", "Holding", 45, 145, 366), ("Holding", "Held", 46, 146, None),
            ("Held", "Unholding", 47, 147, 368), ("Unholding", "Execute", 48, 148, None),
            ("Execute", "Completing", 49, 149, 365), ("Completing", "Complete", 50, 150, None),
            ("Complete", "Resetting", 51, 151, 361), ("Suspended", "Unsuspending", 52, 152, 372),
            ("Starting", "Holding", 99, 179, 366), ("Unsuspending", "Holding", 100, 208, 366),
            ("Suspended", "Holding", 101, 215, 366), ("Suspending", "Holding", 102, 216, 366),
            ("Unholding", "Holding", 103, 217, 366),
        ),
        (125, 126),
    ),
    MACHINE: MachineRow(
        (("Stopped", 53, 155, 2), ("Stopping", 54, 156, 7), ("Clearing", 55, 157, 1), ("Running", 75, 171, 18)),
        (
            ("Stopping", "Stopped", 57, 163, None), ("Clearing", "Stopped", 58, 164, None),
            ("Stopped", "Running", 59, 165, 376), ("Running", "Stopping", 60, 166, 375),
        ),
        (153, 154),
    ),
    BASE_MACHINE: MachineRow(
        (("Aborting", 61, 168, 8), ("Aborted", 62, 169, 9), ("Cleared", 71, 178, 19)),
        (
            ("Aborted", "Cleared", 65, 174, 363), ("Aborting", "Aborted", 66, 175, None),
            ("Cleared", "Aborting", 67, 176, 364),
        ),
        (167, 158),
    ),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class SubMachine:
    """A state machine that is a member of a type: AvailableStates, AvailableTransitions, CurrentState and its Id."""

    number: int
    name: str
    parent: int
    type: int
    available: tuple[int, int]
    current: int
    current_id: int
    of_state: int | None = None
    """The state of the parent in which it is at work."""


SUB_MACHINES = (
    SubMachine(56, "ExecuteState", MACHINE, EXECUTE_MACHINE, (177, 160), 161, 162, 75),
    SubMachine(64, "MachineState", BASE_MACHINE, MACHINE, (212, 204), 172, 173, 71),
    SubMachine(88, "BaseStateMachine", UNIT, BASE_MACHINE, (259, 202), 272, 273),
    SubMachine(89, "MachineState", 88, MACHINE, (214, 213), 262, 263),
    SubMachine(90, "ExecuteState", 89, EXECUTE_MACHINE, (223, 222), 266, 227),
)

METHODS: dict[int, tuple[int, str, bool, int | None, tuple[tuple[str, int | str, bool], ...]]] = {
    361: (EXECUTE_MACHINE, "Reset", False, None, ()),
    365: (EXECUTE_MACHINE, "ToComplete", False, None, ()),
    366: (EXECUTE_MACHINE, "Hold", False, None, ()),
    367: (EXECUTE_MACHINE, "Suspend", False, None, ()),
    368: (EXECUTE_MACHINE, "Unhold", False, None, ()),
    369: (EXECUTE_MACHINE, "Start", False, 342, (("Parameter", "PackMLDescriptorDataType", True),)),
    372: (EXECUTE_MACHINE, "Unsuspend", False, None, ()),
    375: (MACHINE, "Stop", False, None, ()),
    376: (MACHINE, "Reset", False, None, ()),
    363: (BASE_MACHINE, "Clear", False, None, ()),
    364: (BASE_MACHINE, "Abort", False, None, ()),
    362: (UNIT, "SetUnitMode", True, 118, (("RequestedMode", ua.ObjectIds.Int32, False),)),
    400: (UNIT, "SetMachSpeed", True, 348, (("RequestedMachineSpeed", ua.ObjectIds.Float, False),)),
    401: (UNIT, "SetProduct", True, 349, (("Product", "PackMLProductDataType", True),)),
    402: (UNIT, "SetParameter", True, 352, (("Parameter", "PackMLDescriptorDataType", True),)),
    403: (UNIT, "RemoteCommand", False, 350, (("RemoteInterface", "PackMLRemoteInterfaceDataType", True),)),
    404: (
        UNIT, "SetInterlock", False, 351,
        (("InterlockId", ua.ObjectIds.Int32, False), ("State", ua.ObjectIds.Boolean, False)),
    ),
}  # fmt: skip
"""Number → type it belongs to, name, mandatory, node of InputArguments, arguments (name, data type, array)."""


@dataclass(frozen=True, slots=True)
class Member:
    """A variable of a type."""

    number: int
    name: str
    data_type: int | str
    """A number of the base standard, or the name of a data type here."""
    rank: int = -1
    mandatory: bool = False
    reference: int | None = None
    """None: HasComponent; else a reference type of this namespace."""
    analog_range: int | None = None
    """The node of EURange where it is an analogue item."""
    is_property: bool = False


MEMBERS: dict[int, tuple[Member, ...]] = {
    UNIT: (
        Member(218, "TagID", _I.String, is_property=True),
        Member(221, "PackMLVersion", _I.String, is_property=True),
    ),
    STATUS: (
        Member(232, "CurMachSpeed", _I.Float, mandatory=True, analog_range=233),
        Member(211, "EquipmentBlocked", _I.Boolean, mandatory=True),
        Member(224, "EquipmentStarved", _I.Boolean, mandatory=True),
        Member(219, "MachSpeed", _I.Float, mandatory=True, analog_range=220),
        Member(237, "MaterialInterlock", _I.Boolean, 1, reference=HAS_INTERLOCK),
        Member(236, "MaterialInterlocked", _I.Boolean),
        Member(121, "Parameter", "PackMLDescriptorDataType", 1),
        Member(122, "Product", "PackMLProductDataType", 1),
        Member(123, "RemoteParameter", "PackMLRemoteInterfaceDataType", 1),
        Member(210, "StateChangeInProcess", _I.Boolean),
        Member(209, "StateRequested", _I.Int32),
        Member(201, "UnitModeChangeInProcess", _I.Boolean),
        Member(200, "UnitModeCurrent", _I.Enumeration, mandatory=True),
        Member(192, "UnitModeRequested", _I.Boolean),
        Member(193, "UnitSupportedModes", _I.NodeId, mandatory=True, is_property=True),
    ),
    ADMIN: (
        Member(252, "AccTimeSinceReset", _I.Int32),
        Member(238, "Alarm", "PackMLAlarmDataType", 1, reference=HAS_ALARM),
        Member(239, "AlarmExtent", _I.Int32),
        Member(240, "AlarmHistory", "PackMLAlarmDataType", 1, reference=HAS_ALARM_HISTORY),
        Member(241, "AlarmHistoryExtent", _I.Int32),
        Member(253, "MachDesignSpeed", _I.Float),
        Member(247, "ModeCumulativeTime", _I.Int32, 1),
        Member(246, "ModeCurrentTime", _I.Int32, 1),
        Member(276, "Parameter", "PackMLDescriptorDataType", 1),
        Member(124, "ProdConsumedCount", "PackMLCountDataType", 1),
        Member(119, "ProdDefectiveCount", "PackMLCountDataType", 1),
        Member(120, "ProdProcessedCount", "PackMLCountDataType", 1),
        Member(249, "StateCumulativeTime", _I.Int32, 2),
        Member(248, "StateCurrentTime", _I.Int32, 2),
        Member(244, "StopReason", "PackMLAlarmDataType", reference=HAS_STOP_REASON),
        Member(245, "StopReasonExtent", _I.Int32),
        Member(242, "Warning", "PackMLAlarmDataType", 1, reference=HAS_WARNING),
        Member(243, "WarningExtent", _I.Int32),
    ),
}  # fmt: skip

UNIT_OBJECTS = {
    73: ("Admin", ADMIN, ()),
    87: (
        "Status", STATUS,
        (
            Member(255, "CurMachSpeed", _I.Float, mandatory=True, analog_range=256),
            Member(274, "EquipmentBlocked", _I.Boolean, mandatory=True),
            Member(275, "EquipmentStarved", _I.Boolean, mandatory=True),
            Member(257, "MachSpeed", _I.Float, mandatory=True, analog_range=258),
            Member(225, "UnitModeCurrent", _I.Enumeration, mandatory=True),
            Member(290, "UnitSupportedModes", _I.NodeId, mandatory=True, is_property=True),
        ),
    ),
}  # fmt: skip
"""The objects of a unit: number → name, type, and which of the type's members it names again."""
