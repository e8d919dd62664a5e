"""The [opcua.nodes] section of a line: at which OPC UA node single values of the field block stand."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated

from pydantic import AfterValidator, Field

from controller.node_points import NodePlace
from controller.settings.base import Strict


def _node(text: str) -> str:
    NodePlace.parse(text)
    return text


NodeText = Annotated[str, AfterValidator(_node)]


class BitNodes(Strict):
    """Status bits that are Boolean nodes of their own."""

    detector_blocked: NodeText | None = None
    interlocks_closed: NodeText | None = None
    marker_ready: NodeText | None = None
    marker_busy: NodeText | None = None
    marker_fault: NodeText | None = None
    drive_running: NodeText | None = None
    inhibited: NodeText | None = None
    forward_counts_down: NodeText | None = None
    flush_done: NodeText | None = None
    upstream_empty: NodeText | None = None
    downstream_blocked: NodeText | None = None
    stop_requested: NodeText | None = None


class ControlNodes(Strict):
    """Control bits that are Boolean nodes of their own."""

    enable: NodeText | None = None
    flush: NodeText | None = None
    forward_counts_down: NodeText | None = None
    line_stop: NodeText | None = None
    running: NodeText | None = None


class CommandNodes(Strict):
    """The words that the controller writes."""

    heartbeat: NodeText | None = None
    control_bits: NodeText | None = None
    boot_id_seen: NodeText | None = None
    owner: NodeText | None = None
    lease_ms: NodeText | None = None
    job_number: NodeText | None = None
    order_kind: NodeText | None = None
    order_station: NodeText | None = None
    order_count: NodeText | None = None
    order_last: NodeText | None = None
    order_token: NodeText | None = None


class CaptureNodes(Strict):
    """The ring of captures, as arrays of 8."""

    edge: NodeText | None = None
    count: NodeText | None = None


class ReleaseNodes(Strict):
    """The ring of releases, as arrays of 8."""

    token: NodeText | None = None
    result: NodeText | None = None
    count: NodeText | None = None


class StationNodes(Strict):
    """What a further station says."""

    armed: NodeText | None = None
    depth: NodeText | None = None
    ready: NodeText | None = Field(default=None, description="a Boolean, as busy and fault")
    busy: NodeText | None = None
    fault: NodeText | None = None
    done_total: NodeText | None = None


class NodesSection(Strict):
    """Where single values stand: a node id or a browse path each."""

    layout: NodeText | None = None
    boot_id: NodeText | None = None
    heartbeat_echo: NodeText | None = None
    status_bits: NodeText | None = None
    interlocks: NodeText | None = None
    interlocks_opened: NodeText | None = None
    inhibit_cause: NodeText | None = None
    ack_token: NodeText | None = None
    ack_result: NodeText | None = None
    ack_count: NodeText | None = None
    armed: NodeText | None = None
    depth: NodeText | None = None
    belt_count: NodeText | None = None
    sample_us: NodeText | None = None
    capture_total: NodeText | None = None
    release_total: NodeText | None = None
    done_total: NodeText | None = None
    job_loaded: NodeText | None = None
    owner: NodeText | None = None

    interlock: dict[str, NodeText] = Field(
        default_factory=dict,
        description="interlocks by their names in [interlocks]: a Boolean each, on when closed",
    )
    captures: CaptureNodes = CaptureNodes()
    releases: ReleaseNodes = ReleaseNodes()
    bits: BitNodes = BitNodes()
    control: ControlNodes = ControlNodes()
    command: CommandNodes = CommandNodes()
    station: dict[int, StationNodes] = Field(default_factory=dict, description="further stations by number, from 1")

    def given(self) -> dict[str, NodePlace]:
        """Every value that is named here, under its full name."""
        return dict(_given(self, ""))


def _given(section: Strict, prefix: str) -> Iterator[tuple[str, NodePlace]]:
    for key, value in section:
        name = f"{prefix}{key}"
        if isinstance(value, str):
            yield name, NodePlace.parse(value)
        elif isinstance(value, Strict):
            yield from _given(value, f"{name}.")
        elif isinstance(value, dict):
            for one, entry in value.items():
                if isinstance(entry, Strict):
                    yield from _given(entry, f"{name}.{one}.")
                else:
                    yield f"interlocks.{one}", NodePlace.parse(entry)
