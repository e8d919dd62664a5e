"""`beltcue commission contact`: does the wheel turn steadily with the belt."""

from __future__ import annotations

import argparse
import re
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from controller.cli.commission_results import keep
from controller.cli.commission_watch import add_watching, load, raw_of, tell, watch
from controller.cli.common import NOT_OK, OK, BadInputError, Verbs, print_json, print_rows, verb
from controller.commissioning.cautions import BELT

if TYPE_CHECKING:
    from controller.settings.line import LineConfig


def register(steps: Verbs) -> None:
    """Add the step."""
    parser = verb(
        steps,
        "contact",
        execute,
        "see whether the wheel turns steadily with the belt",
        "Run the belt at one speed while it looks, for ten turns of the wheel or more. It looks for what repeats with "
        "the wheel, holds the speed against the drive's display (--speed), and, where products come at one distance on "
        "the belt (--repeated), finds slip with speed and slip in stops. Exit code 1: something is wrong.",
    )
    parser.add_argument("line_file", metavar="LINE.toml", help="the line's file")
    add_watching(parser, 'look for so long (default: "20 s")', "20s")
    parser.add_argument("--speed", metavar="SPEED", help='what the drive\'s own display shows, e.g. "20.0 m/min"')
    parser.add_argument("--repeated", action="store_true", help="products come at one distance on the belt")
    parser.add_argument("--counts-per-turn", metavar="N", type=int, help="of the wheel, where the file does not say")


def execute(args: argparse.Namespace) -> int:
    """Look, and say."""
    from controller.commissioning.contact import NotTold, against_shown, once_a_turn, rate, repeats
    from controller.commissioning.contact_words import repeat_texts, shown_texts, turn_texts
    from controller.commissioning.least_squares import student

    config = load(args.line_file)
    shown = None if args.speed is None else _shown(args.speed)
    per_turn = _per_turn(config, args.counts_per_turn)
    if args.repeated and not config.spec().detector.captured:
        raise BadInputError("--repeated needs captured edges, which this line has not; leave it out")
    tell(f"caution: {BELT}\nLooking for {args.for_s:g} s: run the belt at one speed.")
    seen, source = watch(config, args.address, args.for_s)
    scale, show = config.settings.encoder.scale_mm(), config.display
    found = rate(seen.series, per_turn or 0.0)
    ran = abs(found.counts_s) * scale if found is not None else None
    compared = None if found is None or shown is None else against_shown(found, scale, *shown)
    turn = once_a_turn(seen.series, per_turn) if per_turn else NotTold("the wheel's counts a turn", "--counts-per-turn")
    products = repeats(seen.series, seen.leads) if args.repeated else None
    says = [] if found is None else shown_texts(found, scale, compared, show)
    says += [*turn_texts(turn, scale, show), *([] if products is None else repeat_texts(products, scale, show))]
    unknown = (
        [] if found is not None else [_unknown("speed", "the belt did not run evenly", "some seconds at one speed")]
    )
    for what, each in (("unevenness", turn), ("slip", products)):
        if isinstance(each, NotTold):
            unknown.append(_unknown(what, each.why, each.needs))
    wrong = _wrong(compared, turn, products)
    head = f"{config.name}, looked at for {seen.series.seconds:.1f} s ({len(seen.series)} looks)"
    rows = [("line", head), *(("seen", text) for text in says)]
    rows += [("unknown", f"{u['what']}: {u['why']}; needs {u['needs']}") for u in unknown]
    rows += [] if wrong or unknown else [("verdict", "nothing speaks against the contact of the wheel")]
    print_rows(rows)
    result = {
        "line": config.name,
        "source": source,
        "speed_mm_s": ran,
        "speed_half_width_95_mm_s": None if found is None else student(found.dof) * found.u * scale,
        "against_shown": None if compared is None else asdict(compared),
        "once_a_turn": None
        if isinstance(turn, NotTold)
        else {**asdict(turn), "mm": turn.counts * scale, "shows": turn.shows},
        "repeats": None if products is None or isinstance(products, NotTold) else asdict(products),
        "wrong": wrong,
        "verdict": says,
        "unknown": unknown,
    }
    keep(config, "contact", result, raw_of(seen))
    if args.json:
        print_json(result)
    return NOT_OK if wrong or found is None else OK


def _wrong(compared: Any, turn: Any, products: Any) -> list[str]:
    """What is found wrong, by name."""
    wrong = ["speed"] if compared is not None and compared.differs else []
    wrong += ["unevenness"] if getattr(turn, "shows", False) else []
    with_speed, lost = getattr(products, "with_speed", None), getattr(products, "lost", None)
    wrong += ["slip with speed"] if with_speed is not None and with_speed[0] < -with_speed[1] else []
    wrong += ["slip in stops"] if lost is not None and lost[0] > lost[1] else []
    return wrong


def _unknown(what: str, why: str, needs: str) -> dict[str, str]:
    return {"what": what, "why": why, "needs": needs}


def _per_turn(config: LineConfig, given: int | None) -> float | None:
    """Counts for one turn of the wheel; None: not known."""
    if given is not None:
        if given < 1:
            raise BadInputError("--counts-per-turn is 1 or more, e.g. 8000")
        return float(given)
    wheel = config.settings.encoder.wheel
    return None if wheel is None else wheel.counts_per_turn * wheel.decode * wheel.gearing


def _shown(text: str) -> tuple[float, float]:
    """A speed as a display shows it, and the step of its last digit, both in mm/s. Raises BadInputError."""
    from controller.units import parse_speed_mm_s

    try:
        speed = parse_speed_mm_s(text)
    except ValueError as error:
        raise BadInputError(f"--speed: {error}") from None
    number = re.match(r"\s*\+?(\d+)(?:\.(\d*))?", text)
    if speed <= 0.0 or number is None:
        raise BadInputError(f'--speed: {text} is no speed of a running belt; write what is shown, e.g. "20.0 m/min"')
    value = float(number[0])
    return speed, speed / value * 10.0 ** -len(number[2] or "")
