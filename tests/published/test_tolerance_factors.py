"""Factors of tolerance intervals: tables of ISO 16269-6 (from memory), NIST/SEMATECH handbook 7.2.6.3 (from memory)."""

from __future__ import annotations

import pytest

from controller.commissioning.accept import outside_limit, tolerance_factor

# n, share, confidence, one-sided k. ISO 16269-6:2014, annex C, standard deviation unknown: from memory.
ISO = [
    (10, 0.95, 0.95, 2.911),
    (20, 0.95, 0.95, 2.396),
    (50, 0.95, 0.95, 2.065),
    (10, 0.90, 0.95, 2.355),
    (20, 0.90, 0.95, 1.926),
    (10, 0.99, 0.95, 3.981),
    (20, 0.99, 0.95, 3.295),
    (50, 0.99, 0.95, 2.863),
]


@pytest.mark.parametrize(("n", "share", "confidence", "k"), ISO)
def test_one_sided_factors_of_the_table(n: int, share: float, confidence: float, k: float) -> None:
    assert tolerance_factor(share, confidence, n - 1.0, 1.0 / n) == pytest.approx(k, abs=1.1e-3)


def test_the_handbooks_wafer_example() -> None:
    """NIST/SEMATECH e-Handbook 7.2.6.3 (from memory): n 43, share 0.90, confidence 0.99, noncentral t: k 1.8740."""
    assert tolerance_factor(0.90, 0.99, 42.0, 1.0 / 43.0) == pytest.approx(1.8740, abs=1e-4)


@pytest.mark.parametrize(("n", "share", "confidence", "k"), ISO)
def test_the_limit_of_a_share_is_the_factor_turned_round(n: int, share: float, confidence: float, k: float) -> None:
    assert 1.0 - outside_limit(k, n - 1.0, 1.0 / n, confidence) == pytest.approx(share, abs=2e-4)
