"""Figures for the plant's monitoring: the text format of Prometheus, by its own client library, over HTTP.

Names end in their unit; what only ever grows ends in `_total`. A line that has fallen silent shows no figures but
`beltcue_up` = 0, so that nothing old is taken for new.
"""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from prometheus_client.core import CollectorRegistry, CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.exposition import start_http_server
from prometheus_client.registry import Collector

from controller.model import State
from controller.modes import title
from controller.plant.image import Desk, LineImage, LinePlan, PlantError
from controller.settings.plant import METRICS_PORT
from controller.settings.sections import split_address


def _seconds(age_ns: int | None) -> float | None:
    return None if age_ns is None else age_ns / 1e9


_GAUGES: Sequence[tuple[str, str, Any]] = (
    ("speed_mm_per_second", "belt speed", lambda i: i.snapshot.speed_mm_s),
    ("status_age_seconds", "since the I/O side's last answer", lambda i: _seconds(i.snapshot.status_age_ns)),
    ("in_flight_products", "products between detector and last station", lambda i: i.snapshot.in_flight),
    ("pending_requests", "mark requests without a fate yet", lambda i: i.snapshot.pending),
    ("armed_targets", "targets that the I/O side holds", lambda i: i.snapshot.armed),
    ("unknown_mm", "line that holds products nobody saw", lambda i: i.snapshot.unknown_mm),
    ("balanced", "1: every product and request is in exactly one place", lambda i: int(i.snapshot.balanced)),
    ("remote", "1: the plant may command the line", lambda i: int(i.snapshot.remote)),
    ("state_number", "PackML state number", lambda i: int(i.snapshot.state)),
    ("exchange_median_seconds", "one exchange with the I/O side", lambda i: i.timing.exchange_median_us / 1e6),
    ("exchange_p99_seconds", "99 % of the exchanges are shorter", lambda i: i.timing.exchange_p99_us / 1e6),
    ("scan_late_p99_seconds", "99 % of the scans begin less late", lambda i: i.timing.late_p99_us / 1e6),
)
_COUNTERS: Sequence[tuple[str, str, Any]] = (
    ("products_detected", "products seen by the detector", lambda i: i.snapshot.counters.detected),
    ("requests_created", "mark requests", lambda i: i.snapshot.counters.created),
    ("scans", "scans", lambda i: i.snapshot.scans),
    ("exchanges", "exchanges with the I/O side that were answered", lambda i: i.timing.exchanges),
    ("exchanges_failed", "exchanges that failed", lambda i: i.timing.failed),
    ("reconnects", "times the link came back", lambda i: i.timing.reconnects),
    ("scan_overruns", "scans that began late by our own fault", lambda i: i.timing.overruns),
)


class LineFigures(Collector):
    """All lines' figures as they are when they are asked for. Asked by the library's threads, filled by one other."""

    def __init__(self, names: Iterable[str], desk: Desk) -> None:
        self._lock, self._desk = threading.Lock(), desk
        self._images: dict[str, LineImage | None] = dict.fromkeys(names)

    def take(self, line: str, image: LineImage | None) -> None:
        """Keep the line's newest image; None: it has fallen silent."""
        with self._lock:
            self._images[line] = image

    def collect(self) -> Iterator[Metric]:
        """The figures, each with the line's name as its label."""
        with self._lock:
            images = dict(self._images)
        up = GaugeMetricFamily("beltcue_up", "1: the controller runs and is heard", labels=["line"])
        for line, image in images.items():
            up.add_metric([line], float(image is not None))
        yield up
        alive = {line: image for line, image in images.items() if image is not None}
        for name, text, value in _GAUGES:
            gauge = GaugeMetricFamily(f"beltcue_{name}", text, labels=["line"])
            for line, image in alive.items():
                figure = value(image)
                if figure is not None:
                    gauge.add_metric([line], float(figure))
            yield gauge
        for name, text, value in _COUNTERS:
            counter = CounterMetricFamily(f"beltcue_{name}", text, labels=["line"])
            for line, image in alive.items():
                counter.add_metric([line], float(value(image)))
            yield counter
        yield from _by_fate(alive)
        yield _states(alive)
        yield from _faults(alive)
        refused = CounterMetricFamily("beltcue_plant_refused", "what the plant's servers refused", labels=["why"])
        for why, n in dict(self._desk.refusals).items():
            refused.add_metric([why], float(n))
        yield refused


def _by_fate(alive: dict[str, LineImage]) -> Iterator[Metric]:
    products = CounterMetricFamily("beltcue_products", "products by their fate", labels=["line", "fate"])
    requests = CounterMetricFamily("beltcue_requests", "mark requests by their fate", labels=["line", "fate"])
    missed = CounterMetricFamily("beltcue_requests_missed", "missed marks by reason", labels=["line", "reason"])
    for line, image in alive.items():
        counters = image.snapshot.counters
        for fate, n in counters.products.items():
            products.add_metric([line, fate.value], float(n))
        requests.add_metric([line, "marked"], float(counters.marked))
        requests.add_metric([line, "dry"], float(counters.dry))
        requests.add_metric([line, "missed"], float(sum(counters.missed.values())))
        for reason, n in counters.missed.items():
            missed.add_metric([line, reason.value], float(n))
    yield from (products, requests, missed)


def _states(alive: dict[str, LineImage]) -> Metric:
    states = GaugeMetricFamily("beltcue_state", "1: the line is in that PackML state", labels=["line", "state"])
    for line, image in alive.items():
        for state in State:
            states.add_metric([line, title(state)], float(image.snapshot.state is state))
    return states


def _faults(alive: dict[str, LineImage]) -> Iterator[Metric]:
    active = GaugeMetricFamily("beltcue_fault_active", "1: the fault is present", labels=["line", "fault"])
    raised = CounterMetricFamily("beltcue_faults", "how often the fault came", labels=["line", "fault"])
    for line, image in alive.items():
        for fault in image.snapshot.faults:
            active.add_metric([line, fault.name], float(fault.active))
            raised.add_metric([line, fault.name], float(fault.count))
    yield from (active, raised)


class MetricsServer:
    """A `PlantServer` that shows the figures at http://ADDRESS/metrics."""

    def __init__(self, plans: Sequence[LinePlan], desk: Desk) -> None:
        """All `plans` name the same address for their metrics."""
        section = plans[0].section.metrics
        if section is None:
            raise ValueError("the line has no [plant.metrics]")
        self._address = section.address
        self._figures = LineFigures([plan.about.name for plan in plans], desk)
        self._server: Any = None
        self._thread: threading.Thread | None = None

    async def open(self) -> None:
        """Begin to listen. Raises PlantError."""
        host, port = split_address(self._address)
        registry = CollectorRegistry(auto_describe=False)
        registry.register(self._figures)
        try:
            self._server, self._thread = start_http_server(METRICS_PORT if port is None else port, host, registry)
        except (OSError, OverflowError) as error:
            why = error.strerror if isinstance(error, OSError) and not isinstance(error, socket.gaierror) else error
            raise PlantError(
                f"plant.metrics.address: cannot listen at {self._address}: {why}; choose a free port of this computer"
            ) from None

    async def publish(self, line: str, image: LineImage | None) -> None:
        """Show the line as it is now; None: it has fallen silent."""
        self._figures.take(line, image)

    async def close(self) -> None:
        """Stop listening."""
        if self._server is not None:
            self._server.shutdown()
            self._server.server_close()
            self._server = None
        if self._thread is not None:
            self._thread.join()
            self._thread = None
