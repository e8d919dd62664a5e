"""`beltcue measure`: what the link of a line really does, and whether it can serve the line."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller.cli.common import (
    NOT_OK,
    OK,
    BadInputError,
    RefusedError,
    Verbs,
    add_for,
    complain,
    print_json,
    print_rows,
    verb,
)

if TYPE_CHECKING:
    from controller.link_analysis import LinkTimings
    from controller.settings.line import LineConfig
    from controller.settings.measured import Measured, Times

NAMES = ("measure",)


def register(verbs: Verbs) -> None:
    """Add the verb."""
    parser = verb(
        verbs,
        "measure",
        execute,
        "measure the link to the I/O side",
        "Exchanges with the real I/O side for a while as nobody, so that nothing changes there and nothing is marked, "
        "and says how long exchanges take, how old a count is, how late the loop wakes. The result is stored beside "
        "the line's file, for beltcue promise. Exit code 1: this link cannot serve the line at its top speed, or "
        "nothing answered.",
    )
    parser.add_argument("line_file", metavar="LINE.toml", help="the line's file")
    add_for(parser, 'how long, e.g. "30 s" (default)', default="30 s")
    parser.add_argument("--address", metavar="HOST:PORT", help="measure this I/O side instead of the line's own")
    parser.add_argument("--plot", metavar="FILE", type=Path, help="draw the distributions there (default: beside it)")
    parser.add_argument("--no-plot", action="store_true", help="draw nothing")


def execute(args: argparse.Namespace) -> int:
    """Measure, store, print."""
    from controller.cli.run import address_of
    from controller.link_analysis import analyse
    from controller.loop import LayoutError
    from controller.measuring import NotMeasuredError
    from controller.settings.base import SettingsError
    from controller.settings.line import load_line
    from controller.settings.measured import keep_measured, measured_path

    try:
        # A line that its link cannot serve is measured too: that is what there is to find out.
        config = load_line(args.line_file, must_work=False)
        host, port = address_of(config, args.address)
        record, began = _measure(config, host, port, args.for_s)
    except (SettingsError, LayoutError) as error:
        raise BadInputError(str(error)) from None
    except NotMeasuredError as error:
        raise RefusedError(f"nothing was measured: {error}") from None
    timings = analyse(record)
    measured = _measured(config, host, port, args.for_s, began, timings, (record.exchanges, record.failed))
    path = measured_path(config.path)
    picture = None if args.no_plot else args.plot or path.with_suffix(".png")
    try:
        old = keep_measured(path, measured)
        if picture is not None:
            _draw(picture, config, measured, timings)
    except (OSError, ValueError) as error:
        raise BadInputError(f"{picture if isinstance(error, ValueError) else path}: {error}") from None
    refused, notes = _judged(config, measured)
    rows = [*_rows(measured), ("stored", str(path) + ("" if old is None else f"; the one before is {old}"))]
    rows += [("plot", str(picture))] if picture is not None else []
    rows += [("note", text) for text in notes] + [("REFUSED", text) for text in refused]
    print_rows(rows)
    if refused:
        complain(f"{args.line_file}: {refused[0]}" + (f" (and {len(refused) - 1} more)" if len(refused) > 1 else ""))
    if args.json:
        print_json(_as_json(measured, str(path), refused, notes))
    return NOT_OK if refused else OK


def _measure(config: LineConfig, host: str, port: int, for_s: float) -> tuple[Any, str]:
    import asyncio
    from datetime import datetime

    from rich.console import Console
    from rich.progress import Progress

    from controller.field.links import make_reader
    from controller.measuring import Measuring
    from controller.serial_line import place_text

    spec = config.spec(at=(host, port))
    began = datetime.now().astimezone().isoformat(timespec="seconds")
    try:
        link = make_reader(config, spec, host, port)
    except ValueError as error:
        raise BadInputError(f"{config.path}: {error}") from None
    # The bar is drawn as the measurement goes on, by no thread of its own: that would be measured too.
    with Progress(
        console=Console(stderr=True), transient=True, disable=not sys.stderr.isatty(), auto_refresh=False
    ) as bar:
        task = bar.add_task(f"measuring {place_text(host, port)}", total=1.0)
        shown = 0.0

        def progress(share: float) -> None:
            nonlocal shown
            if share - shown >= 0.05:
                shown = share
                bar.update(task, completed=share, refresh=True)

        measuring = Measuring(link, place_text(host, port), spec.period_s, complain, progress)
        return asyncio.run(measuring.run(for_s)), began


def _measured(
    config: LineConfig, host: str, port: int, for_s: float, began: str, timings: LinkTimings, tally: tuple[int, int]
) -> Measured:
    import socket

    from controller.serial_line import place_text
    from controller.settings.measured import Measured, Times, link_digest

    def times(values: Any) -> Times | None:
        return None if values is None or not len(values) else Times.of(values)

    def ms(seconds: float | None) -> float | None:
        return None if seconds is None else round(seconds * 1e3, 5)

    clocks = timings.clocks
    # A period that always begins late for the link's sake has no lateness of ours.
    late = times(timings.late) or Times(n=1, ms=[0.0, 0.0])
    return Measured(
        line=config.name,
        date=began,
        host=socket.gethostname(),
        address=place_text(host, port),
        bench=config.is_test_address(host, port),
        digest=link_digest(config.settings),
        seconds=for_s,
        period_ms=config.settings.line.scan_period * 1e3,
        exchanges=tally[0],
        failed=tally[1],
        largest_gap_ms=round(timings.largest_gap_s * 1e3, 5),
        exchange=Times.of(timings.exchange),
        age=Times.of(timings.age),
        late=late,
        send_late=times(timings.send_late),
        gap=Times.of(timings.gap),
        out=times(timings.out),
        release=times(timings.release),
        back=times(timings.back),
        io_step_ms=ms(timings.io_step_s),
        io_step_below_ms=ms(timings.io_step_below_s),
        clock_drift_ppm=None if clocks is None else round(clocks.drift_ppm, 2),
        clock_drift_off_ppm=None if clocks is None else round(min(clocks.drift_off_ppm, 1e6), 2),
        clock_tie_ms=None if clocks is None else ms(clocks.tie_s),
    )


def _draw(picture: Path, config: LineConfig, measured: Measured, timings: LinkTimings) -> None:
    from controller.plots import plot_measured

    title = f"{config.name}: link to {measured.address} from {measured.host}, {measured.date[:16].replace('T', ' ')}"
    plot_measured(picture, title, timings)


def _judged(config: LineConfig, measured: Measured) -> tuple[list[str], list[str]]:
    """What the link cannot serve, and where it differs from what the line states."""
    from controller.link_known import assumed_of, ways_of
    from controller.serving import disagreements, refusals

    spec, display = config.spec(), config.display
    figures = measured.figures(assumed_of(config, spec))
    used = [way for way in ways_of(config, spec) if way.used]
    refused = refusals(spec, figures, measured.largest_gap_ms * 1e-3, used, display)
    return [r.text(display) for r in refused], disagreements(spec, figures, display)


def _summary(times: Times) -> dict[str, float]:
    import numpy as np

    median, p99 = np.interp([0.5, 0.99], np.linspace(0.0, 1.0, len(times.ms)), times.ms)
    return {"median_ms": round(float(median), 4), "p99_ms": round(float(p99), 4), "worst_ms": times.ms[-1]}


_SHOWN = {
    "exchange": "exchange",
    "out": "way out",
    "back": "way back",
    "age": "age of count",
    "gap": "between looks",
    "late": "loop lateness",
    "send_late": "send lateness",
    "release": "way out, jitter",
}


def _rows(measured: Measured) -> list[tuple[str, str]]:
    rows = [
        (
            "link",
            f"{measured.address} from {measured.host}, {measured.seconds:g} s at a period of "
            f"{measured.period_ms:g} ms: {measured.exchanges} exchanges, {measured.failed} failed",
        )
    ]
    for key, name in _SHOWN.items():
        times: Times | None = getattr(measured, key)
        if times is None:
            rows.append((name, "not measured"))
            continue
        figures = _summary(times)
        rows.append(
            (
                name,
                f"median {figures['median_ms']:8.3f} ms   99 % {figures['p99_ms']:8.3f} ms   "
                f"worst {figures['worst_ms']:8.3f} ms",
            )
        )
    rows.append(("largest gap", f"{measured.largest_gap_ms:.3f} ms between two good exchanges"))
    rows.append(("I/O side's scan", _io_text(measured)))
    if measured.clock_drift_ppm is None:
        text = "the I/O side has none: counts are dated by the middle of each exchange"
    else:
        text = (
            f"tied to ours within ± {measured.clock_tie_ms:.3f} ms, drift {measured.clock_drift_ppm:+.1f} ppm "
            f"(± {measured.clock_drift_off_ppm:.1f})"
        )
    rows.append(("its clock", text))
    if measured.bench:
        rows.append(("note", "this is a test bench; the figures say nothing of the real link"))
    return rows


def _io_text(measured: Measured) -> str:
    if measured.io_step_ms is not None:
        return f"takes its inputs every {measured.io_step_ms:.3f} ms"
    if measured.io_step_below_ms is not None:
        return f"does not show; shorter than {measured.io_step_below_ms:.3f} ms, or at each request"
    return "does not show: it has no clock, and the belt stands; measure while it runs"


def _as_json(measured: Measured, stored: str, refused: list[str], notes: list[str]) -> dict[str, Any]:
    whole = measured.model_dump()
    for key in _SHOWN:
        times: Times | None = getattr(measured, key)
        whole[key] = None if times is None else {"n": times.n, **_summary(times)}
    return {**whole, "stored": stored, "refused": refused, "notes": notes}
