"""A running line on one screen: plain rows of a name and its text, the same for `status` and for the bench."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from controller.units import Display

if TYPE_CHECKING:
    from rich.table import Table


def display_of(status: dict[str, Any]) -> Display:
    """The units this line's people read."""
    return Display(**status["display"])


def counts_text(values: dict[str, Any]) -> str:
    """Counts by name, such as "late 3, busy 1"; "none" where there are none."""
    return ", ".join(f"{name.replace('_', ' ')} {n}" for name, n in values.items()) or "none"


def rows(status: dict[str, Any]) -> list[tuple[str, str]]:
    """What an operator wants to see, in the order in which it matters; every figure with its unit."""
    display = display_of(status)
    products, requests = status["products"], status["requests"]
    where = "plant (remote)" if status["remote"] else "here (local)"
    made = f"dry {requests['dry']} (enable stays off)" if status["dry"] else f"marked {requests['marked']}"
    saved = f", {status['job_state']['says']}" if "job_state" in status else ""
    table = [
        ("line", f"{status['line']}, job {status['job']}{saved}"),
        ("state", f"{status['state']} ({status['state_number']}), mode {status['mode']}, commands from {where}"),
        ("speed", display.speed(status["speed_mm_s"])),
        ("products", counts_text(products)),
        ("marks", f"asked for {requests['created']}, {made}, pending {requests['pending']}, armed {status['armed']}"),
        ("missed", counts_text(requests["missed"])),
        ("lead", f"{display.time(status['lead_ms'] / 1e3)}, {display.length(status['lead_mm'], 4)}"),
        ("link", _link(status, display)),
    ]
    if status["test_marks"]:
        table.append(("test marks", str(status["test_marks"])))
    if status["unknown_mm"] > 0:
        table.append(("unknown", f"{display.length(status['unknown_mm'], 4)} of line may hold products not seen"))
    if status["forced"] is not None:
        forced = status["forced"]
        held = f"{forced['name']} = {int(forced['on'])} by {forced['who']} for {display.time(forced['age_s'])}"
        table.append(("FORCED", f"{held}, not as the controller wants it"))
    if status.get("drift"):
        table.append(("drift", status["drift"]))
    if not status["balanced"]:
        table.append(("BALANCE", "the counts do not add up: a defect of this program, please report it"))
    table += [("fault", _fault(fault)) for fault in status["faults"]]
    if status["first_cause"]:
        table.append(("first cause", status["first_cause"]))
    if status["not_permitted"]:
        table.append(("no start", status["not_permitted"]))
    if status["next_step"]:
        table.append(("next", status["next_step"]))
    return table


def table(pairs: list[tuple[str, str]]) -> Table:
    """The rows as a table for a terminal."""
    from rich.table import Table
    from rich.text import Text

    grid = Table.grid(padding=(0, 2))
    for name, text in pairs:
        grid.add_row(Text(name, style="bold"), Text(text))
    return grid


def _link(status: dict[str, Any], display: Display) -> str:
    address = status["address"]
    if status["link_error"]:
        return f"{address} DOWN: {status['link_error']}"
    if status["status_age_ms"] is None:
        return f"{address}: no answer yet"
    age, took, worst = (display.time(status[k] / 1e3, 3) for k in ("status_age_ms", "exchange_ms", "worst_exchange_ms"))
    return f"{address}, exchange {took} (worst of late {worst}), {age} old"


def _fault(fault: dict[str, Any]) -> str:
    phase = "present" if fault["active"] else "gone"
    seen = "" if fault["acknowledged"] else ", not acknowledged"
    detail = f" ({fault['detail']})" if fault["detail"] else ""
    return f"{fault['name']}: {fault['text']}{detail}; {phase}{seen}; {fault['mend']}"
