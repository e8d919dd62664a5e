"""What the system grants is used, what it refuses is said; either way the process goes on."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import pytest

from controller.scheduling import NoSuchLoopError, event_loop

CLAIM = """
import json, os, threading
from controller.scheduling import claim_real_time
refused, later = claim_real_time(), []
thread = threading.Thread(target=lambda: later.append(os.sched_getscheduler(threading.get_native_id())))
thread.start()
thread.join()
ours = os.sched_getscheduler(0) & ~os.SCHED_RESET_ON_FORK
print(json.dumps({"refused": refused, "fifo": ours == os.SCHED_FIFO, "later": later}))
"""


@pytest.mark.skipif(not hasattr(os, "sched_setscheduler"), reason="this system has no real-time scheduling")
def test_real_time_is_claimed_for_the_loop_alone_or_refused_in_words() -> None:
    done = subprocess.run([sys.executable, "-c", CLAIM], capture_output=True, text=True, check=True, timeout=60)
    found = json.loads(done.stdout)
    said = [text for text in found["refused"] if text.startswith("no real-time scheduling")]
    assert found["fifo"] is not bool(said)
    assert found["later"] == [os.SCHED_OTHER]
    assert all("\n" not in text for text in found["refused"])


def test_the_usual_event_loop_needs_nothing_and_one_that_is_not_there_is_said() -> None:
    assert event_loop("asyncio") is None
    with pytest.raises(NoSuchLoopError, match=r"nosuchloop is not installed; install it"):
        event_loop("nosuchloop")
