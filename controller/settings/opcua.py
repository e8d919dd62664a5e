"""The [opcua] section of a line: the server, how to get in, and at which node each value of the field block stands.

With `link.protocol = "opcua"` it holds all values; beside a Modbus link it holds those named in `[opcua.nodes]`, and
they do not stand in [points]. Names are those of the field block, as in [points].
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Container, Mapping
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from controller.layout import flag_name, required_because
from controller.node_points import ELSEWHERE, EXAMPLE, NodeMap, NodePlace, command_names, status_names
from controller.points import PointMap
from controller.registers import ControlBit, StatusBit
from controller.settings.base import Strict, problem
from controller.settings.nodes import NodesSection
from controller.settings.points import PointEntry, PointsConfig
from controller.settings.sections import LinkSection, split_address

OPCUA_PORT = 4840
_ENDPOINT = re.compile(r"opc\.tcp://([^/]+)(/[^\s]*)?")


def _endpoint(text: str) -> str:
    found = _ENDPOINT.fullmatch(text)
    if found is None or "@" in found[1]:
        raise ValueError(f'{text!r} is no endpoint; write e.g. "opc.tcp://192.0.2.10:4840/line"')
    split_address(found[1])
    return text


def _prefix(text: str) -> str:
    try:
        NodePlace.parse(f"{text}x")
    except ValueError:
        text = f'{text!r} is no beginning of a node id or browse path; write e.g. "ns=2;s=FieldBlock."'
        raise ValueError(text) from None
    return text


Endpoint = Annotated[str, AfterValidator(_endpoint)]
Prefix = Annotated[str, AfterValidator(_prefix)]


class OpcuaSection(Strict):
    """An OPC UA server that has the field block, or a part of it, as nodes."""

    endpoint: Endpoint = Field(description='e.g. "opc.tcp://192.0.2.10:4840/line"; without a port 4840')
    security: Literal["none", "Basic256Sha256", "Aes128Sha256RsaOaep", "Aes256Sha256RsaPss"] = Field(
        default="none", description="signed and encrypted by this policy; none: anyone on the network can interfere"
    )
    certificate: str | None = Field(default=None, min_length=1, description="our certificate's file, PEM or DER")
    key: str | None = Field(default=None, min_length=1, description="the file of its private key, PEM or DER")
    server_certificate: str | None = Field(
        default=None, min_length=1, description="the server's certificate: no other server is then believed"
    )
    user: str | None = Field(default=None, min_length=1, description="the name to log in with; default: anonymous")
    password_file: str | None = Field(
        default=None, min_length=1, description="the file whose first line is the password"
    )
    prefix: Prefix | None = Field(
        default=None, description='every value not named in nodes is this and its name, e.g. "ns=2;s=FieldBlock."'
    )
    bits: Literal["word", "single"] = Field(
        default="word", description="status and control bits: a word each, or every bit a Boolean of its own"
    )
    drop: list[str] = Field(default_factory=list, description="values that the device does not have")
    nodes: NodesSection = NodesSection()

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        secure = self.security != "none"
        for name in ("certificate", "key"):
            if secure and getattr(self, name) is None:
                raise problem(name, f'is missing, and "{self.security}" needs it; name its file')
        for name in ("certificate", "key", "server_certificate", "user"):
            if not secure and getattr(self, name) is not None:
                raise problem(name, 'is of no use without security; write security = "Basic256Sha256", or remove it')
        if (self.user is None) != (self.password_file is None):
            raise problem("password_file", "and user go together; give both or neither")
        single = self.bits == "single"
        if single and (self.nodes.status_bits is not None or self.nodes.command.control_bits is not None):
            raise problem("bits", 'is "single", and nodes names a word of bits; remove one of the two')
        return self

    @property
    def address(self) -> tuple[str, int]:
        """Host and port of the server."""
        found = _ENDPOINT.fullmatch(self.endpoint)
        if found is None:
            raise ValueError("an endpoint is checked as it is read")
        host, port = split_address(found[1])
        return host, OPCUA_PORT if port is None else port

    @property
    def path(self) -> str:
        """What follows host and port in the endpoint."""
        found = _ENDPOINT.fullmatch(self.endpoint)
        return "" if found is None or found[2] is None else found[2]

    def played(self, further: int, modulus: int | None, counter_bits: int | None) -> PointMap:
        """What the device has of the field block, as points at the default places. Raises ValueError."""
        width: Literal[16, 32] = 16 if counter_bits == 16 else 32
        points = PointsConfig(drop=self.drop, belt_count=PointEntry(width=width))
        return points.resolve(further, modulus, section="opcua")

    def whole(self, points: PointMap, interlocks: Mapping[str, int]) -> NodeMap:
        """Make the map of a device that has everything of `points` as nodes; `interlocks` are the line's, with bits.

        Raises ValueError in one line.
        """
        given, single = self._given(interlocks), self.bits == "single"
        no_status = sum(int(flag) for flag in StatusBit if not points.has(f"bits.{flag_name(flag)}"))
        no_control = sum(int(flag) for flag in ControlBit if f"control.{flag_name(flag)}" not in points.command)
        wanted = [name for name in status_names(points.stations, single) if _has(points, name)]
        wanted += [name for name in command_names(single) if _has(points, name)]
        for name in given:
            if not _has(points, name):
                why = "dropped" if not name.startswith("station.") else f"one of {points.stations} further stations"
                raise ValueError(f"opcua.nodes.{name}: is {why}, and named; keep one of the two")
        for word, flags, group in (
            ("status_bits", StatusBit, "bits"),
            ("command.control_bits", ControlBit, "control"),
        ):
            bits = [f"{group}.{flag_name(flag)}" for flag in flags]
            wanted += [bit for bit in bits if bit in given and bit not in wanted]
            if word not in given and all(bit in given for bit in bits if _has(points, bit)):
                wanted = [name for name in wanted if name != word]
        wanted += [name for name in given if name.startswith("interlocks.")]
        if "interlocks" not in given and _all_apart(given, interlocks):
            wanted.remove("interlocks")
        places = {}
        for name in wanted:
            place = given.get(name)
            if place is None and self.prefix is not None:
                place = NodePlace.parse(self.prefix + name)
            if place is None:
                or_drop = ", drop it" if _droppable(name) else ""
                raise ValueError(f"opcua.nodes.{name}: has no node; name it{or_drop}, or give opcua.prefix")
            places[name] = place
        command = {name: place for name, place in places.items() if name.startswith(("command.", "control."))}
        status = {name: place for name, place in places.items() if name not in command}
        try:
            return NodeMap(
                status,
                command,
                points.modulus,
                interlocks=interlocks,
                no_status_bits=no_status,
                no_control_bits=no_control,
            )
        except ValueError as error:
            raise ValueError(f"opcua.nodes: {error}") from None

    def part(self, interlocks: Mapping[str, int]) -> tuple[NodeMap, list[str]]:
        """Make the map of what comes over OPC UA beside a Modbus link, and say which values do not come over that.

        Raises ValueError in one line.
        """
        for key in ("prefix", "bits", "drop"):
            if key in self.model_fields_set:
                raise ValueError(f'opcua.{key}: is for link.protocol = "opcua"; beside Modbus name each node in nodes')
        given = self._given(interlocks)
        if not given:
            raise ValueError(f"opcua.nodes: is missing; {EXAMPLE}")
        for name in given:
            if name not in ELSEWHERE and not name.startswith("interlocks."):
                near = difflib.get_close_matches(name, ELSEWHERE, n=1)
                hint = f', or did you mean "{near[0]}"?' if near else ""
                raise ValueError(
                    f"opcua.nodes.{name}: belongs with the counts and the orders, over one link; beside Modbus only "
                    f"{', '.join(sorted(ELSEWHERE))} may come over OPC UA: leave it in [points]{hint}"
                )
        elsewhere = [name for name in given if name in ELSEWHERE]
        if "interlocks" not in given and _all_apart(given, interlocks):
            elsewhere.append("interlocks")
        try:
            # No count is among them.
            return NodeMap(given, {}, 1 << 32, interlocks=interlocks), elsewhere
        except ValueError as error:
            raise ValueError(f"opcua.nodes: {error}") from None

    def _given(self, interlocks: Mapping[str, int]) -> dict[str, NodePlace]:
        for name in self.nodes.interlock:
            if name not in interlocks:
                near = difflib.get_close_matches(name, interlocks, n=1)
                hint = f'did you mean "{near[0]}"?' if near else "name it in [interlocks]"
                raise ValueError(f'opcua.nodes.interlock.{name}: the line has no interlock "{name}"; {hint}')
        return self.nodes.given()


def opcua_problem(link: LinkSection, opcua: OpcuaSection | None, given: Container[str]) -> Exception | None:
    """What of a line's sections, those given, does not go with OPC UA; None where all goes."""
    if opcua is None:
        text = 'is missing; add [opcua] with endpoint = "opc.tcp://192.0.2.10:4840" and prefix = "ns=2;s=FieldBlock."'
        return problem("opcua", text) if link.protocol == "opcua" else None
    if "plain" in given:
        return problem("opcua", "goes with a field block, and this line has [plain]; remove one of the two")
    if link.protocol == "opcua" and "points" in given:
        return problem("points", 'is for Modbus, and link.protocol is "opcua"; name the nodes in [opcua]')
    return None


def _all_apart(given: Container[str], interlocks: Mapping[str, int]) -> bool:
    """Whether every interlock of the line is a node of its own, so that nothing is left for the word."""
    return bool(interlocks) and all(f"interlocks.{name}" in given for name in interlocks)


def _droppable(name: str) -> bool:
    group = name.partition(".")[0]
    if group == "station" or name in ("status_bits", "command.control_bits"):
        return False
    return required_because(group if group == "captures" else name) is None


def _has(points: PointMap, name: str) -> bool:
    """Whether a device that has these points has the value of that name."""
    group, _, last = name.rpartition(".")
    if name == "status_bits":
        return any(point.startswith("bits.") for point in points.status)
    if name == "command.control_bits":
        return any(point.startswith("control.") for point in points.command)
    if group == "interlocks":
        return group in points.status
    if group in ("captures", "releases"):
        return f"{group}.0.{last}" in points.status
    if group in ("command", "control"):
        return name.removeprefix("command.") in points.command
    return name in points.status
