"""One rounding for everything."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from otdravg.quantities import Quantity, distance_text, loss_text, number, reported


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.15000000000000002, "0.150"),
        (0.0005, "0.001"),  # binary 0.0005 lies a hair above; 0.0015 a hair below
        (0.0015, "0.002"),
        (-0.0005, "-0.001"),
        (-0.0004, "0.000"),
        (1e-12, "0.000"),
        (12.3456, "12.346"),
    ],
)
def test_losses_round_half_away_from_zero_to_a_thousandth(value: float, text: str) -> None:
    assert str(reported(value, Quantity.LOSS_DB)) == text


@pytest.mark.parametrize(("value", "text"), [(0.0001, "0.001"), (0.006, "0.006"), (0.0, "0.000")])
def test_uncertainties_round_up(value: float, text: str) -> None:
    assert str(reported(value, Quantity.UNCERTAINTY_DB)) == text


@pytest.mark.parametrize("value", [None, math.nan, math.inf, -math.inf])
def test_not_measured_stays_not_measured(value: float | None) -> None:
    assert reported(value, Quantity.LOSS_DB) is None
    assert number(value, Quantity.LOSS_DB) is None


@given(st.floats(-100, 100), st.sampled_from(Quantity))
def test_json_number_is_the_printed_text(value: float, quantity: Quantity) -> None:
    shown, as_number = reported(value, quantity), number(value, quantity)
    assert shown is not None
    assert as_number is not None
    assert Decimal(repr(as_number)) == shown
    assert abs(as_number - value) <= 10.0**-quantity.places


@pytest.mark.parametrize(
    ("distance_m", "km", "text"),
    [
        (1204.46, True, "1.205 km"),  # of the reported 1204.5 m
        (1204.44, False, "1204.4 m"),
        (-0.01, True, "0.000 km"),
        (math.nan, True, "unknown"),
    ],
)
def test_distance_text(distance_m: float, km: bool, text: str) -> None:
    assert distance_text(distance_m, km=km) == text


@pytest.mark.parametrize(
    ("loss_db", "expanded_db", "text"),
    [
        (0.1035, None, "0.104 dB"),  # half away from zero, as every output
        (0.258, 0.0104, "0.258 ± 0.011 dB"),  # an uncertainty is rounded up
        (-0.0002, 0.0001, "0.000 ± 0.001 dB"),
    ],
)
def test_loss_text(loss_db: float, expanded_db: float | None, text: str) -> None:
    assert loss_text(loss_db, expanded_db) == text
