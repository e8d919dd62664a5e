"""What a bench shows: live progress while it runs, then the verdict; every figure with its unit."""

from __future__ import annotations

import sys
import time
from typing import Any, Self

from rich.console import Console
from rich.live import Live

from controller.cli.panel import counts_text, rows, table
from controller.serial_line import place_text
from controller.units import Display

LINE_EVERY_S = 2.0
"""How often a line is printed where there is no terminal to draw on."""


def placement_text(placement: dict[str, Any], display: Display) -> str:
    """Where the marks landed, in one line."""
    if not placement["n"]:
        return "no mark hit a product"
    count_mm = placement["count_mm"]
    most_mm = placement["max_abs_mm"]
    return (
        f"{placement['n']} marks: largest error {display.length(most_mm, 3)} ({most_mm / count_mm:.2f} count), "
        f"mean {display.length(placement['mean_mm'], 2)} ({placement['mean_mm'] / count_mm:+.3f} count), "
        f"99 % within {display.length(placement['p99_abs_mm'], 3)}; "
        f"allowed {display.length(placement['tolerance_mm'], 3)}"
    )


def response_text(response: dict[str, Any], display: Display) -> str:
    """What the markers' response times allow beside the count, and how the worst mark stands against both."""
    text = (
        f"beside one count ({display.length(response['count_mm'], 3)}), |speed at release − predicted| × response is "
        f"at most {display.length(response['speed_term_max_mm'], 3)}"
    )
    beyond_mm = response["beyond_both_max_mm"]
    if beyond_mm is None:
        return text
    if beyond_mm <= 0:
        return f"{text}; every mark stays {display.length(-beyond_mm, 3)} or more within the two"
    return f"{text}; a mark lies {display.length(beyond_mm, 3)} beyond the two"


def verdict_rows(verdict: dict[str, Any], display: Display) -> list[tuple[str, str]]:
    """The truth about the marks, row by row."""
    world = verdict["world"]
    made = [
        ("world", counts_text(world)),
        ("placement", placement_text(verdict["placement"], display)),
        ("wrong marks", f"twice {verdict['doubles']}, off every product {verdict['off_product']}"),
    ]
    for row in verdict["by_speed"]:
        spread = "" if row["sd_mm"] is None else f", sd {display.length(row['sd_mm'], 2)}"
        kind = "" if row.get("steady") else " (changing)"
        made.append(
            (
                f"  {display.speed(row['speed_mm_s'], 3)}",
                f"{row['n']} marks, mean {display.length(row['mean_mm'], 2)}{spread}{kind}",
            )
        )
    return made


def bench_rows(result: dict[str, Any], display: Display) -> list[tuple[str, str]]:
    """The whole verdict of a bench, row by row."""
    requests = result["requests"]
    made = {key: requests[key] for key in ("created", "marked", "dry", "pending")}
    where = "in virtual time" if result["virtual"] else "over real sockets"
    return [
        (
            "bench",
            f"line {result['line']}, scenario {result['scenario']}, seed {result['seed']}, path {result['path']}",
        ),
        (
            "time",
            f"{result['duration_s']:.1f} s {where}, {result['wall_s']:.1f} s on the wall, ended {result['state']}",
        ),
        ("products", counts_text(result["products"])),
        ("marks", counts_text(made)),
        ("missed", counts_text(requests["missed"])),
        ("faults", counts_text(result["faults"])),
        ("balance", "every product and every mark is accounted for" if result["balanced"] else "DOES NOT ADD UP"),
        *verdict_rows(result, display),
        ("response", response_text(result["response"], display)),
        *_scan_rows(result),
        *(("NOT GOOD", reason) for reason in result["shortfalls"]),
        ("verdict", "GOOD" if result["good"] else "NOT GOOD"),
    ]


def _scan_rows(result: dict[str, Any]) -> list[tuple[str, str]]:
    from controller.cli.summary import scan_text

    if result["virtual"]:
        scans = result["scans"]
        return [
            ("scans", f"{scans['stepped']} decided, {scans['skipped']} idle ones skipped"),
            ("core", result["core"]),
        ]
    return [("scan", scan_text(result["scan"]))]


class Progress:
    """Live progress: a table that redraws itself on a terminal, else a plain line every two seconds."""

    def __init__(self, display: Display, duration_s: float) -> None:
        """Write to standard error, so that standard output stays the verdict's."""
        self._display, self._duration_s = display, duration_s
        self._began_s: float | None = None
        self._said_s: float | None = None
        console = Console(stderr=True)
        self._live = Live(console=console, auto_refresh=False, transient=True) if console.is_terminal else None

    def __enter__(self) -> Self:
        if self._live is not None:
            self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._live is not None:
            self._live.stop()

    def note(self, text: str) -> None:
        """Say something once, above the progress."""
        if self._live is not None:
            self._live.console.print(text, markup=False, highlight=False)
        else:
            print(text, file=sys.stderr, flush=True)

    def show(self, status: dict[str, Any] | None, truth: dict[str, Any]) -> None:
        """Show the controller's status (None: not there yet) beside the truth so far."""
        now_s = time.monotonic()
        if self._began_s is None and status is not None:
            self._began_s = now_s
        gone_s = 0.0 if self._began_s is None else now_s - self._began_s
        ran = f"{min(gone_s, self._duration_s):.0f} of {self._duration_s:.0f} s"
        if self._live is not None:
            pairs = [("bench", ran), *(rows(status) if status is not None else [])]
            self._live.update(table([*pairs, ("truth", self._truth_text(truth))]), refresh=True)
        elif self._said_s is None or now_s - self._said_s >= LINE_EVERY_S:
            self._said_s = now_s
            print(f"{ran}: {self._line(status, truth)}", file=sys.stderr, flush=True)

    def _line(self, status: dict[str, Any] | None, truth: dict[str, Any]) -> str:
        if status is None:
            return "the controller is starting"
        products, requests = status["products"], status["requests"]
        return (
            f"{status['state']}, {self._display.speed(status['speed_mm_s'], 3)}, in flight {products['in_flight']}, "
            f"marked {requests['marked']}, missed {counts_text(requests['missed'])}; {self._truth_text(truth)}"
        )

    def _truth_text(self, truth: dict[str, Any]) -> str:
        most_mm = truth.get("max_abs_mm")
        error = "no mark yet" if most_mm is None else f"largest error {self._display.length(most_mm, 3)}"
        wrong = {name: truth[name] for name in ("doubles", "off_product") if truth.get(name)}
        return f"{error}{', ' + counts_text(wrong) if wrong else ''}"


class SideText:
    """The truth of a simulated side as text, for a person who runs it by itself."""

    def __init__(self, display: Display) -> None:
        """Lengths and speeds are told in the units of `display`."""
        self._display = display
        self._said_s = time.monotonic()

    def tell(self, item: dict[str, Any]) -> None:
        """Print one item of the truth, and progress only now and then."""
        match item:
            case {"ready": {"host": host, "port": port}}:
                print(f"simulated I/O side listening on {place_text(host, port)}; Ctrl-C ends it", flush=True)
            case {"call": {"verb": verb, "argument": argument}}:
                print(f"the scenario asks for: {verb} {argument}".rstrip(), flush=True)
            case {"progress": truth} if time.monotonic() - self._said_s >= LINE_EVERY_S:
                self._said_s = time.monotonic()
                begun = "waiting for the line to run" if truth["t_s"] is None else f"{truth['t_s']:.0f} s"
                speed = self._display.speed(truth["speed_mm_s"], 3)
                most_mm = truth["max_abs_mm"]
                error = "no mark yet" if most_mm is None else f"largest error {self._display.length(most_mm, 3)}"
                print(f"{begun}: {speed}, products {truth['products']}, marks {truth['marks']}, {error}", flush=True)
            case _:
                pass
