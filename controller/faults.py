"""Faults: what can go wrong, how the line reacts, and what to do about it — one table.

Alarm states follow ISA-18.2: a fault is raised (unacknowledged), acknowledged, gone but unacknowledged, and normal
when both. The plant may raise a reaction, never lower one.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

from controller.events import FaultChanged
from controller.model import FaultPhase
from controller.snapshot import FaultView


class Reaction(IntEnum):
    """What a fault does to the line; a greater one is stronger."""

    WARN = 0
    SUSPEND = 1
    HOLD = 2
    STOP = 3
    ABORT = 4


@dataclass(frozen=True, slots=True)
class FaultKind:
    """One row of the table: what it means, how the line reacts, and what to do next."""

    reaction: Reaction
    text: str
    mend: str


_A, _H, _SU, _ST, _W = Reaction.ABORT, Reaction.HOLD, Reaction.SUSPEND, Reaction.STOP, Reaction.WARN
_CLEAR = "then Clear, Reset, Start"

FAULTS: dict[str, FaultKind] = {
    "interlock_open": FaultKind(_A, "an interlock is open", f"close the guard named, {_CLEAR}"),
    "interlock_opened": FaultKind(
        _A, "an interlock opened while marking was enabled", f"find out why it opened, {_CLEAR}"
    ),
    "link_lost": FaultKind(_A, "the I/O side does not answer", f"check its power and the network cable, {_CLEAR}"),
    "heartbeat_lost": FaultKind(
        _A, "the I/O side answers but does not take our heartbeat", f"check the I/O side's program, {_CLEAR}"
    ),
    "inhibited": FaultKind(_A, "the I/O side inhibits marking while enable is high", f"see the cause, {_CLEAR}"),
    "enable_failed": FaultKind(_A, "marking could not be enabled", f"see what inhibits it, {_CLEAR}"),
    "io_restarted": FaultKind(
        _A, "the I/O side restarted: count and targets are void", f"check its supply, make the line clear, {_CLEAR}"
    ),
    "count_jump": FaultKind(
        _A, "the belt count jumped", f"check encoder, wiring and counter, make the line clear, {_CLEAR}"
    ),
    "layout_unknown": FaultKind(_A, "the I/O side speaks another register layout", "set the points to the device"),
    "other_owner": FaultKind(_A, "another controller holds the I/O side", f"stop one of the two, {_CLEAR}"),
    "order_mismatch": FaultKind(
        _A, "an order was answered with another count", f"check word order and width of the points, {_CLEAR}"
    ),
    "order_refused": FaultKind(_A, "the I/O side refused an order that should stand", f"see the answer, {_CLEAR}"),
    "order_unanswered": FaultKind(_A, "an order was not answered", f"check the I/O side's program, {_CLEAR}"),
    "release_unexpected": FaultKind(
        _A, "the I/O side released what was not ordered", f"check the marker's trigger, {_CLEAR}"
    ),
    "release_misplaced": FaultKind(
        _A, "the I/O side released at another count than was ordered", f"check the I/O side's compare, {_CLEAR}"
    ),
    "release_missing": FaultKind(_A, "a target was passed and nothing was released", f"check the I/O side, {_CLEAR}"),
    "captures_lost": FaultKind(
        _A, "more detector edges came than the ring holds", f"raise least gap or shorten the scan, {_CLEAR}"
    ),
    "marker_fault": FaultKind(_H, "the marker reports a fault", "mend it at the marker, then Unhold"),
    "marker_not_ready": FaultKind(_H, "the marker is neither ready nor busy", "make it ready, then Unhold"),
    "misses_in_a_row": FaultKind(_H, "too many marks were missed one after the other", "see their reason, then Unhold"),
    "job_mismatch": FaultKind(_H, "the marker has another job loaded", "load the job asked for, then Unhold"),
    "encoder_stalled": FaultKind(
        _H, "the drive runs but the encoder does not count", "check wheel contact and cable, then Unhold"
    ),
    "jam": FaultKind(_H, "the detector has been blocked for too long", "clear the product away, then Unhold"),
    "journal_failed": FaultKind(_H, "the journal cannot be written", "free the disk or mend the file, then Unhold"),
    "upstream_empty": FaultKind(_SU, "nothing comes from upstream", "wait, or Unsuspend when product is there"),
    "downstream_blocked": FaultKind(_SU, "downstream is blocked", "wait, or Unsuspend when it is free"),
    "stop_requested": FaultKind(_ST, "the line asked to stop", "Reset and Start when the line is ready"),
    "backing_up": FaultKind(_W, "the belt runs backward", "nothing is marked until it is past where it was"),
    "counting_while_stopped": FaultKind(_W, "the encoder counts although the drive is off", "check drive signal"),
    "silent": FaultKind(_W, "no product for a long time", "check the detector and the supply of product"),
}


def check_raised(name: str, reaction: str) -> None:
    """Refuse an unknown fault or a reaction weaker than the table's. Raises ValueError with a clear line."""
    if name not in FAULTS:
        raise ValueError(f"no fault is called {name!r}")
    names = [r.name.lower() for r in Reaction]
    if reaction.lower() not in names:
        raise ValueError(f"reaction {reaction!r} is not one of {', '.join(names)}")
    if Reaction[reaction.upper()] < FAULTS[name].reaction:
        raise ValueError(
            f"{name} reacts with {FAULTS[name].reaction.name.lower()}; that may be raised, not lowered to {reaction}"
        )


@dataclass(slots=True)
class _Entry:
    detail: str
    since_ns: int
    active: bool = True
    acknowledged: bool = False
    count: int = 1


class FaultBook:
    """The faults of one line: what is active, what is not acknowledged yet, and the first cause of a stop."""

    def __init__(self, raised: dict[str, str] | None = None) -> None:
        self._entries: dict[str, _Entry] = {}
        self._raised = {name: Reaction[reaction.upper()] for name, reaction in (raised or {}).items()}
        self._levels: dict[str, str] = {}
        """Present now, the most telling first. Not a set: its order would differ from process to process."""
        self.first: str = ""
        self.may_stop = False
        """Whether the line is in a state that a fault can stop: only then is a fault the first cause of a stop."""
        self.reported: list[str] = []
        """Faults that were events since the line last reacted."""
        self.events: list[FaultChanged] = []
        self.totals: dict[str, int] = {}

    def reaction(self, name: str) -> Reaction:
        """The reaction in force, the table's or the stronger one the plant asked for."""
        return self._raised.get(name, FAULTS[name].reaction)

    def update(self, present: dict[str, str], t_ns: int) -> None:
        """Bring the faults that last as long as their cause in line with what is present: name → detail."""
        if not present and not self._levels:
            return
        for name, detail in present.items():
            self._raise(name, detail, t_ns)
        for name in self._levels:
            if name not in present:
                self._lower(name, t_ns)
        self._levels = dict(present)

    def report(self, name: str, detail: str, t_ns: int) -> None:
        """A fault that is an event: it is raised, and gone at once but for being acknowledged."""
        self._raise(name, detail, t_ns)
        self._lower(name, t_ns)
        self.reported.append(name)

    def _raise(self, name: str, detail: str, t_ns: int) -> None:
        entry = self._entries.get(name)
        if entry is not None and entry.active:
            entry.detail = detail
            return
        if entry is None:
            self._entries[name] = _Entry(detail, t_ns)
        else:
            entry.detail, entry.since_ns, entry.active, entry.acknowledged = detail, t_ns, True, False
            entry.count += 1
        self.totals[name] = self.totals.get(name, 0) + 1
        # A hold that becomes an abort has the abort's cause: the stop that the line is in now is what people ask about.
        before = self.reaction(self.first) if self.first else Reaction.WARN
        first = self.may_stop and self.reaction(name) > before
        if first:
            self.first = name
        self.events.append(FaultChanged(t_ns, name, FaultPhase.RAISED, detail, first))

    def _lower(self, name: str, t_ns: int) -> None:
        entry = self._entries[name]
        entry.active = False
        self.events.append(FaultChanged(t_ns, name, FaultPhase.CLEARED, entry.detail))
        if entry.acknowledged or self.reaction(name) is Reaction.WARN:
            del self._entries[name]

    def acknowledge(self, name: str, t_ns: int) -> bool:
        """Acknowledge one fault, or all with an empty name; whether there was one to acknowledge."""
        chosen = [n for n, e in self._entries.items() if not e.acknowledged and name in ("", n)]
        for each in chosen:
            entry = self._entries[each]
            entry.acknowledged = True
            self.events.append(FaultChanged(t_ns, each, FaultPhase.ACKNOWLEDGED, entry.detail))
            if not entry.active:
                del self._entries[each]
        return bool(chosen)

    def reset(self, t_ns: int) -> None:
        """Forget the first cause and acknowledge what has gone."""
        self.first = ""
        for name in [n for n, e in self._entries.items() if not e.active]:
            self.acknowledge(name, t_ns)

    def stop_over(self) -> None:
        """The line runs again: what stopped it is past, and a cause still present is that of the next stop."""
        self.first = max(self.present(Reaction.SUSPEND), key=self.reaction, default="")

    @property
    def any_present(self) -> bool:
        """Whether the cause of any fault is present."""
        return bool(self._levels)

    def is_active(self, name: str) -> bool:
        """Whether the fault's cause is present now."""
        return name in self._levels

    def present(self, least: Reaction) -> list[str]:
        """The names of the faults present now that react at least so strongly."""
        return [n for n in self._levels if self.reaction(n) >= least]

    def describe(self, name: str) -> str:
        """The fault in one line, with its detail."""
        entry = self._entries.get(name)
        detail = f" ({entry.detail})" if entry is not None and entry.detail else ""
        return f"{FAULTS[name].text}{detail}"

    def views(self) -> tuple[FaultView, ...]:
        """All faults that are present or not acknowledged, the first cause first, then by age."""
        rows = sorted(self._entries.items(), key=lambda item: (item[0] != self.first, item[1].since_ns))
        return tuple(
            FaultView(
                name, FAULTS[name].text, FAULTS[name].mend, self.reaction(name).name.lower(), e.detail,
                e.active, e.acknowledged, name == self.first, e.count, e.since_ns,
            )
            for name, e in rows
        )  # fmt: skip
