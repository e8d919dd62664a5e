"""How far ahead a target must be sent, from what the link can do.

A status sample is up to one exchange old when the decision is made. If the order is not given now, the next
sample comes one scan (and the jitter of one exchange) later, and its order needs part of an exchange to arrive.
So from this sample to the arrival of the next scan's order: scan + exchange + exchange, and the host's own lateness.
"""

from __future__ import annotations

HOST_LATENESS_S = 0.020
"""What the controller's computer may be late by, now and then (ordinary scheduling, no real-time kernel)."""


def scan_s(period_s: float, exchange_s: float) -> float:
    """The scan that the link allows, in s: the period, or the exchange where that takes longer."""
    return max(period_s, exchange_s)


def lead_time_s(period_s: float, exchange_s: float, least_lead_s: float = 0.0) -> float:
    """How long before its target an order is sent, in s, for the worst exchange to reckon with."""
    return scan_s(period_s, exchange_s) + 2.0 * exchange_s + HOST_LATENESS_S + least_lead_s


def lead_mm(speed_mm_s: float, accel_mm_s2: float, time_s: float) -> float:
    """The belt that passes in `time_s` from `speed_mm_s` at the greatest acceleration: v·t + ½·a·t², in mm."""
    return abs(speed_mm_s) * time_s + 0.5 * accel_mm_s2 * time_s * time_s


def needed_lease_s(period_s: float, exchange_s: float) -> float:
    """The shortest lease that is kept although one exchange fails and the next is at its worst, in s."""
    return 2.0 * (scan_s(period_s, exchange_s) + exchange_s) + HOST_LATENESS_S


def orders_per_s(period_s: float, exchange_s: float) -> float:
    """How many orders a second the link carries for certain: one a scan, at the worst exchange."""
    return 1.0 / scan_s(period_s, exchange_s)
