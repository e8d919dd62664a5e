"""What a process may ask of the system to wake on time: a faster event loop, real-time scheduling, locked memory.

All of it is optional. What is refused is said in plain words with what to do, and the process goes on without.
"""

from __future__ import annotations

import asyncio
import ctypes
import errno
import importlib
import os
import platform
import struct
import sys
import threading
from collections.abc import Callable
from pathlib import Path

PRIORITY = 40
"""Of SCHED_FIFO: above every ordinary program, below the kernel's own interrupt threads (50)."""
_CURRENT_FUTURE_ONFAULT = 1 | 2 | 4
_CAP_IPC_LOCK = 14
_SLICE_NS = 100_000
"""The least that Linux takes."""
_SCHED_SETATTR = {"x86_64": 314, "aarch64": 274, "riscv64": 274}
"""Machine → the number of a system call that the C library does not offer yet."""
_SCHED_ATTR = "=IIQiIQQQ"
"""Its size, policy, flags, nice value, priority, slice in ns, and two that are for other policies."""

LoopFactory = Callable[[], asyncio.AbstractEventLoop]


class NoSuchLoopError(Exception):
    """The event loop that was asked for is not installed; one line, with what to do."""


def event_loop(name: str) -> LoopFactory | None:
    """How to make the event loop of that name; None: the one Python has. Raises NoSuchLoopError."""
    if name == "asyncio":
        return None
    try:
        factory: LoopFactory = importlib.import_module(name).new_event_loop
    except ImportError:
        raise NoSuchLoopError(
            f"--event-loop {name}: {name} is not installed; install it (pip install 'beltcue[fast]'), "
            "or leave --event-loop out"
        ) from None
    return factory


def claim_short_slice() -> bool:
    """Ask that this thread, when it wakes, need not wait until another has used up its slice; True when it was taken.

    It needs no rights. Threads begun later inherit it, so ask after those are begun that shall give way. Linux before
    6.12 takes it without effect; real-time scheduling, where it was given, is more and stays.
    """
    number = _SCHED_SETATTR.get(platform.machine())
    if number is None or sys.platform != "linux" or sys.maxsize < 1 << 32:
        return False
    if os.sched_getscheduler(0) != os.SCHED_OTHER:
        return False
    nice = os.getpriority(os.PRIO_PROCESS, 0)
    size = struct.calcsize(_SCHED_ATTR)
    wanted = ctypes.create_string_buffer(
        struct.pack(_SCHED_ATTR, size, os.SCHED_OTHER, 0, nice, 0, _SLICE_NS, 0, 0), size
    )
    try:
        refused: int = ctypes.CDLL(None).syscall(number, 0, wanted, 0)
    except (OSError, AttributeError):
        return False
    return refused == 0


def claim_real_time() -> list[str]:
    """Ask for real-time scheduling and for memory that is never paged out; what was refused, in words.

    The threads that there are besides this one come just below it: a writer of records must give way to a scan, but
    not to other programs while it holds the interpreter, since the scan would wait with it.
    """
    return [refused for refused in (_schedule(), _lock_memory()) if refused]


def _schedule() -> str:
    if not hasattr(os, "sched_setscheduler"):
        return "no real-time scheduling: this system has none"
    ours = threading.get_native_id()
    try:
        for thread in threading.enumerate():
            if thread.native_id is not None:
                priority = PRIORITY - (thread.native_id != ours)
                os.sched_setscheduler(thread.native_id, os.SCHED_FIFO, os.sched_param(priority))
    except ProcessLookupError:
        return ""  # a thread that has just ended
    except PermissionError:
        return (
            f"no real-time scheduling: the system does not permit it; in a systemd unit write LimitRTPRIO={PRIORITY} "
            "or AmbientCapabilities=CAP_SYS_NICE, by hand raise the user's rtprio limit (ulimit -r)"
        )
    except OSError as error:
        return f"no real-time scheduling: {error.strerror}"
    return ""


def _lock_memory() -> str:
    if not _may_lock_all():
        return (
            "memory is not locked: the system permits too little of it; in a systemd unit write LimitMEMLOCK=infinity, "
            "by hand raise the user's memlock limit (ulimit -l)"
        )
    try:
        libc = ctypes.CDLL(None, use_errno=True)
        refused = libc.mlockall(_CURRENT_FUTURE_ONFAULT)
    except (OSError, AttributeError):
        return "memory is not locked: this system cannot"
    return f"memory is not locked: {errno.errorcode.get(ctypes.get_errno(), 'error')}" if refused else ""


def _may_lock_all() -> bool:
    """Whether all memory may be locked, also what is asked for later: a limit met then would be the process's end."""
    try:
        import resource
    except ImportError:
        return False
    if resource.getrlimit(resource.RLIMIT_MEMLOCK)[0] == resource.RLIM_INFINITY:
        return True
    try:
        status = Path("/proc/self/status").read_text()
    except OSError:
        return False
    effective = next((line.split()[1] for line in status.splitlines() if line.startswith("CapEff:")), "0")
    return bool(int(effective, 16) >> _CAP_IPC_LOCK & 1)
