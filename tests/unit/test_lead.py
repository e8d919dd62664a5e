"""The lead: how far ahead an order goes, and what a link must be able to do."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.lead import HOST_LATENESS_S, lead_mm, lead_time_s, needed_lease_s, orders_per_s, scan_s

seconds = st.floats(0.0, 10.0)


def test_lead_is_v_t_and_half_a_t_squared() -> None:
    assert lead_mm(500.0, 2000.0, 0.05) == pytest.approx(25.0 + 2.5)
    assert lead_mm(0.0, 2000.0, 0.05) == pytest.approx(2.5)
    assert lead_mm(-500.0, 0.0, 0.05) == pytest.approx(25.0)


def test_the_scan_is_the_period_or_the_exchange() -> None:
    assert scan_s(0.005, 0.001) == 0.005
    assert scan_s(0.005, 0.040) == 0.040
    assert orders_per_s(0.005, 0.040) == pytest.approx(25.0)


def test_lead_time_is_a_scan_two_exchanges_and_the_hosts_lateness() -> None:
    assert lead_time_s(0.005, 0.001) == pytest.approx(0.007 + HOST_LATENESS_S)
    assert lead_time_s(0.005, 0.040, 0.003) == pytest.approx(0.123 + HOST_LATENESS_S)


@given(seconds, seconds, seconds)
def test_a_worse_link_never_needs_less(period_s: float, exchange_s: float, more_s: float) -> None:
    assert lead_time_s(period_s, exchange_s + more_s) >= lead_time_s(period_s, exchange_s)
    assert needed_lease_s(period_s, exchange_s + more_s) >= needed_lease_s(period_s, exchange_s)
    assert needed_lease_s(period_s, exchange_s) > 2 * exchange_s
