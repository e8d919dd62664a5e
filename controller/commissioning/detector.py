"""The eye: its polarity, its repeatability at two speeds, and the filters that suit it. Pure; mm, mm/s, s."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from controller.commissioning.eye_products import EyeProducts
from controller.commissioning.least_squares import fit
from controller.link_figures import Array
from controller.units import Display

LEAST_PRODUCTS = 5
"""From fewer no filter is proposed."""
SPEEDS_APART = 1.2
"""Two speeds are told apart where one is so many times the other."""
STEADY_PART = 0.1
"""The length of a product is held against a speed where that changed by less than this part of it meanwhile."""
LIKE_PART = 0.2
"""A length that is known is met within this part of it."""
SAFETY = 2.0
"""A filter is to be so many times what it has to keep out, and what it must let through so many times the filter."""


@dataclass(frozen=True, slots=True)
class Filter:
    """A filter's setting in mm: as it is, the range that suits what was seen, what is proposed, and why.

    `high_mm` below `low_mm`: none suits, and `value_mm` is None.
    """

    name: str
    now_mm: float
    low_mm: float
    high_mm: float
    value_mm: float | None
    why: str

    @property
    def suits(self) -> bool:
        """Whether what is set now may stay."""
        return self.low_mm <= self.now_mm <= self.high_mm


@dataclass(frozen=True, slots=True)
class AtSpeed:
    """Products that passed at about one speed: mean speed, mean length and its scatter (None: of one only)."""

    products: int
    speed_mm_s: float
    length_mm: float
    sd_mm: float | None


@dataclass(frozen=True, slots=True)
class ResponseDifference:
    """How much later the trailing edge is told than the leading one, in s, with its 95 % interval."""

    value_s: float
    low_s: float
    high_s: float


def inverted(
    dark: EyeProducts, light: EyeProducts, blocked_at_start: bool, clear_at_start: bool | None, product: float | None
) -> tuple[bool | None, str]:
    """Say whether the eye is blocked where no product is, and from what; None: nothing tells, or two things disagree.

    `dark` are the products where blocked stretches are taken for them, `light` where clear ones are; `product` a
    product's known length in counts; `clear_at_start` what a person says.
    """
    said = None if clear_at_start is None else blocked_at_start == clear_at_start
    measured: bool | None = None
    if product is not None:
        as_dark, as_light = (_like(found.lengths, product) for found in (dark, light))
        measured = None if as_dark == as_light else as_light
    if said is not None and measured is not None and said != measured:
        return None, "what was said of the eye at the start and the product's length contradict each other"
    if measured is not None:
        stretches = "clear" if measured else "blocked"
        return measured, f"the {stretches} stretches are as long as the product"
    if said is not None:
        return said, f"the eye was told {'blocked' if blocked_at_start else 'clear'} at the start, and a person saw it"
    if product is not None:
        both = _like(dark.lengths, product)
        return None, f"{'both' if both else 'neither'} blocked and clear stretches are as long as the product"
    return None, "from edges alone products and the gaps between them cannot be told apart"


def _like(lengths: Array, product: float) -> bool:
    return bool(len(lengths)) and abs(float(np.median(lengths)) - product) <= LIKE_PART * product


def filters(found: EyeProducts, scale_mm: float, now_mm: tuple[float, float, float], display: Display) -> list[Filter]:
    """Propose least length, least gap and hold-off; `now_mm` in that order. None from too few products."""
    if len(found.lengths) < LEAST_PRODUCTS or len(found.gaps) < LEAST_PRODUCTS - 1:
        return []
    told = display.length
    shortest, gap, pitch = (scale_mm * float(v.min()) for v in (found.lengths, found.gaps, found.pitches))
    pulse, hole, bounce = (scale_mm * _longest(v) for v in (found.pulses, found.breaks, found.lead_bounces))
    length = _filter(
        "least_length", now_mm[0], max(SAFETY * pulse, 0.1 * shortest), 0.75 * shortest, 0.5 * shortest,
        f"the shortest product was {told(shortest, 4)}, the longest pulse that was none {told(pulse, 3)}",
    )  # fmt: skip
    between = _filter(
        "least_gap", now_mm[1], SAFETY * hole, 0.5 * gap, min(max(now_mm[1], 1.5 * SAFETY * hole), 0.5 * gap),
        f"the smallest gap between products was {told(gap, 4)}, the longest within one {told(hole, 3)}",
    )  # fmt: skip
    hold = _filter(
        "hold_off", now_mm[2], SAFETY * bounce, 0.75 * pitch, min(shortest, 0.75 * pitch),
        f"the eye settled {told(bounce, 3)} after a leading edge at the latest; the next product began "
        f"{told(pitch, 4)} after it at the earliest",
    )  # fmt: skip
    return [length, between, hold]


def _longest(values: Array) -> float:
    return float(values.max()) if len(values) else 0.0


def _filter(name: str, now: float, low: float, high: float, wanted: float, why: str) -> Filter:
    value = None if high < low else _round(float(np.clip(wanted, low, high)), low, high)
    return Filter(name, now, low, high, value, why)


def _round(value: float, low: float, high: float) -> float:
    """The value with as few digits as it may have."""
    for digits in range(2, 6):
        short = float(f"{value:.{digits}g}")
        if low <= short <= high:
            return short
    return value


def at_speeds(found: EyeProducts, scale_mm: float) -> list[AtSpeed]:
    """Give the lengths at the low and at the high speed, or at the one there was."""
    speed, length = _steady(found, scale_mm)
    if not len(speed):
        return []
    order = np.argsort(speed)
    speed, length = speed[order], length[order]
    cut = int(np.argmax(speed[1:] / speed[:-1])) + 1 if speed[-1] >= SPEEDS_APART * speed[0] else 0
    groups = [g for g in (slice(0, cut), slice(cut, None)) if len(speed[g])]
    return [
        AtSpeed(
            len(speed[g]), float(speed[g].mean()), float(length[g].mean()),
            float(length[g].std(ddof=1)) if len(speed[g]) > 1 else None,
        )
        for g in groups
    ]  # fmt: skip


def response_difference(found: EyeProducts, scale_mm: float) -> ResponseDifference | None:
    """Tell from the change of length with speed by how much the edges' responses differ; None: not from these."""
    speed, length = _steady(found, scale_mm)
    groups = at_speeds(found, scale_mm)
    # One product at a speed of its own would be all that the slope hangs on.
    if len(speed) < LEAST_PRODUCTS or len(groups) < 2 or min(group.products for group in groups) < 2:
        return None
    # An edge lies anywhere in its count: the difference of two scatters by √(1/6) of one, however alike they look.
    fitted = fit(np.stack([np.ones_like(speed), speed], axis=1), length, least_sd=scale_mm / np.sqrt(6.0))
    slope, half = fitted.value((0.0, 1.0)), fitted.half_width((0.0, 1.0))
    return ResponseDifference(slope, slope - half, slope + half)


def _steady(found: EyeProducts, scale_mm: float) -> tuple[Array, Array]:
    """Give speeds and lengths of products that passed evenly."""
    mean = 0.5 * (found.lead_speeds + found.trail_speeds)
    even = (mean > 0.0) & (np.abs(found.trail_speeds - found.lead_speeds) <= STEADY_PART * mean)
    return scale_mm * mean[even], scale_mm * found.lengths[even]
