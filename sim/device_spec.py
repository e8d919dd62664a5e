"""What a simulated I/O side is: its figures, and which of its rules are switched off.

Each rule of the field block can be switched off, to prove that a controller does not lean on it:

1  nothing inhibits and nothing drops what is armed but a flush or a restart; the status still tells the inhibition
2  any heartbeat and any owner is accepted, and the first request of another owner is no baseline
3  an order acts again with every accepted request that carries it, whatever its token
5  a late target is released at once, and one too far ahead is armed
6  a target already released is released again whenever its place is crossed, in both directions
7  a busy or not-ready marker is triggered all the same: the ring says released, and no mark is made
9  the boot id stays the same over a restart
"""

from __future__ import annotations

from dataclasses import dataclass

from controller.registers import LAYOUT

RULES = frozenset({1, 2, 3, 5, 6, 7, 9})
"""The rules that can be switched off."""


@dataclass(frozen=True, slots=True)
class DeviceSpec:
    """The I/O side itself. `interlocks` has one bit for each that there is."""

    boot_id: int = 1
    interlocks: int = 0
    lease_limit_ns: int = 1_000_000_000
    rules_off: frozenset[int] = frozenset()
    layout: int = LAYOUT
    sample_us: int = 0
    """The I/O side's own clock at time zero."""
    restart_raw: int = 0
    """The counter's value after a restart."""

    def __post_init__(self) -> None:
        if not self.rules_off <= RULES:
            unknown = ", ".join(str(r) for r in sorted(self.rules_off - RULES))
            raise ValueError(f"rule {unknown} cannot be switched off; known: {', '.join(map(str, sorted(RULES)))}")
