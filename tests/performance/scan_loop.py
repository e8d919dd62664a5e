"""A plain scan loop, the baseline of `timed_vs_scan`: read, compare, write at once. A process of its own.

As well as that method allows: absolute deadlines, the speed of the moment, and its own mean delay (half a period and
one exchange) taken off in advance. It speaks the field block through the same adapter as the controller.
"""

from __future__ import annotations

import asyncio
import sys
import time
from collections import deque

from controller.field.modbus import ModbusLink
from controller.registers import RING_SIZE, Command, ControlBit, Edge, OrderKind, Status
from controller.settings.line import load_line

MODULUS = 1 << 32
WINDOW_COUNTS = 2000
"""The release is permitted anywhere near: this method has no better idea of where it will come."""
SPEED_SAMPLES = 10


class Plain:
    """Targets from captured edges, fired in the first scan that finds them close enough."""

    def __init__(self, distance_counts: float, delay_s: float) -> None:
        self._distance, self._delay_s = distance_counts, delay_s
        self._targets: deque[float] = deque()
        self._captured: int | None = None
        self._samples: deque[tuple[float, int]] = deque(maxlen=SPEED_SAMPLES)
        self._travel = 0
        self._raw: int | None = None

    def fires(self, status: Status, now_s: float) -> bool:
        """Take a status; whether a mark is to be made now."""
        if self._raw is not None:
            self._travel += (status.belt_count - self._raw + MODULUS // 2) % MODULUS - MODULUS // 2
        self._raw = status.belt_count
        self._samples.append((now_s, self._travel))
        new = 0 if self._captured is None else (status.capture_total - self._captured) % 65536
        self._captured = status.capture_total
        for n in range(status.capture_total - new, status.capture_total):
            capture = status.captures[n % RING_SIZE]
            if capture.edge == Edge.BLOCKED:
                behind = (status.belt_count - capture.count) % MODULUS
                self._targets.append(self._travel - behind + 0.5 + self._distance)
        (first_s, first), (last_s, last) = self._samples[0], self._samples[-1]
        speed = (last - first) / (last_s - first_s) if last_s > first_s else 0.0
        if self._targets and self._travel + speed * self._delay_s >= self._targets[0]:
            self._targets.popleft()
            return True
        return False


async def work(line_file: str, port: int, period_s: float, for_s: float) -> None:
    """Start marking and go on for so long."""
    config = load_line(line_file)
    spec = config.spec()
    link = ModbusLink(config.points, "127.0.0.1", port, timeout_s=0.2)
    await link.connect()
    status = await link.exchange(Command())
    took_s = 0.0
    for _ in range(20):
        began = time.perf_counter()
        await link.exchange(Command())
        took_s += (time.perf_counter() - began) / 20
    station = spec.stations[0]
    plain = Plain((station.distance_mm + station.plan.offset_mm) / spec.scale_mm, period_s / 2 + took_s)
    heartbeat = token = 1
    lease_ms, job = int(spec.limits.lease_s * 1e3), spec.job_number
    began = deadline = time.monotonic()
    while time.monotonic() - began < for_s:
        marking = heartbeat > 4
        control = ControlBit.ENABLE | ControlBit.RUNNING if marking else 0
        heartbeat += 1
        command = Command(heartbeat % 65536, int(control), status.boot_id, 4711, lease_ms, job, order_token=token)
        status = await link.exchange(command)
        if plain.fires(status, time.monotonic()) and marking:
            token, heartbeat = (token + 1) % 65536, heartbeat + 1
            first, last = ((status.belt_count + side) % MODULUS for side in (-WINDOW_COUNTS, WINDOW_COUNTS))
            order = (int(OrderKind.RELEASE_NOW), 0, first, last, token)
            status = await link.exchange(
                Command(heartbeat % 65536, int(control), status.boot_id, 4711, lease_ms, job, *order)
            )
        deadline += period_s
        await asyncio.sleep(max(0.0, deadline - time.monotonic()))
    await link.close()


if __name__ == "__main__":
    asyncio.run(work(sys.argv[1], int(sys.argv[2]), float(sys.argv[3]), float(sys.argv[4])))
