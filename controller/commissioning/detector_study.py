"""All that is said of the eye from its edges, put together. Pure; mm, mm/s, s."""

from __future__ import annotations

from dataclasses import dataclass, replace

from controller.commissioning.detector import (
    AtSpeed,
    Filter,
    ResponseDifference,
    at_speeds,
    filters,
    inverted,
    response_difference,
)
from controller.commissioning.eye_edges import EyeEdges
from controller.commissioning.eye_products import EyeProducts, products_of
from controller.units import Display

MILLIMETRES = Display()


@dataclass(frozen=True, slots=True)
class EyeStudy:
    """What was found; lengths in `products` are in counts of `scale_mm`.

    `inverted`: the eye is blocked where no product is; None: not known, and blocked stretches are taken for products.
    """

    scale_mm: float
    inverted: bool | None
    inverted_why: str
    products: EyeProducts
    filters: list[Filter]
    speeds: list[AtSpeed]
    response: ResponseDifference | None


def study(
    edges: EyeEdges,
    scale_mm: float,
    now_mm: tuple[float, float, float],
    product_mm: float | None = None,
    clear_at_start: bool | None = None,
    display: Display = MILLIMETRES,
) -> EyeStudy:
    """Study the eye. `now_mm`: least length, least gap and hold-off as they are set; reasons are told as displayed."""
    product = None if product_mm is None else product_mm / scale_mm
    dark = products_of(edges, product)
    light = products_of(replace(edges, blocked=~edges.blocked), product)
    turned, why = inverted(dark, light, edges.blocked_at_start, clear_at_start, product)
    found = light if turned else dark
    return EyeStudy(
        scale_mm, turned, why, found, filters(found, scale_mm, now_mm, display), at_speeds(found, scale_mm),
        response_difference(found, scale_mm),
    )  # fmt: skip
