"""What `beltcue commission trial` shows: the settings to change, rows for people, one object for scripts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from controller.cli.commission_watch import Change

if TYPE_CHECKING:
    from controller.commissioning.trial_data import Interval, Trial
    from controller.commissioning.trial_words import UnknownText
    from controller.settings.line import LineConfig
    from controller.settings.sections import EncoderSection, StationSection
    from controller.units import Display


def _plain(value: UnknownText) -> dict[str, str]:
    return {"what": value.what, "why": value.why, "needs": value.needs}


@dataclass(frozen=True, slots=True)
class Proposed:
    """The settings to change, in the line file's own terms, and the line's sections with them changed."""

    changes: list[Change]
    station: StationSection
    encoder: EncoderSection


def proposed(config: LineConfig, number: int, station: StationSection, trial: Trial) -> Proposed:
    """What a trial proposes for the station, the line's `number`th. New values are as they are shown."""
    from controller.units import parse_duration_s, parse_length_mm

    display, encoder = config.display, config.settings.encoder
    changes: list[Change] = []

    def new(setting: str, old: str, wanted: str) -> str:
        if old != wanted:
            changes.append(Change(setting, old, wanted))
        return wanted

    fix = trial.correction
    if fix is not None and fix.distance_mm:
        where, to = f"stations#{number}.distance", display.length(station.distance - fix.distance_mm)
        to = new(where, display.length(station.distance), to)
        station = station.model_copy(update={"distance": parse_length_mm(to)})
    if fix is not None and fix.delay_s:
        where, to = f"stations#{number}.response", display.time(max(0.0, station.response + fix.delay_s))
        to = new(where, display.time(station.response), to)
        station = station.model_copy(update={"response": parse_duration_s(to)})
    if fix is not None and fix.scale:
        wheel, names = encoder.wheel, ("mm_per_count", "circumference", "diameter")
        holder = encoder if wheel is None else wheel
        name, old = next((n, v) for n in names if (v := getattr(holder, n, None)) is not None)
        where = f"encoder.{name}" if wheel is None else f"encoder.wheel.{name}"
        to = new(where, display.length(old), display.length(old * (1.0 + fix.scale)))
        update: dict[str, Any] = {name: parse_length_mm(to)}
        encoder = encoder.model_copy(update=update if wheel is None else {"wheel": wheel.model_copy(update=update)})
    return Proposed(changes, station, encoder)


def term_rows(trial: Trial, display: Display) -> list[tuple[str, str]]:
    """The unknowns with their intervals, and the scatter."""
    from controller.commissioning.trial_data import Term
    from controller.units import to_unit

    per_mm = to_unit(1.0, display.length_unit)
    rows = []
    for term, name, factor, unit in (
        (Term.DISTANCE, "distance error", per_mm, display.length_unit),
        (Term.DELAY, "delay", 1e3, "ms"),
        (Term.SCALE, "scale error", 100.0, "%"),
    ):
        found = trial.terms.get(term)
        if found is None:
            rows.append((name, "not known, see below"))
        else:
            rows.append((name, f"{found.value * factor:+.3f} ± {found.half_width * factor:.2g} {unit} (95 %)"))
    p = "" if trial.lack_of_fit_p is None else f"; lack of fit p = {trial.lack_of_fit_p:.2g}"
    return [*rows, ("scatter", f"{display.length(trial.scatter_mm, 3)}, one sigma of a single mark{p}")]


def _interval(found: Interval | None, factor: float = 1.0) -> dict[str, float] | None:
    if found is None:
        return None
    return {"value": found.value * factor, "low95": found.low * factor, "high95": found.high * factor}


def as_json(trial: Trial, told: dict[str, Any]) -> dict[str, Any]:
    """One object for scripts; `told` is what is said in words besides."""
    from controller.commissioning.trial_data import Term

    def predicted(after: bool) -> list[dict[str, float]]:
        means = [(p.speed_mm_s, p.after if after else p.now, p.mark_half_width) for p in trial.predicted]
        return [
            {"speed_mm_s": v, "error_mm": m.value, "low95": m.low, "high95": m.high, "single_mark_95_mm": single}
            for v, m, single in means
        ]

    length = trial.length
    return {
        "distance_error_mm": _interval(trial.terms.get(Term.DISTANCE)),
        "delay_ms": _interval(trial.terms.get(Term.DELAY), 1e3),
        "scale_error_percent": _interval(trial.terms.get(Term.SCALE), 100.0),
        "unknown": [_plain(u) for u in told["unknown"]],
        "standstill_error_mm": _interval(trial.standstill),
        "scatter_mm": trial.scatter_mm,
        "lack_of_fit_p": trial.lack_of_fit_p,
        "outliers": [i + 1 for i in trial.outliers],
        "mark_length": None
        if length is None
        else {
            "owner": length.owner.value,
            "error_percent": length.error * 100.0,
            "low95": (length.error - length.half_width) * 100.0,
            "high95": (length.error + length.half_width) * 100.0,
            "cut_from_mm_s": length.cut_from_mm_s,
        },
        "verdict": told["verdict"],
        "changes": [change.as_json() for change in told["changes"]],
        "applied": told["applied"],
        "predicted": predicted(after=False),
        "within_tolerance": trial.within_tolerance,
        "predicted_after_changes": predicted(after=True),
        "within_tolerance_after_changes": trial.within_after,
        "proposal": told["proposal"],
    }
