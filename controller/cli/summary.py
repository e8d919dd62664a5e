"""How a run ended, in a few rows for whoever reads the terminal."""

from __future__ import annotations

from typing import Any

from controller.cli.panel import counts_text


def summary_rows(summary: dict[str, Any]) -> list[tuple[str, str]]:
    """The end of a run in a few rows, with units."""
    products, requests = summary["products"], summary["requests"]
    made = {k: requests[k] for k in ("created", "marked", "dry", "pending")}
    return [
        ("run", f"line {summary['line']}, job {summary['job']}, {summary['duration_s']:.1f} s"),
        ("ended", f"in {summary['state']}, because {summary['ended']}"),
        ("products", counts_text(products)),
        ("marks", counts_text(made)),
        ("missed", counts_text(requests["missed"])),
        ("faults", counts_text(summary["faults"])),
        ("balance", "every product and every mark is accounted for" if summary["balanced"] else "DOES NOT ADD UP"),
        ("scan", scan_text(summary["scan"])),
    ]


def scan_text(scan: dict[str, Any]) -> str:
    """How the scans were kept: their length, the exchanges, overruns and those that the link limited."""
    return (
        f"{scan['scan_ms']:g} ms = the greater of period {scan['period_ms']:g} ms and exchange "
        f"(median {scan['exchange_median_ms']:g}, 99 % {scan['exchange_p99_ms']:g}, "
        f"worst {scan['exchange_worst_ms']:g} ms); "
        f"{_overruns_text(scan)}; begun late by {scan['late_median_us'] / 1e3:g} ms (median), "
        f"{scan['late_p99_us'] / 1e3:g} (99 %), {scan['worst_late_ms']:g} (worst); "
        f"{scan['link_limited']} scans link-limited{_sends_text(scan)}"
    )


def _overruns_text(scan: dict[str, Any]) -> str:
    number, worst = scan["overruns"], scan["worst_overruns"]
    text = "1 overrun" if number == 1 else f"{number} overruns"
    return f"{text} (the worst {worst[0]['late_ms']:g} ms: {worst[0]['what']})" if worst else text


def _sends_text(scan: dict[str, Any]) -> str:
    if "timed_sends" not in scan:
        return ""
    return (
        f"; {scan['timed_sends']} timed releases sent late by {scan['send_late_median_us']:g} us (median), "
        f"{scan['send_late_p99_us']:g} (99 %), {scan['send_late_worst_us']:g} (worst)"
    )
