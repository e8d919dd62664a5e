"""Whether the I/O side may mark: owner, heartbeat, lease, boot id, interlocks and the cycling of enable.

Rules 1, 2 and 9 of the field block. Permission begins only as enable rises with every condition met, and once lost
does not come back by itself. The cause shown is the one that took permission away, until enable has been seen low.
"""

from __future__ import annotations

from collections.abc import Callable

from controller.registers import Command, ControlBit, InhibitCause, serial_ahead


class Permit:
    """The permission to mark. `on_lost` is called in the instant in which it is lost."""

    def __init__(
        self, boot_id: int, interlocks: int, lease_limit_ns: int, rules_off: frozenset[int],
        on_lost: Callable[[], None],
    ) -> None:  # fmt: skip
        self._lease_limit_ns = lease_limit_ns
        self._rules_off = rules_off
        self._on_lost = on_lost
        self._wanted = interlocks
        self.interlocks = interlocks
        self.boot_id = boot_id
        self._forget()

    def _forget(self) -> None:
        self.owner = 0
        self.heartbeat = 0
        self.lease_ns = 0
        self.lease_until_ns = 0
        self.enable = False
        self._seen_low = False
        self.granted = False
        self.cause = InhibitCause.ENABLE_NOT_CYCLED
        self.opened = 0

    @property
    def closed(self) -> bool:
        """Whether every interlock is closed."""
        return self.interlocks & self._wanted == self._wanted

    @property
    def effective(self) -> bool:
        """Whether orders are taken: as granted, or always where rule 1 is off."""
        return self.granted or 1 in self._rules_off

    @property
    def expires_ns(self) -> int | None:
        """When the permission will be lost unless the lease is renewed; None while there is none to lose."""
        return self.lease_until_ns if self.granted else None

    def restart(self, boot_id: int) -> None:
        """Begin anew as after power-up. Without rule 9 the boot id stays the same."""
        if 9 not in self._rules_off:
            self.boot_id = boot_id
        self._forget()

    def lose(self, cause: InhibitCause) -> None:
        """Take the permission away, keeping the first cause."""
        if self.granted:
            self.granted = False
            self.cause = cause
            self._on_lost()

    def set_interlock(self, bit: int, closed: bool) -> None:
        """Open or close an interlock; closing gives nothing back."""
        if closed:
            self.interlocks |= 1 << bit
            return
        self.interlocks &= ~(1 << bit)
        self.opened |= 1 << bit
        if self._wanted >> bit & 1:
            self.lose(InhibitCause.INTERLOCK)

    def admit(self, command: Command, t_ns: int) -> tuple[bool, bool]:
        """Whether a request is accepted, and whether it is the first of a new owner. Takes up its heartbeat."""
        newcomer = command.owner != self.owner
        if 2 in self._rules_off:
            newcomer = newcomer and self.owner == 0
        elif command.owner == 0:
            return False, False
        elif newcomer:
            if self.owner and t_ns < self.lease_until_ns:
                return False, False
        elif not serial_ahead(command.heartbeat, self.heartbeat):
            return False, False
        if newcomer:
            self.lose(InhibitCause.OTHER_OWNER)
            self.enable = False
            self._seen_low = False
            self.cause = InhibitCause.ENABLE_NOT_CYCLED
        self.owner = command.owner
        self.heartbeat = command.heartbeat
        self.lease_ns = min(command.lease_ms * 1_000_000, self._lease_limit_ns)
        self.lease_until_ns = t_ns + self.lease_ns
        return True, newcomer

    def renew(self, heartbeat: int, t_ns: int) -> None:
        """Stand for identical requests accepted up to now."""
        self.heartbeat = heartbeat
        self.lease_until_ns = t_ns + self.lease_ns

    def take_enable(self, command: Command) -> bool:
        """Take up the enable bit of an accepted request; True when it rises."""
        enable = bool(command.control & ControlBit.ENABLE)
        if command.boot_id_seen != self.boot_id:
            self.lose(InhibitCause.WRONG_BOOT_ID)
        if not enable:
            self.lose(InhibitCause.ENABLE_LOW)
            self.cause = InhibitCause.ENABLE_LOW
            self.enable = False
            self._seen_low = True
            return False
        rose = self._seen_low and not self.enable
        if self.lease_ns == 0:
            self.lose(InhibitCause.LEASE_EXPIRED)
        if rose:
            self.enable = True
            self._seen_low = False
            self.opened = 0
            self.cause = self._obstacle(command)
            self.granted = self.cause is InhibitCause.NONE
        return rose

    def _obstacle(self, command: Command) -> InhibitCause:
        if command.boot_id_seen != self.boot_id:
            return InhibitCause.WRONG_BOOT_ID
        if not self.closed:
            return InhibitCause.INTERLOCK
        if self.lease_ns == 0:
            return InhibitCause.LEASE_EXPIRED
        return InhibitCause.NONE
