"""Jogging a product from the eye to the marker at a live line: Enter as it stands before the eye, and at the marker."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

from controller.cli.commission_passes import Follower
from controller.cli.commission_watch import LOOK_S, source_for, tell
from controller.cli.common import BadInputError, RefusedError
from controller.commissioning.cautions import BELT
from controller.commissioning.contact import NotTold
from controller.commissioning.distance_pass import jogged

if TYPE_CHECKING:
    from controller.cli.points_source import Source
    from controller.commissioning.distance_pass import Pass
    from controller.commissioning.watched import Look
    from controller.settings.line import LineConfig

SAMPLED_LOOK_S = 0.005
"""An eye that is only looked at is looked at so often: an edge is known to what passes in between."""
TRIES = 3
"""A pass that tells nothing so often in a row ends the step."""


def live_jogs(
    config: LineConfig, address: str | None, station: str, passes: int
) -> tuple[list[Pass], list[dict[str, Any]], str]:
    """Have each pass marked by Enter at a terminal; gives the passes, their raw data, and where it was looked.

    A pass that tells nothing is said why, and made again. Raises BadInputError without a terminal, RefusedError where
    nothing answers or passes tell nothing again and again.
    """
    import asyncio

    from controller.local_client import NotRunningError

    if not sys.stdin.isatty():
        raise BadInputError("the distance is jogged with Enter at both ends: sit at a terminal, or give --counts")
    tell(
        f"caution: {BELT}\nThe marker must not fire: the line stopped, its head or beam covered. Jog slowly and "
        f"forward only; {passes} passes with one product each, the belt standing at each Enter."
    )
    try:
        with source_for(config, address) as source:
            name = str(source.name)
            found, raw = asyncio.run(_jogs(source, config, station, passes))
    except NotRunningError as error:
        raise RefusedError(str(error)) from None
    return found, raw, name


async def _jogs(
    source: Source, config: LineConfig, station: str, passes: int
) -> tuple[list[Pass], list[dict[str, Any]]]:
    found: list[Pass] = []
    raw: list[dict[str, Any]] = []
    spec, spoilt = config.spec(), 0
    try:
        while len(found) < passes:
            number = len(found) + 1
            await _refuse_marking(source)
            follower = Follower(source, config, LOOK_S if spec.detector.captured else SAMPLED_LOOK_S)
            await follower.stood_at(
                f"Pass {number} of {passes}: one product upstream of the eye, none from there to the marker, belt "
                "standing; Enter"
            )
            del follower.looks[:-1]
            await follower.stood_at(
                f"Pass {number}: jog on until its leading edge is under the print point of {station}, stop; Enter"
            )
            each = jogged(follower.looks, spec)
            if isinstance(each, NotTold):
                spoilt += 1
                told = f"{each.why}; needs {each.needs}"
                if spoilt == TRIES:
                    raise RefusedError(f"no pass of {TRIES} told the distance: {told}. Nothing was changed")
                tell(f"Pass {number} tells nothing: {told}.")
                continue
            spoilt = 0
            found.append(each)
            raw.append(_raw(follower.looks))
            tell(f"Pass {number}: {config.display.length(each.counts * spec.scale_mm)}, {each.counts:g} counts")
    finally:
        await source.close()
    return found, raw


async def _refuse_marking(source: Source) -> None:
    """Refuse to jog where the next product would be marked."""
    values = (await source.look()).values
    if values.get("control.enable") or values.get("enable"):
        raise RefusedError(
            "marking is enabled, and a jogged product would be marked: stop the line first (beltcue command stop)"
        )


def _raw(looks: list[Look]) -> dict[str, Any]:
    """What was seen in a pass: instants, raw counts, drive, eye, and the ring of captures at the end."""
    return {
        "t_s": [round(look.t_s, 6) for look in looks],
        "raw": [look.raw for look in looks],
        "sample_us": [look.sample_us for look in looks],
        "running": [None if look.running is None else int(look.running) for look in looks],
        "blocked": [int(look.blocked) for look in looks],
        "captures": [[capture.edge, capture.count] for capture in looks[-1].captures],
    }
