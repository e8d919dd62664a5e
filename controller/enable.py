"""Raising enable: low seen by the I/O side, then high, then not inhibited. Lowering it needs nobody's consent."""

from __future__ import annotations

from enum import Enum
from typing import Final

from controller.registers import Status, StatusBit

HEARTBEAT_MODULUS: Final = 1 << 16


def accepted(status: Status, heartbeat: int) -> bool:
    """Whether the I/O side has accepted the command with this heartbeat, or a later one."""
    return (status.heartbeat_echo - heartbeat) % HEARTBEAT_MODULUS < HEARTBEAT_MODULUS // 2


class Phase(Enum):
    """How far the handshake has come."""

    DOWN = "down"
    LOW_SENT = "low sent"
    HIGH_SENT = "high sent"
    UP = "up"


class Enable:
    """The enable output of one line and its handshake."""

    def __init__(self) -> None:
        self.phase = Phase.DOWN
        self._heartbeat = 0

    @property
    def high(self) -> bool:
        """Whether the next command carries enable high."""
        return self.phase in (Phase.HIGH_SENT, Phase.UP)

    @property
    def up(self) -> bool:
        """Whether the I/O side has shown that it marks now."""
        return self.phase is Phase.UP

    def lower(self) -> None:
        """Drop enable with the next command."""
        self.phase = Phase.DOWN

    def begin(self, heartbeat: int) -> None:
        """Start the handshake; `heartbeat` is that of the next command, which carries enable low."""
        self.phase = Phase.LOW_SENT
        self._heartbeat = heartbeat

    def step(self, status: Status, owner: int, heartbeat: int) -> None:
        """Go on when the I/O side has answered; `heartbeat` is that of the next command."""
        if not accepted(status, self._heartbeat) or status.owner != owner:
            return
        if self.phase is Phase.LOW_SENT:
            self.phase = Phase.HIGH_SENT
            self._heartbeat = heartbeat
        elif self.phase is Phase.HIGH_SENT and not status.bits & StatusBit.INHIBITED:
            self.phase = Phase.UP
