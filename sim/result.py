"""What a bench ends with: the controller's own sums beside the truth, and whether the two are good enough."""

from __future__ import annotations

from typing import Any

from controller.plant.view import controller_part

__all__ = ["controller_part", "shortfalls"]


def shortfalls(result: dict[str, Any]) -> list[str]:
    """Why a bench's result is not good, each in words; empty when it is.

    Good means: the counts balance, every mark is on its product, once, and within the tolerance, and every product
    that passed the marker was seen — at least one. A missed mark has its reason and is no shortfall of the bench.
    """
    world, placement, seen = result["world"], result["placement"], result["products"]
    found = []
    if not result["balanced"]:
        found.append("the counts do not balance")
    if not seen["detected"]:
        found.append("no product was seen")
    if world["undetected"]:
        found.append(f"{world['undetected']} products passed the detector unseen")
    if seen["detected"] + seen["unknown"] < world["past_marker"]:
        found.append(f"{world['past_marker']} products passed the marker, {seen['detected']} were detected")
    if result["doubles"]:
        found.append(f"{result['doubles']} marks were made twice")
    if result["off_product"]:
        found.append(f"{result['off_product']} marks hit no product")
    if placement["n"] and placement["max_abs_mm"] > placement["tolerance_mm"]:
        found.append(
            f"a mark was {placement['max_abs_mm']:.4f} mm off, the tolerance is {placement['tolerance_mm']:.4f} mm"
        )
    if not placement["n"] and not result["dry"]:
        found.append("no mark was made")
    return found
