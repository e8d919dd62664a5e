"""The commands from the plant: PackML's methods, and two of our own.

Whoever calls needs the grade; the line decides whether the command is taken. How it answers:

| answer | when |
| --- | --- |
| Good | taken; the state changes with the line's next scan |
| BadUserAccessDenied | the user's role does not allow it |
| BadInvalidState | the state or the mode does not take the command |
| BadNotExecutable | nobody's commands from the plant are taken: the line is set to local |
| BadRequestNotAllowed | the state would take it, but something that is present forbids it: an interlock is open, the marker not ready |
| BadInvalidArgument, BadArgumentsMissing, BadTooManyArguments | the arguments are not such as the method takes |
| BadNotSupported | SetInterlock (no client may fake one), SetMachSpeed, SetProduct, SetParameter, RemoteCommand: nothing here that they could honestly do |

The words of a refusal stand in the line's LastAnswer and in the log.
"""  # noqa: E501  a table is not folded

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, TypeAlias

from asyncua import Server, ua

from controller.model import Call, Refusal
from controller.plant.image import Desk
from controller.plant.opcua import packml_table as table
from controller.plant.opcua.access import Caller, Grade
from controller.plant.opcua.nodes import Method
from controller.plant.opcua.seen import Memory
from controller.plant.opcua.space import ACKNOWLEDGE, RESET_COUNTERS, LineSpace, Space

VERBS = {
    "Reset": "reset",
    "Start": "start",
    "Stop": "stop",
    "Hold": "hold",
    "Unhold": "unhold",
    "Suspend": "suspend",
    "Unsuspend": "unsuspend",
    "ToComplete": "complete",
    "Abort": "abort",
    "Clear": "clear",
}
"""PackML's method → our command."""
MODES = {1: "production", 2: "maintenance", 3: "manual"}

_CODES = ua.StatusCodes
ANSWERS: dict[Refusal, tuple[int, str]] = {
    Refusal.STATE: (_CODES.BadInvalidState, "wrong state for the command"),
    Refusal.PLACE: (_CODES.BadNotExecutable, "line not set to remote"),
    Refusal.CAUSE: (_CODES.BadRequestNotAllowed, "a cause forbids the command"),
    Refusal.ARGUMENT: (_CODES.BadInvalidArgument, "wrong argument of the command"),
}
"""Why a line refuses → the status code, and the reason it is counted under."""
_ENDED = (_CODES.BadOutOfService, "the line has ended")

Arguments: TypeAlias = "Sequence[ua.Variant]"
Parsed: TypeAlias = "str | ua.CallMethodResult"
"""The command's argument, or why what was given is none."""


class Commands:
    """Links the methods of a server to the desk."""

    def __init__(self, server: Server, space: Space, desk: Desk, caller: Callable[[], Caller]) -> None:
        self._desk, self._caller = desk, caller
        self._lines: dict[tuple[int, ua.NodeId], tuple[str, Memory]] = {}
        """The type that has the method, and the object → the line."""
        link = server.iserver.isession.add_method_callback
        for number, (owner, name, _, _, inputs) in table.METHODS.items():
            if name in VERBS:
                run = self._command(owner, VERBS[name], Grade.OPERATE, _no_parameter if inputs else _nothing)
            elif name == "SetUnitMode":
                run = self._command(owner, "mode", Grade.OPERATE, _mode)
            else:
                run = _not_supported
            link(space.types.node(number), run).check()
        acknowledge = self._command(table.UNIT, "acknowledge", Grade.OPERATE, _text)
        link(space.node(ACKNOWLEDGE), acknowledge).check()
        reset = self._command(table.UNIT, "reset-counters", Grade.ENGINEER, _nothing)
        link(space.node(RESET_COUNTERS), reset).check()

    def add_line(self, name: str, space: LineSpace, memory: Memory) -> None:
        """Let a line be commanded; its last answer is kept in `memory`."""
        for owner, node in space.owners.items():
            self._lines[owner, node] = name, memory

    def _command(self, owner: int, verb: str, least: Grade, parse: Callable[[Arguments], Parsed]) -> Method:
        async def run(parent: ua.NodeId, *arguments: ua.Variant) -> ua.StatusCode | ua.CallMethodResult:
            who, found = self._caller(), self._lines.get((owner, parent))
            if found is None:
                return ua.StatusCode(_CODES.BadMethodInvalid)
            line, memory = found
            if who.grade < least:
                self._desk.refused("not permitted", line=line, command=verb, user=who.name, client=who.client)
                return ua.StatusCode(_CODES.BadUserAccessDenied)
            argument = parse(arguments)
            if isinstance(argument, ua.CallMethodResult):
                return argument
            reply = await self._desk.give(line, Call(verb, f"{who.name} (opc ua)", "plant", argument))
            memory.answer = f"{verb} by {who.name}: {'taken' if reply.accepted else reply.reason}"
            if reply.accepted:
                return ua.StatusCode(_CODES.Good)
            code, why = _ENDED if reply.kind is None else ANSWERS[reply.kind]
            words = {"line": line, "command": verb, "user": who.name, "client": who.client, "reason": reply.reason}
            self._desk.refused(why, **words)
            return _wrong(_CODES.BadOutOfRange) if reply.kind is Refusal.ARGUMENT else ua.StatusCode(code)

        return run


async def _not_supported(_parent: ua.NodeId, *_arguments: ua.Variant) -> ua.StatusCode:
    return ua.StatusCode(_CODES.BadNotSupported)


def _wrong(code: int) -> ua.CallMethodResult:
    """The answer to an argument that is none: what is wrong with it stands beside it."""
    return ua.CallMethodResult(
        StatusCode=ua.StatusCode(_CODES.BadInvalidArgument), InputArgumentResults=[ua.StatusCode(code)]
    )


def _counted(arguments: Arguments, least: int, most: int) -> ua.CallMethodResult | None:
    if least <= len(arguments) <= most:
        return None
    code = _CODES.BadArgumentsMissing if len(arguments) < least else _CODES.BadTooManyArguments
    return ua.CallMethodResult(StatusCode=ua.StatusCode(code))


def _nothing(arguments: Arguments) -> Parsed:
    return _counted(arguments, 0, 0) or ""


def _no_parameter(arguments: Arguments) -> Parsed:
    """Start takes parameters; we have none, and what would be passed over is refused."""
    given = next((a.Value for a in arguments if a.Value), None)
    return _counted(arguments, 0, 1) or ("" if given is None else _wrong(_CODES.BadNotSupported))


def _mode(arguments: Arguments) -> Parsed:
    if wrong := _counted(arguments, 1, 1):
        return wrong
    if arguments[0].VariantType is not ua.VariantType.Int32 or arguments[0].is_array:
        return _wrong(_CODES.BadTypeMismatch)
    return MODES.get(arguments[0].Value) or _wrong(_CODES.BadOutOfRange)


def _text(arguments: Arguments) -> Parsed:
    if wrong := _counted(arguments, 1, 1):
        return wrong
    value: Any = arguments[0].Value
    if arguments[0].VariantType is not ua.VariantType.String or not isinstance(value, str | None):
        return _wrong(_CODES.BadTypeMismatch)
    return value or ""
