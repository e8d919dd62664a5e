"""What `beltcue check` says of a line's OPC UA server: what comes from it, and what it costs in safety."""

from __future__ import annotations

from typing import TYPE_CHECKING

from controller.serial_line import place_text

if TYPE_CHECKING:
    from controller.settings.line import LineConfig


def opcua_rows(config: LineConfig) -> list[tuple[str, str]]:
    """The rows of a line that has OPC UA nodes, all of its values or some; none of one that has not."""
    nodes, access, inputs = config.nodes, config.access, config.inputs_address
    if nodes is None or access is None:
        return []
    rows = []
    if inputs is None:
        text = f"{len(nodes.reads)} nodes read in one request, {len(nodes.rest) + len(nodes.last)} written: "
        rows.append(("OPC UA", f"{text}token and heartbeat last, after the rest was answered good"))
    else:
        names = ", ".join(node.name for node in nodes.reads)
        bench = "a test address" if config.is_test_address(*inputs) else "real I/O"
        rows.append(("OPC UA", f"{place_text(*inputs)}, {bench}: {names}, read in every exchange"))
        if any(node.name.startswith(("interlocks", "bits.interlocks_closed")) for node in nodes.reads):
            text = (
                "the interlocks do not come from the device that releases: after one opens, what is armed there is "
                "dropped with the next exchange, or as the lease ends, and not at once; wire them to that device too"
            )
            rows.append(("WARNING", text))
    if nodes.interlocks and not any(node.name == "interlocks_opened" for node in nodes.reads):
        names = " and ".join(name.removeprefix("interlocks.") for name in nodes.interlocks)
        rows.append(("WARNING", f"{names}: an opening shorter than a scan goes unseen; have it latched in the device"))
    if access.policy is None:
        text = (
            "OPC UA without security: anyone on that network can read and write these nodes; "
            "set opcua.security, or keep the network to this line alone"
        )
        rows.append(("WARNING", text))
    else:
        who = "anonymous" if access.user is None else f"user {access.user}"
        rows.append(("security", f"{access.policy}, signed and encrypted, {who}"))
        if access.server_certificate is None:
            rows.append(("WARNING", "any server there is believed; name opcua.server_certificate"))
    return rows
