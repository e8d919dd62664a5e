"""What a line with a plain device needs, and what it will do, before anyone marks."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from controller.lead import scan_s
from controller.needs import least_window_mm
from controller.spec import LineSpec
from controller.units import Display

if TYPE_CHECKING:
    from controller.settings.proof import Proof


def plain_problems(spec: LineSpec, shortest_lease_s: float, units: Display) -> Iterator[str]:
    """Why a line cannot work with its plain device, each "key: what; how to mend"; nothing for a field block."""
    plain = spec.plain
    if plain is None:
        return
    if plain.watchdog_s is not None and plain.watchdog_s < shortest_lease_s:
        yield (
            f"plain.watchdog: {units.time(plain.watchdog_s)} cannot be kept over this link; "
            f"make it {units.time(shortest_lease_s)} or more, here and in the device"
        )
    least_mm = least_window_mm(spec, plain)
    for number, (station, wired) in enumerate(zip(spec.stations, plain.stations, strict=True), start=1):
        place = f'stations#{number}, "{station.name}"'
        if station.window_mm < least_mm:
            yield (
                f"{place}: window {units.length(station.window_mm)} is shorter than the {units.length(least_mm)} that "
                "half a scan, an exchange and a scan of the device make at top speed; "
                "widen it, lower top_speed, or scan faster"
            )
        if wired.width_s < plain.io_scan_s:
            yield (
                f"{place}: a trigger of {units.time(wired.width_s)} is shorter than the device's own scan of "
                f"{units.time(plain.io_scan_s)}; make plain.stations.{station.name}.width longer"
            )


def plain_rows(spec: LineSpec, proof: Proof | None, units: Display) -> Iterator[tuple[str, str]]:
    """Say what drops the outputs of a plain device, and whether that has been proven; nothing for a field block."""
    plain = spec.plain
    if plain is None:
        return
    drops = []
    if plain.watchdog_s is not None:
        drops.append(
            f"a watchdog drops all within {units.time(plain.watchdog_s)} of our last write, "
            f"{units.length(plain.watchdog_s * spec.top_speed_mm_s, 4)} of belt"
        )
    if plain.one_shot:
        drops.append("a one-shot ends each trigger")
    yield "outputs", f"plain: {'; '.join(drops) or 'nothing drops them when we do not write'}"
    if plain.unproven:
        yield "cable pull", f"DRY RUN ONLY: {plain.unproven}"
    elif proof is not None:
        dropped = f"{proof.output} dropped within {units.time(proof.dropped_within_s)}"
        yield "cable pull", f"{proof.date}, {proof.who}: {dropped}{' (simulated)' if proof.simulated else ''}"
    if spec.interlocks:
        yield "  caution", "an interlock that blinks between two scans goes unseen: a plain device latches none"


def scan_error_text(spec: LineSpec, units: Display) -> str:
    """Say how far off a release in the nearest scan may be."""
    half_mm = 0.5 * spec.top_speed_mm_s * scan_s(spec.period_s, spec.exchange_s)
    return (
        f"even between −{units.length(half_mm, 3)} and +{units.length(half_mm, 3)} at top speed (half a scan), "
        "as much again from sampled edges, and what the link and the device's own scan jitter by"
    )
