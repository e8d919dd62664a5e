"""`beltcue commission limits`: how fast the line may run, what limits it, and what is in hand."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from controller.cli.commission_results import keep
from controller.cli.common import OK, BadInputError, Verbs, print_json, print_rows, verb
from controller.cli.reckoning import add_line_file, line_and_link

if TYPE_CHECKING:
    from controller.commissioning.limits import Limit, Limits
    from controller.settings.line import LineConfig


def register(steps: Verbs) -> None:
    """Add the step."""
    parser = verb(
        steps,
        "limits",
        execute,
        "say how fast the line may run, and what limits it",
        "Mark time, rearm, pitch and marking window, lead, capture ring, counter and eye: the speed that each allows, "
        "what is in hand at the present speed, and how many marks would find the marker busy.",
    )
    add_line_file(parser)
    parser.add_argument("--speed", metavar="SPEED", help='the present speed, e.g. "25 m/min" (default: top_speed)')
    parser.add_argument(
        "--pitch",
        metavar="LENGTH",
        help="from one product's leading edge to the next (default: as close as the line's filters let them come)",
    )


def execute(args: argparse.Namespace) -> int:
    """Work out and print."""
    from controller.commissioning.limits import busy, cut_off_text, limits
    from controller.link_known import at_least_measured
    from controller.units import parse_length_mm, parse_speed_mm_s

    speed = None if args.speed is None else _positive(args.speed, "--speed", parse_speed_mm_s, "25 m/min")
    pitch = None if args.pitch is None else _positive(args.pitch, "--pitch", parse_length_mm, "150 mm")
    config, own, figures, source = line_and_link(args.line_file)
    spec, show = at_least_measured(own, figures), config.display
    present = spec.top_speed_mm_s if speed is None else speed
    found = limits(spec, show, pitch)
    print_rows(_rows(config, found, present, source))
    misses = busy(spec, present, pitch)
    rows = [
        (
            f"busy, {each.station}",
            f"marks {show.time(each.apart_s)} apart, {show.time(each.service_s)} for each: {each.regular:.1%} of the "
            f"marks find it busy if they come regularly, {each.random:.1%} if at random; real lines lie between",
        )
        for each in misses
    ]
    if misses and pitch is None:
        rows.append(("", "marks as close as the filters let them come; say how far apart products are with --pitch"))
    rows += [(f"cut off, {station.name}", cut_off_text(station, present, show)) for station in spec.stations]
    print_rows(rows)
    result = _as_json(config, found, present, source, [_miss_json(each) for each in misses])
    keep(config, "limits", result, {"speed": args.speed, "pitch": args.pitch})
    if args.json:
        print_json(result)
    return OK


def _positive(text: str, name: str, parse: Any, example: str) -> float:
    try:
        value = float(parse(text))
    except ValueError as error:
        raise BadInputError(f"{name}: {error}") from None
    if value <= 0.0:
        raise BadInputError(f'{name}: {text} is not more than zero; write e.g. "{example}"')
    return value


def _name(limit: Limit) -> str:
    return f"{limit.name}, {limit.station}" if limit.station else limit.name


def _in_hand(limit: Limit, present_mm_s: float) -> float | None:
    """The share of a limit that is not used at the present speed; negative: exceeded; None: no speed would do."""
    return 1.0 - present_mm_s / limit.speed_mm_s if limit.speed_mm_s > 0.0 else None


def _in_hand_text(limit: Limit, present_mm_s: float) -> str:
    share = _in_hand(limit, present_mm_s)
    if share is None:
        return "no speed would do"
    return f"{share:.0%} in hand" if share >= 0.0 else "TOO FAST"


def _rows(config: LineConfig, found: Limits, present: float, source: str) -> list[tuple[str, str]]:
    show, least = config.display, found.least
    rows = [("line", config.name), ("link", source)]
    if least is None:
        rows.append(("top speed", "nothing that is known limits it"))
    else:
        rows.append(("top speed", f"{show.speed(least.speed_mm_s)}, limited by {_name(least)}"))
        rows.append(("present", f"{show.speed(present)}: {_in_hand_text(least, present)}"))
    for limit in found.limits:
        word = _in_hand_text(limit, present)
        rows.append((f"  {_name(limit)}", f"{show.speed(limit.speed_mm_s)}, {word}: {limit.why}"))
    rows += [(f"  {each.what}", f"not known: {each.why}; needs {each.needs}") for each in found.unknown]
    top = config.settings.line.top_speed
    if least is not None and top > least.speed_mm_s:
        rows.append(("note", f"line.top_speed is {show.speed(top)}, above what {_name(least)} allows; lower it"))
    return rows


def _miss_json(each: Any) -> dict[str, Any]:
    return {
        "station": each.station,
        "apart_s": each.apart_s,
        "service_s": each.service_s,
        "regular": each.regular,
        "random": each.random,
    }


def _as_json(
    config: LineConfig, found: Limits, present: float, source: str, misses: list[dict[str, Any]]
) -> dict[str, Any]:
    least = found.least
    return {
        "line": config.name,
        "top_speed_mm_s": None if least is None else least.speed_mm_s,
        "limited_by": None if least is None else _name(least),
        "limits": {_name(limit): limit.speed_mm_s for limit in found.limits},
        "why": {_name(limit): limit.why for limit in found.limits},
        "unknown": [{"what": u.what, "why": u.why, "needs": u.needs} for u in found.unknown],
        "present_speed_mm_s": present,
        "in_hand": {_name(limit): _in_hand(limit, present) for limit in found.limits},
        "busy_misses": misses,
        "figures": source,
    }
