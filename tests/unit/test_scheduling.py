"""What the system grants is used, what it refuses is said; either way the process goes on."""

from __future__ import annotations

import json
import os
import subprocess
import sys

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


def test_the_usual_event_loop_needs_nothing_and_one_that_is_not_there_is_said() -> None:
    assert event_loop("asyncio") is None
    with pytest.raises(NoSuchLoopError, match=r"nosuchloop is not installed; install it"):
        event_loop("nosuchloop")
