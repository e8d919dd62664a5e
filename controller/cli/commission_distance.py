"""`beltcue commission distance`: from the eye to the marker, by jogging one product there and reading the travel."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from controller.cli.commission_results import keep
from controller.cli.commission_watch import Change, add_apply, load, settle
from controller.cli.common import NOT_OK, OK, BadInputError, Verbs, print_json, verb

if TYPE_CHECKING:
    from controller.commissioning.distance import Distance, Known
    from controller.commissioning.distance_pass import Pass
    from controller.settings.line import LineConfig
    from controller.settings.sections import StationSection

PASSES = 3


def register(steps: Verbs) -> None:
    """Add the step."""
    parser = verb(
        steps,
        "distance",
        execute,
        "measure from the eye to the marker by jogging one product there",
        "Put one product upstream of the eye, jog the belt slowly and forward only until its leading edge stands under "
        "the marker's print point, and stop; Enter at both ends, several passes. The travel between is the distance. "
        "A pass in which the belt ran back, the wheel slipped, counts were lost, or the eye saw no product or two, is "
        "said why and made again. Settle sense and scale first. Exit code 1: the setting is off and was left so, or "
        "the passes disagree. Nothing is changed without --apply.",
    )
    parser.add_argument("line_file", metavar="LINE.toml", help="the line's file")
    parser.add_argument("--station", metavar="NAME", help="which marker, when the line has several")
    parser.add_argument("--passes", metavar="N", type=int, default=PASSES, help=f"(default: {PASSES})")
    parser.add_argument("--address", metavar="HOST:PORT", help="look at this I/O side instead of the line's own")
    parser.add_argument(
        "--placing-within", metavar="LENGTH", help="how well the edge is brought under the print point (default: 1 mm)"
    )
    parser.add_argument(
        "--counts", metavar="N", type=int, action="append", default=[],
        help="counts of a pass that was read elsewhere, instead of jogging now; repeat it for each",
    )  # fmt: skip
    add_apply(parser)


def execute(args: argparse.Namespace) -> int:
    """Have it jogged, put it together, and say."""
    from controller.cli.commission_distance_jog import live_jogs
    from controller.cli.commission_marks import length_mm, station_of
    from controller.commissioning.distance import PLACING_MM, measure
    from controller.commissioning.distance_pass import Pass
    from controller.commissioning.distance_words import found_texts, response_text, verdict_texts

    config = load(args.line_file)
    number, station = station_of(config, args.station)
    if args.passes < 1:
        raise BadInputError("--passes is 1 or more, e.g. 3")
    placing = PLACING_MM if args.placing_within is None else length_mm("--placing-within", args.placing_within)
    raw: dict[str, Any] = {}
    if args.counts:
        passes, source = [Pass(float(counts)) for counts in args.counts], "typed"
    else:
        passes, raw["looks"], source = live_jogs(config, args.address, station.name, args.passes)
    raw |= {"counts": [each.counts for each in passes], "placing_within_mm": placing}
    show, scale_mm = config.display, config.settings.encoder.scale_mm()
    known, assumed = _known(config, placing)
    try:
        found = measure(passes, scale_mm, known)
    except ValueError as error:
        raise BadInputError(f"--counts: {error}") from None
    wanted, changes = _proposed(number, station, found, config)
    says = verdict_texts(found, station.distance, placing, show)
    unknown = _unknown(found, assumed, config)
    rows = [
        ("line", f"{config.name}, eye to {station.name}"),
        *(("distance", text) for text in found_texts(found, show)),
        ("eye", response_text(found, known.response_s, show)),
        *(("verdict", text) for text in says),
        *(("unknown", f"{u['what']}: {u['why']}; needs {u['needs']}") for u in unknown),
    ]
    applied = settle(args, config, rows, changes, station=wanted)
    result = {
        "line": config.name,
        "station": station.name,
        "source": source,
        **_figures(found, passes, station),
        "placing_within_mm": placing,
        "verdict": says,
        "unknown": unknown,
        "changes": [change.as_json() for change in changes],
        "applied": applied,
    }
    keep(config, "distance", result, raw)
    if args.json:
        print_json(result)
    return OK if found.agree and not found.slips and (applied or not changes) else NOT_OK


def _known(config: LineConfig, placing_mm: float) -> tuple[Known, bool]:
    """What is known of the inputs, and whether the scale's uncertainty is an assumption."""
    from controller.commissioning.budget import Source
    from controller.commissioning.distance import Known
    from controller.commissioning.uncertainty import Spread
    from controller.settings.uncertainty import inputs_of

    given = inputs_of(config.settings.uncertainty)
    scale, response = given[Source.SCALE], given[Source.DETECTOR_RESPONSE]
    known = Known(Spread.within(placing_mm), scale.spread, config.settings.detector.response, response.spread)
    return known, scale.assumed


def _proposed(
    number: int, station: StationSection, found: Distance, config: LineConfig
) -> tuple[StationSection, list[Change]]:
    """The station with the distance that was found, as it is shown; nothing where the setting may as well be right."""
    from controller.units import parse_length_mm

    if not found.agree or found.slips or abs(found.mm - station.distance) <= found.half_width_mm:
        return station, []
    old, new = config.display.length(station.distance), config.display.length(found.mm)
    wanted = station.model_copy(update={"distance": parse_length_mm(new)})
    return wanted, [Change(f"stations#{number}.distance", old, new)]


def _unknown(found: Distance, scale_assumed: bool, config: LineConfig) -> list[dict[str, str]]:
    unknown = []
    if scale_assumed:
        unknown.append({
            "what": "scale",
            "why": "one distance cannot tell a wrong scale from a wrong distance, and how well the scale is known is "
            "assumed; correct the scale later, and the distance must be measured anew",
            "needs": f"beltcue commission scale {config.path}, before this step",
        })  # fmt: skip
    if len(found.passes_mm) == 1:
        unknown.append({
            "what": "slip",
            "why": "one pass shows no scatter",
            "needs": "--passes 4 or more",
        })  # fmt: skip
    return unknown


def _figures(found: Distance, passes: list[Pass], station: StationSection) -> dict[str, Any]:
    """The figures for scripts; mm and mm/s."""
    half, away = found.half_width_mm, found.mm - station.distance
    return {
        "passes": [
            {"mm": mm, "counts": p.counts, "edge_within_counts": p.edge_within, "stops": p.stops}
            for mm, p in zip(found.passes_mm.tolist(), passes, strict=True)
        ],
        "distance_mm": {"value": found.mm, "low95": found.mm - half, "high95": found.mm + half},
        "length_half_width_95_mm": found.length_half_width_mm,
        "sd_mm": found.sd_mm,
        "parts": [
            *({"name": part.name, "u_mm": part.u_mm} for part in found.parts),
            {"name": "scale", "u_mm": found.scale_u_mm},
        ],
        "setting_mm": station.distance,
        "off_mm": {"value": away, "low95": away - half, "high95": away + half},
        "jog_mm_s": found.jog_mm_s,
        "response_mm": found.response_mm,
        "agree": found.agree,
        "slip_each_stop_mm": None
        if found.each_stop is None
        else {"value": found.each_stop[0], "half_width_95": found.each_stop[1]},
    }
