"""What is changed in the line's file after a scale was measured: the slip first, then what remains."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from controller.cli.commission_watch import Change

if TYPE_CHECKING:
    from controller.commissioning.scale_combine import Verdict
    from controller.settings.sections import EncoderSection, WheelSection
    from controller.units import Display

DECODES = (1, 2, 4)


def mended(encoder: EncoderSection, verdict: Verdict, display: Display) -> tuple[EncoderSection, list[Change]]:
    """Give the encoder's section as it should be, and each setting that differs."""
    if not verdict.wrong or not verdict.believed:
        return encoder, []
    wheel = encoder.wheel
    if wheel is None or encoder.mm_per_count is not None:
        if encoder.mm_per_count is None or not verdict.correct:
            return encoder, []
        new = _shown(encoder.mm_per_count / (1.0 + verdict.rest), display)
        changes = [_length_change("mm_per_count", encoder.mm_per_count, new, display)]
        return encoder.model_copy(update={"mm_per_count": new}), changes
    mended_wheel = wheel.model_copy(update=_slip_update(wheel, verdict))
    if verdict.correct:
        name = "diameter" if mended_wheel.circumference is None else "circumference"
        new = _shown(getattr(mended_wheel, name) / (1.0 + verdict.rest), display)
        mended_wheel = mended_wheel.model_copy(update={name: new})
    changes = list(_differences(wheel, mended_wheel, display))
    return encoder.model_copy(update={"wheel": mended_wheel}), changes


def _slip_update(wheel: WheelSection, verdict: Verdict) -> dict[str, Any]:
    """What the slip changes in the wheel's data."""
    from controller.commissioning.scale_combine import SlipKind

    slip = verdict.slip
    if slip is None:
        return {}
    name = "diameter" if wheel.circumference is None else "circumference"
    match slip.kind:
        case SlipKind.DIAMETER_FOR_CIRCUMFERENCE if wheel.circumference is not None:
            return {"circumference": None, "diameter": wheel.circumference}
        case SlipKind.CIRCUMFERENCE_FOR_DIAMETER if wheel.diameter is not None:
            return {"circumference": wheel.diameter, "diameter": None}
        case SlipKind.DIAMETER_FOR_CIRCUMFERENCE | SlipKind.CIRCUMFERENCE_FOR_DIAMETER | SlipKind.INCHES:
            return {name: getattr(wheel, name) / slip.ratio}  # π once too often, or once too few
        case SlipKind.DECODE:
            decode = wheel.decode * slip.ratio
            return {"decode": int(decode)} if decode in DECODES else {"gearing": wheel.gearing * slip.ratio}
        case SlipKind.GEARING_NOT_THERE:
            return {"gearing": 1.0}
        case SlipKind.GEARING_UPSIDE_DOWN:
            return {"gearing": 1.0 / wheel.gearing}


def _differences(old: WheelSection, new: WheelSection, display: Display) -> list[Change]:
    changes = []
    for name in ("circumference", "diameter", "decode", "gearing"):
        before, after = getattr(old, name), getattr(new, name)
        if before == after:
            continue
        if name in ("decode", "gearing"):
            changes.append(Change(f"encoder.wheel.{name}", f"{before:g}", f"{after:g}"))
        else:
            changes.append(_length_change(f"wheel.{name}", before, after, display))
    return changes


def _length_change(name: str, old: float | None, new: float | None, display: Display) -> Change:
    def text(value: float | None) -> str:
        return "not given" if value is None else display.length(value)

    return Change(f"encoder.{name}", text(old), text(new))


def _shown(mm: float, display: Display) -> float:
    """A length as it is shown: what is written to the file is what was read on the screen."""
    from controller.units import parse_length_mm

    return parse_length_mm(display.length(mm))
