"""Images of a line, as the servers for the plant are handed them."""

from __future__ import annotations

import dataclasses
from typing import Any

from controller.faults import FAULTS
from controller.model import Counters, Mode, State
from controller.plant.image import LineAbout, LineImage, LinkTiming
from controller.snapshot import FaultView, Snapshot

WALL_NS = 1_795_000_000_000_000_000
"""Some day in 2026."""
T_NS = 50_000_000_000

ABOUT = LineAbout(
    name="demo", job="tea-carton-flap", job_number=7, stations=("flap",), interlocks=("guard",), top_speed_mm_s=500.0,
    scale_mm=0.0375, distance_mm=400.0, lost_after_s=0.2, period_s=0.01, length_unit="mm", speed_unit="m/min",
)  # fmt: skip

SNAPSHOT = Snapshot(
    t_ns=T_NS, line="demo", job="tea-carton-flap", path="compare", state=State.STOPPED, state_ns=40_000_000_000,
    mode=Mode.PRODUCTION, remote=True, dry=False, status_age_ns=4_000_000, link_error="", travel_counts=16_000,
    speed_mm_s=250.0, unknown_mm=0.0, in_flight=2, pending=1, armed=1, counters=Counters(detected=2, created=1),
    balanced=True, faults=(), first_cause="", not_permitted="", next_step="Reset", lead_ms=30.0, lead_mm=7.5,
    exchange_ms=1.5, worst_exchange_ms=4.0, scans=1000, job_loaded=7,
)  # fmt: skip

TIMING = LinkTiming(
    exchanges=1000, failed=3, reconnects=1, overruns=2, link_limited=0, exchange_median_us=400.0,
    exchange_p99_us=1500.0, late_median_us=60.0, late_p99_us=200.0,
)  # fmt: skip


def image(later_ns: int = 0, **changed: Any) -> LineImage:
    """The line `later_ns` after the first image, with what has changed of its snapshot."""
    snapshot = dataclasses.replace(SNAPSHOT, t_ns=T_NS + later_ns, **changed)
    return LineImage(snapshot, TIMING, WALL_NS + later_ns)


def fault(name: str, detail: str = "", since_ns: int = T_NS, **changed: Any) -> FaultView:
    """A fault that has just come, with what is otherwise."""
    kind = FAULTS[name]
    view = FaultView(name, kind.text, kind.mend, kind.reaction.name.lower(), detail, True, False, False, 1, since_ns)
    return dataclasses.replace(view, **changed)
