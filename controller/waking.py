"""Waking at an instant: asyncio's own timers count whole milliseconds, a timer of the kernel's as a reader does not.

Linux only; elsewhere, or where the event loop takes no readers, the ordinary sleep stands in and the spin is longer.
"""

from __future__ import annotations

import asyncio
import ctypes
import os
import time
from collections import deque
from typing import Self

_CLOCK_MONOTONIC = 1
_ABSOLUTE = 1
_NONBLOCK_CLOEXEC = os.O_NONBLOCK | os.O_CLOEXEC
SPIN_LEAST_NS, SPIN_MOST_NS = 150_000, 1_500_000
"""The last stretch before an exact instant is spun, by as much as waking has been late of late, within these."""
SLEEP_SPIN_NS = 2_500_000
"""The same where only the ordinary sleep is there."""
LATELY = 64
APPROACH_NS = 400_000
"""So long before an instant other threads give way to whoever waits for it."""
_PAST_NS = 100_000
_awaited: list[int] = []
"""Instants that wakers of this process wait for now."""


def give_way() -> None:
    """For threads that need not be on time: sleep over the instant that a waker is about to wake at, if there is one.

    A thread at work at that instant has the interpreter, or the core, that the waker then wants. It sleeps once, so
    that many wakers do not keep it from its work.
    """
    if away_ns := in_the_way_ns(time.monotonic_ns()):
        time.sleep(away_ns * 1e-9)


def in_the_way_ns(now_ns: int) -> int:
    """How long to be away from `now_ns` on, in ns: half a millisecond at most; 0 where nobody is about to wake."""
    for instant_ns in tuple(_awaited):
        if 0 <= instant_ns - now_ns < APPROACH_NS:
            return instant_ns - now_ns + _PAST_NS
    return 0


class _Timespec(ctypes.Structure):
    _fields_ = (("seconds", ctypes.c_long), ("nanoseconds", ctypes.c_long))


class _Itimerspec(ctypes.Structure):
    _fields_ = (("interval", _Timespec), ("value", _Timespec))


class Waker:
    """Waits for instants of the monotonic clock, one at a time. Open it within the running loop; close it after."""

    def __init__(self) -> None:
        self._fd = -1
        self._libc: ctypes.CDLL | None = None
        # Filled anew for each instant: to make one costs as much again as to set the timer.
        self._spec = _Itimerspec()
        self._spec_at = ctypes.byref(self._spec)
        self._waiting: asyncio.Future[None] | None = None
        self._late_ns: deque[int] = deque(maxlen=LATELY)

    @classmethod
    def open(cls) -> Self:
        """Make a waker for the running loop; where there is no such timer it falls back on sleeping."""
        waker = cls()
        try:
            libc = ctypes.CDLL(None, use_errno=True)
            fd = libc.timerfd_create(_CLOCK_MONOTONIC, _NONBLOCK_CLOEXEC)
        except (OSError, AttributeError):
            return waker
        if fd < 0:
            return waker
        try:
            asyncio.get_running_loop().add_reader(fd, waker._fired)
        except NotImplementedError:
            os.close(fd)
            return waker
        waker._fd, waker._libc = fd, libc
        return waker

    @property
    def fine(self) -> bool:
        """Whether the kernel's timer is in use."""
        return self._libc is not None

    def close(self) -> None:
        """Let the timer go; harmless when it is gone."""
        if self._fd >= 0:
            asyncio.get_running_loop().remove_reader(self._fd)
            os.close(self._fd)
        self._fd, self._libc = -1, None

    async def until(self, instant_ns: int) -> None:
        """Wait until `time.monotonic_ns()` has come to the instant; others run meanwhile, at the least once."""
        if self._libc is None:
            await asyncio.sleep(0)
            while (left_ns := instant_ns - time.monotonic_ns()) > 0:  # noqa: ASYNC110 - an instant is no event
                await asyncio.sleep(left_ns / 1e9)
            return
        if instant_ns <= time.monotonic_ns():
            await asyncio.sleep(0)
            return
        self._set(instant_ns)
        self._waiting = asyncio.get_running_loop().create_future()
        _awaited.append(instant_ns)
        try:
            await self._waiting
        finally:
            self._waiting = None
            _awaited.remove(instant_ns)
        self._late_ns.append(time.monotonic_ns() - instant_ns)

    async def exactly(self, instant_ns: int) -> None:
        """Wait as `until`, and spin over the last stretch; nothing else of the process runs during it."""
        early_ns = instant_ns - self.spin_ns
        _awaited.append(instant_ns)
        try:
            if early_ns > time.monotonic_ns():
                await self.until(early_ns)
            while time.monotonic_ns() < instant_ns:
                pass
        finally:
            _awaited.remove(instant_ns)

    @property
    def spin_ns(self) -> int:
        """How long before an exact instant the spin begins: what nearly every waking of late was late by at most."""
        if self._libc is None:
            return SLEEP_SPIN_NS
        if not self._late_ns:
            return SPIN_MOST_NS
        usual_ns = sorted(self._late_ns)[int(0.95 * (len(self._late_ns) - 1))]
        return min(SPIN_MOST_NS, max(SPIN_LEAST_NS, 2 * usual_ns))

    def _set(self, instant_ns: int) -> None:
        assert self._libc is not None
        when = self._spec.value
        when.seconds, when.nanoseconds = divmod(instant_ns, 1_000_000_000)
        if self._libc.timerfd_settime(self._fd, _ABSOLUTE, self._spec_at, None):
            raise OSError(ctypes.get_errno(), "timerfd_settime")

    def _fired(self) -> None:
        try:
            os.read(self._fd, 8)
        except BlockingIOError:
            return  # it was set anew between the event and its reading
        if self._waiting is not None and not self._waiting.done():
            self._waiting.set_result(None)
