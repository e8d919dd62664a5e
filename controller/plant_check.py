"""What `beltcue check` says of what the plant is served."""

from __future__ import annotations

from collections.abc import Iterator

from controller.settings.plant import PlantSection


def plant_rows(section: PlantSection | None) -> Iterator[tuple[str, str]]:
    """The rows of a line that serves the plant; none of one that does not."""
    if section is None:
        yield "plant", "nothing is served: write [plant.opcua], [plant.modbus] or [plant.metrics] to change that"
        return
    if section.opcua is not None:
        look = "trusted clients may look without a user" if section.opcua.anonymous else "trusted clients with a user"
        yield "plant", f"opc.tcp://{section.opcua.address}, signed and encrypted, {look}; beltcue trust, beltcue users"
    if section.modbus is not None:
        clients = ", ".join(section.modbus.command_clients) or "nobody"
        yield "plant", f"modbus://{section.modbus.address}, unit {section.modbus.unit}, commands from {clients}"
    if section.metrics is not None:
        yield "plant", f"http://{section.metrics.address}/metrics, for anyone who reaches it"
