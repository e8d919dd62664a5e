"""Collecting garbage while nobody is due: one tidier for all loops of a process, since a collection stops them all."""

from __future__ import annotations

import gc
import time

EVERY_NS = 1_000_000_000
LATEST_NS = 30_000_000_000
"""Garbage is collected between two scans, once a second where there is time for it, and at the latest so often."""


class Tidier:
    """Knows when each loop is due next, and when the last collection was."""

    def __init__(self) -> None:
        self._due_ns: dict[int, int] = {}
        self._begun_ns = self._ended_ns = 0
        self._cost_ns = 1_000_000

    def tidy(self, who: object, due_ns: int) -> None:
        """Collect, if no loop is due meanwhile or it can wait no longer. `who` is due next at `due_ns`."""
        self._due_ns[id(who)] = due_ns
        now_ns = time.monotonic_ns()
        since_ns = now_ns - self._ended_ns
        if since_ns < EVERY_NS:
            return
        if since_ns < LATEST_NS and now_ns + 2 * self._cost_ns >= min(self._due_ns.values()):
            return
        gc.collect()
        self._begun_ns, self._ended_ns = now_ns, time.monotonic_ns()
        self._cost_ns = self._ended_ns - now_ns

    def forget(self, who: object) -> None:
        """A loop has ended: it is due no more."""
        self._due_ns.pop(id(who), None)

    def took_ns(self, from_ns: int, to_ns: int) -> int:
        """How much of that time the last collection took."""
        return max(0, min(to_ns, self._ended_ns) - max(from_ns, self._begun_ns))
