"""A snapshot as plain values for JSON: names for states and modes, plain numbers with their unit in the name."""

from __future__ import annotations

import dataclasses
from typing import Any

from controller.model import Counters, Forced
from controller.modes import title
from controller.point_values import Look
from controller.snapshot import Snapshot


def products(counters: Counters, in_flight: int) -> dict[str, int]:
    """Where every product is: detected = marked + part marked + unmarked + unknown + in flight."""
    return {"detected": counters.detected, **{f.value: n for f, n in counters.products.items()}, "in_flight": in_flight}


def requests(counters: Counters, pending: int) -> dict[str, Any]:
    """Where every mark request is; only the reasons that occurred are named."""
    return {
        "created": counters.created,
        "marked": counters.marked,
        "dry": counters.dry,
        "pending": pending,
        "missed": {reason.value: n for reason, n in counters.missed.items() if n},
    }


def controller_part(snapshot: Snapshot, *, virtual: bool, duration_s: float, wall_s: float) -> dict[str, Any]:
    """What the controller says of a whole run, under the names that scripts rely on; times in s."""
    return {
        "line": snapshot.line,
        "job": snapshot.job,
        "path": snapshot.path,
        "virtual": virtual,
        "dry": snapshot.dry,
        "duration_s": round(duration_s, 3),
        "wall_s": round(wall_s, 3),
        "balanced": snapshot.balanced,
        "state": title(snapshot.state),
        "first_cause": snapshot.first_cause,
        "products": products(snapshot.counters, snapshot.in_flight),
        "requests": requests(snapshot.counters, snapshot.pending),
    }


def plain(snapshot: Snapshot) -> dict[str, Any]:
    """The whole snapshot; times of faults as their age in s, since monotonic time means nothing outside."""
    s = snapshot
    faults = []
    for view in s.faults:
        row = dataclasses.asdict(view)
        row["age_s"] = round((s.t_ns - row.pop("since_ns")) / 1e9, 3)
        faults.append(row)
    return {
        "line": s.line,
        "job": s.job,
        "state": title(s.state),
        "state_number": int(s.state),
        "mode": s.mode.name.capitalize(),
        "remote": s.remote,
        "dry": s.dry,
        "status_age_ms": None if s.status_age_ns is None else round(s.status_age_ns / 1e6, 3),
        "link_error": s.link_error,
        "travel_counts": s.travel_counts,
        "speed_mm_s": round(s.speed_mm_s, 3),
        "unknown_mm": round(s.unknown_mm, 3),
        "armed": s.armed,
        "products": products(s.counters, s.in_flight),
        "requests": requests(s.counters, s.pending),
        "test_marks": s.counters.test_marks,
        "balanced": s.balanced,
        "faults": faults,
        "first_cause": s.first_cause,
        "not_permitted": s.not_permitted,
        "next_step": s.next_step,
        "lead_ms": round(s.lead_ms, 3),
        "lead_mm": round(s.lead_mm, 3),
        "exchange_ms": round(s.exchange_ms, 3),
        "worst_exchange_ms": round(s.worst_exchange_ms, 3),
        "scans": s.scans,
        "job_loaded": s.job_loaded,
        "forced": forced(s.forced, s.t_ns),
        "not_forcible": s.not_forcible,
    }


def looked(look: Look) -> dict[str, Any]:
    """The values of all points, with their age in ms (None: never read) and the output that someone holds."""
    return {
        "values": look.values,
        "age_ms": None if look.age_ns is None else round(look.age_ns / 1e6, 3),
        "link_error": look.error,
        "forced": forced(look.forced, look.t_ns),
    }


def forced(held: Forced | None, now_ns: int) -> dict[str, Any] | None:
    """The output that someone holds, with its age in s; None: all are as the controller wants them."""
    if held is None:
        return None
    return {"name": held.name, "on": held.on, "who": held.who, "age_s": round((now_ns - held.since_ns) / 1e9, 3)}
