"""`beltcue commission scale`: how much belt one count is, from whatever can be measured at the line."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from controller.cli.commission_results import keep
from controller.cli.commission_scale_fix import mended
from controller.cli.commission_watch import add_apply, add_watching, load, raw_of, settle, watch
from controller.cli.common import NOT_OK, OK, BadInputError, Verbs, print_json, print_rows, verb

if TYPE_CHECKING:
    from controller.cli.commission_watch import Change
    from controller.commissioning.scale import Estimate
    from controller.commissioning.scale_combine import Combined, Verdict
    from controller.settings.line import LineConfig
    from controller.settings.sections import StationSection

PASSES = 5


def register(steps: Verbs) -> None:
    """Add the step."""
    parser = verb(
        steps,
        "scale",
        execute,
        "find how much belt one count is, and hold the setting against it",
        "Give what was measured, one way or several: passes over a taped distance (with --counts, or live, by Enter at "
        "both ends), the counts of products of known length (or live, with --for), marks over many pitches, marks' "
        "lengths. It combines them by their uncertainties, says whether they agree, which one stands apart and which "
        "classic slip explains it. Exit code 1: the setting is wrong and was left so, or the measurements disagree.",
    )
    parser.add_argument("line_file", metavar="LINE.toml", help="the line's file")
    many: dict[str, Any] = {"action": "append", "default": []}
    tape = parser.add_argument_group("a taped distance")
    tape.add_argument("--taped", metavar="LENGTH", help='e.g. "5 m"', **many)
    tape.add_argument("--counts", metavar="N", type=int, help="counts of one pass; repeat it for each", **many)
    tape.add_argument("--passes", metavar="N", type=int, default=PASSES, help=f"live passes (default: {PASSES})")
    tape.add_argument("--tape-within", metavar="LENGTH", help="how far off the tape may be over that length")
    tape.add_argument("--placing-within", metavar="LENGTH", help="how well each end is placed (default: 1 mm)")
    product = parser.add_argument_group("products")
    product.add_argument("--length", metavar="LENGTH", help="their mean length")
    product.add_argument("--length-within", metavar="LENGTH", help="how well it is known (default: 0.5 mm)")
    product.add_argument("--product-counts", metavar="N,N,…", help="their counts, instead of looking for --for")
    add_watching(parser, "look at products for so long, with --length", None)
    web = parser.add_argument_group("marks that were made with the present setting")
    web.add_argument("--pitches", metavar="N", type=int, help="so many pitches; repeat it for each measurement", **many)
    web.add_argument("--over", metavar="LENGTH", help="how long they really are, likewise", **many)
    web.add_argument("--pitch", metavar="LENGTH", help="the pitch asked for (default: the job's)")
    web.add_argument("--mark-length", metavar="LENGTH", help="a mark's real length; repeat it for each", **many)
    web.add_argument("--design-length", metavar="LENGTH", help="the mark's designed length (default: the job's)")
    web.add_argument("--station", metavar="NAME", help="which station made them, when the line has several")
    add_apply(parser)


def execute(args: argparse.Namespace) -> int:
    """Take all there is, combine it, and say."""
    from controller.commissioning.scale_combine import against, combine
    from controller.commissioning.scale_words import (
        combined_text,
        estimate_text,
        needs_text,
        product_texts,
        verdict_texts,
    )

    config = load(args.line_file)
    station = _station(config, args.station)
    show, encoder = config.display, config.settings.encoder
    raw = _typed(args)
    estimates, notes = _estimates(args, config, station, raw)
    if not estimates:
        return _nothing_of_ours(config, notes, args.json)
    gearing = 1.0 if encoder.wheel is None else encoder.wheel.gearing
    found = combine(estimates, gearing)
    verdict = against(encoder.scale_mm(), found, gearing, wheel=encoder.wheel is not None)
    wanted, changes = mended(encoder, verdict, show)
    says = [*notes, *verdict_texts(estimates, found, verdict)]
    needs = needs_text(found, verdict)
    distance = config.settings.stations[-1].distance if station is None else station.distance
    rows = [("line", f"{config.name}, set to {show.length(encoder.scale_mm())} a count")]
    rows += [(each.kind.value, estimate_text(each, show)) for each in estimates]
    rows += [("together", combined_text(found, show))]
    rows += [("verdict", text) for text in says]
    rows += [("on the product", text) for text in product_texts(verdict, distance, show)]
    rows += [("unknown", f"the scale; needs {needs}")] if needs else []
    applied = settle(args, config, rows, changes, encoder=wanted)
    result = _as_json(config, estimates, found, verdict, changes, {"verdict": says, "needs": needs, "applied": applied})
    keep(config, "scale", result, raw)
    if args.json:
        print_json(result)
    return OK if found.agree and (applied or not verdict.wrong) else NOT_OK


def _nothing_of_ours(config: LineConfig, notes: list[str], as_json: bool) -> int:
    """Say what was measured that tells no scale of ours. Raises BadInputError where nothing was."""
    needs = 'e.g. --taped "5 m" --counts 133457, or --length "200 mm" --for 30s'
    if not notes:
        raise BadInputError(f"nothing measured is given; give {needs}")
    rows = [("line", config.name), *(("verdict", note) for note in notes), ("unknown", f"the scale; needs {needs}")]
    print_rows(rows)
    if as_json:
        unknown = [{"what": "scale", "why": notes[0], "needs": needs}]
        print_json({"line": config.name, "mm_per_count": None, "verdict": notes, "unknown": unknown, "changes": []})
    return NOT_OK


def _station(config: LineConfig, name: str | None) -> StationSection | None:
    """The station that made the marks; None: the line has several, and none was named."""
    stations = config.settings.stations
    for station in stations:
        if station.name == name:
            return station
    if name is not None:
        known = ", ".join(f'"{s.name}"' for s in stations)
        raise BadInputError(f'--station: the line has no station "{name}"; it has {known}')
    return stations[0] if len(stations) == 1 else None


def _typed(args: argparse.Namespace) -> dict[str, Any]:
    """What was typed, to keep."""
    return {name: value for name, value in vars(args).items() if name != "execute" and value not in (None, [], False)}


def _mm(option: str, text: str | None) -> float | None:
    """Read a length of more than 0, in mm; None: not given."""
    from controller.units import parse_length_mm

    if text is None:
        return None
    try:
        value = parse_length_mm(text)
    except ValueError as error:
        raise BadInputError(f"{option}: {error}") from None
    if value <= 0.0:
        raise BadInputError(f'{option}: {text} is not more than 0; write e.g. "30 mm"')
    return value


def _mms(option: str, texts: Sequence[str]) -> list[float]:
    return [value for text in texts if (value := _mm(option, text)) is not None]


def _estimates(
    args: argparse.Namespace, config: LineConfig, station: StationSection | None, raw: dict[str, Any]
) -> tuple[list[Estimate], list[str]]:
    """Every estimate that the options give, and what is to be said of those that give none. Raises BadInputError.

    What was measured live is added to `raw`.
    """
    found: list[Estimate] = []
    notes: list[str] = []
    for option, estimate in (("--taped", _taped), ("--length", _products), ("--over", _pitch)):
        try:
            each = estimate(args, config, station, raw)
        except ValueError as error:
            raise BadInputError(f"{option}: {error}") from None
        found += [] if each is None else [each]
    if args.mark_length:
        each, note = _marks(args, config, station)
        found += [] if each is None else [each]
        notes += [note] if note else []
    return found, notes


def _taped(
    args: argparse.Namespace, config: LineConfig, _: StationSection | None, raw: dict[str, Any]
) -> Estimate | None:
    from controller.cli.commission_passes import live_passes
    from controller.commissioning.scale import PLACING_MM, taped

    lengths, counts = _mms("--taped", args.taped), args.counts
    tape, placing = _mm("--tape-within", args.tape_within), _mm("--placing-within", args.placing_within)
    if not lengths:
        if counts:
            raise BadInputError('--counts goes with --taped, the length of the passes, e.g. --taped "5 m"')
        return None
    if not counts:
        if len(lengths) > 1 or args.passes < 1:
            raise BadInputError("--taped without --counts is measured live: one length, and --passes of 1 or more")
        counts = raw["counts"] = live_passes(config, args.address, args.taped[0], args.passes)
    if len(lengths) == 1:
        lengths = lengths * len(counts)
    if len(lengths) != len(counts):
        raise BadInputError(
            f"{len(lengths)} times --taped and {len(counts)} times --counts; give one length, or one each"
        )
    return taped(lengths, counts, tape_within_mm=tape, placing_within_mm=PLACING_MM if placing is None else placing)


def _products(
    args: argparse.Namespace, config: LineConfig, _: StationSection | None, raw: dict[str, Any]
) -> Estimate | None:
    from controller.commissioning.scale import READING_MM, of_products

    length = _mm("--length", args.length)
    if length is None:
        if args.product_counts is not None:
            raise BadInputError('--product-counts goes with --length, e.g. --length "200 mm"')
        return None
    if args.product_counts is not None:
        try:
            counts = [float(text) for text in args.product_counts.split(",")]
        except ValueError:
            raise BadInputError(
                f'--product-counts: "{args.product_counts}" is no list of counts; write e.g. 5333,5335,5332,5334'
            ) from None
    else:
        if args.for_s is None:
            raise BadInputError("--length needs --product-counts, or --for to look at products, e.g. --for 30s")
        if not config.spec().detector.captured:
            raise BadInputError(
                "products are measured by captured edges, and this line has none; give --product-counts"
            )
        seen, _source = watch(config, args.address, args.for_s)
        if seen.captures_lost:
            raise BadInputError("edges came faster than they can be looked at; let fewer products come, or slower")
        counts = list(seen.lengths)
        raw["looked"] = raw_of(seen)
    within = _mm("--length-within", args.length_within)
    return of_products(length, counts, length_within_mm=READING_MM if within is None else within)


def _pitch(
    args: argparse.Namespace, config: LineConfig, station: StationSection | None, _: dict[str, Any]
) -> Estimate | None:
    from controller.commissioning.scale import of_pitch
    from controller.settings.job import plan_of

    measured = _mms("--over", args.over)
    if len(measured) != len(args.pitches):
        raise BadInputError(
            f"{len(args.pitches)} times --pitches and {len(measured)} times --over; give as many of both"
        )
    if not measured:
        return None
    pitch = _mm("--pitch", args.pitch)
    if pitch is None:
        if station is None:
            raise BadInputError("--station or --pitch is missing; the line has several stations")
        pitch = plan_of(station.name, config.job.plans).pitch
    within = _mm("--tape-within", args.tape_within)
    return of_pitch(config.settings.encoder.scale_mm(), pitch, args.pitches, measured, tape_within_mm=within)


def _marks(args: argparse.Namespace, config: LineConfig, station: StationSection | None) -> tuple[Estimate | None, str]:
    from controller.commissioning.scale import of_marks
    from controller.settings.job import plan_of

    if station is None:
        raise BadInputError(
            f'--station is missing; the line has several, e.g. --station "{config.settings.stations[0].name}"'
        )
    design = _mm("--design-length", args.design_length) or plan_of(station.name, config.job.plans).length
    lengths = _mms("--mark-length", args.mark_length)
    try:
        found = of_marks(config.settings.encoder.scale_mm(), design, lengths, station.pacing)
    except ValueError as error:
        raise BadInputError(f"--mark-length: {error}") from None
    if found is not None:
        return found, ""
    pacing = "is not told (setting pacing)" if station.pacing is None else f"is its {station.pacing.value}"
    return None, (
        f"marks come out {sum(lengths) / len(lengths) / design - 1.0:+.2%} long; what {station.name} paces itself from "
        f"{pacing}: that is the marker's own setting and says nothing of our scale"
    )


def _as_json(
    config: LineConfig, estimates: Sequence[Estimate], found: Combined, verdict: Verdict, changes: Sequence[Change],
    told: dict[str, Any],
) -> dict[str, Any]:  # fmt: skip
    error, half = 100.0 * verdict.error, 100.0 * verdict.half_width
    used = [{"kind": e.kind.value, "mm_per_count": e.mm_per_count, "u": e.u, "values": e.n} for e in estimates]
    return {
        "line": config.name,
        "setting_mm_per_count": config.settings.encoder.scale_mm(),
        "estimates": used,
        "mm_per_count": found.mm_per_count,
        "half_width_95": found.half_width,
        "p": found.p,
        "agree": found.agree,
        "apart": None if found.apart is None else estimates[found.apart].kind.value,
        "slip": None if verdict.slip is None else verdict.slip.kind.value,
        "scale_error_percent": {"value": error, "low95": error - half, "high95": error + half},
        "verdict": told["verdict"],
        "unknown": [{"what": "scale", "why": told["verdict"][0], "needs": told["needs"]}] if told["needs"] else [],
        "changes": [change.as_json() for change in changes],
        "applied": told["applied"],
    }
