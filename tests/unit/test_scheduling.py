"""What the system grants is used, what it refuses is said; either way the process goes on."""

from __future__ import annotations

import json
import os
import platform
import subprocess
import sys
from pathlib import Path

import pytest

from controller.scheduling import PRIORITY, NoSuchLoopError, event_loop

CLAIM = """
import json, os, threading
from controller.scheduling import claim_real_time
end = threading.Event()
writer = threading.Thread(target=end.wait)
writer.start()
before = os.sched_getscheduler(0)
refused = claim_real_time()
def of(thread):
    return [os.sched_getscheduler(thread), os.sched_getparam(thread).sched_priority]
print(json.dumps({"refused": refused, "before": before, "loop": of(0), "writer": of(writer.native_id)}))
end.set()
"""


@pytest.mark.skipif(not hasattr(os, "sched_setscheduler"), reason="this system has no real-time scheduling")
def test_real_time_is_claimed_for_the_loop_and_less_for_a_writer_or_refused_in_words() -> None:
    done = subprocess.run([sys.executable, "-c", CLAIM], capture_output=True, text=True, check=True, timeout=60)
    found = json.loads(done.stdout)
    if any(text.startswith("no real-time scheduling") for text in found["refused"]):
        assert found["loop"][0] == found["writer"][0] == found["before"]
    else:
        assert found["loop"] == [os.SCHED_FIFO, PRIORITY]
        assert found["writer"] == [os.SCHED_FIFO, PRIORITY - 1]
    assert all("\n" not in text for text in found["refused"])


SLICE = """
import json, os, pathlib, threading
from controller.scheduling import claim_short_slice
os.nice(3)
end = threading.Event()
writer = threading.Thread(target=end.wait)
writer.start()
def of(thread):
    lines = pathlib.Path(f"/proc/self/task/{thread}/sched").read_text().splitlines()
    slices = [int(line.split()[-1]) for line in lines if line.startswith("se.slice")]
    return [slices, os.sched_getscheduler(thread), os.getpriority(os.PRIO_PROCESS, thread)]
ours = threading.get_native_id()
before = [of(ours), of(writer.native_id)]
taken = claim_short_slice()
print(json.dumps({"taken": taken, "before": before, "after": [of(ours), of(writer.native_id)]}))
end.set()
"""


@pytest.mark.skipif(not Path("/proc/self/sched").exists(), reason="this system does not show a thread's slice")
def test_a_short_slice_is_the_loops_alone_and_changes_nothing_else() -> None:
    done = subprocess.run([sys.executable, "-c", SLICE], capture_output=True, text=True, check=True, timeout=60)
    found = json.loads(done.stdout)
    (slices, policy, nice), writer = found["before"]
    release = tuple(int(part) for part in platform.release().split(".")[:2])
    if found["taken"] and slices and release >= (6, 12):
        slices = [100_000]
    assert found["after"] == [[slices, policy, nice], writer]


def test_the_usual_event_loop_needs_nothing_and_one_that_is_not_there_is_said() -> None:
    assert event_loop("asyncio") is None
    with pytest.raises(NoSuchLoopError, match=r"nosuchloop is not installed; install it"):
        event_loop("nosuchloop")
