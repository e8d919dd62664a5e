"""What of the lines is to be served, made from their files; and what lines served at one address must agree on."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from controller.plant.image import LineAbout, LinePlan, LinkTiming, PlantError
from controller.settings.line import LineConfig
from controller.spec import LineSpec
from controller.timing import Timing

SCHEMES = {"opcua": "opc.tcp", "modbus": "modbus", "metrics": "http"}
"""Each kind of server, as its section is called, and how people write its address."""


def plan_of(config: LineConfig, spec: LineSpec) -> LinePlan | None:
    """What of a line is to be served; None: nothing."""
    section = config.settings.plant
    if section is None:
        return None
    about = LineAbout(
        name=spec.name,
        job=spec.job_name,
        job_number=config.job.number,
        stations=tuple(station.name for station in spec.stations),
        interlocks=tuple(spec.interlocks.values()),
        top_speed_mm_s=spec.top_speed_mm_s,
        scale_mm=spec.scale_mm,
        distance_mm=max(station.distance_mm for station in spec.stations),
        lost_after_s=spec.limits.link_lost_s,
        period_s=spec.period_s,
        length_unit=config.display.length_unit,
        speed_unit=config.display.speed_unit,
    )
    return LinePlan(about, section, config.path.parent.resolve())


def link_timing(timing: Timing) -> LinkTiming:
    """How a line keeps its time, as it is now."""
    return LinkTiming(
        exchanges=timing.exchanges,
        failed=timing.failed,
        reconnects=timing.reconnects,
        overruns=timing.overruns,
        link_limited=timing.link_limited,
        exchange_median_us=timing.exchange.quantile_ns(0.5) / 1e3,
        exchange_p99_us=timing.exchange.quantile_ns(0.99) / 1e3,
        late_median_us=timing.late.quantile_ns(0.5) / 1e3,
        late_p99_us=timing.late.quantile_ns(0.99) / 1e3,
    )


def check_plans(plans: Sequence[LinePlan]) -> None:
    """Refuse lines that are to be served at one address and do not agree on how. Raises PlantError."""
    for n, plan in enumerate(plans):
        for first in plans[:n]:
            for kind in SCHEMES:
                _check_pair(kind, first, plan)


def _check_pair(kind: str, first: LinePlan, second: LinePlan) -> None:
    theirs, ours = getattr(first.section, kind), getattr(second.section, kind)
    if ours is None or theirs is None or ours.address != theirs.address:
        return
    where = f"lines {first.about.name} and {second.about.name}: plant.{kind}"
    for key in type(ours).model_fields:
        if key == "unit":
            if ours.unit == theirs.unit:
                raise PlantError(f"{where}.unit is {ours.unit} in both, at one address: give each its own")
        elif getattr(ours, key) != getattr(theirs, key):
            raise PlantError(f"{where}.{key} differs, and both are served at {ours.address}: write the same in both")


def places(plans: Sequence[LinePlan]) -> Iterator[str]:
    """Where the plans are served, each place once."""
    seen = set()
    for kind, scheme in SCHEMES.items():
        for plan in plans:
            section = getattr(plan.section, kind)
            if section is not None and (place := f"{scheme}://{section.address}") not in seen:
                seen.add(place)
                yield place
