"""One rounding for everything."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from otdravg.quantities import (
    Quantity,
    distance_text,
    figure,
    in_km,
    loss_text,
    number,
    quantity_of,
    reported,
)


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


#: What is shown of a value and of the same less a hair: the nearest figure for a quantity, the next
#: one up for an uncertainty.
SHOWN = {
    "LOSS_DB": {0.12351: "0.124", 0.12349: "0.123"},
    "UNCERTAINTY_DB": {0.12301: "0.124", 0.123: "0.123"},
    "STANDARD_UNCERTAINTY_DB": {0.12341: "0.1235", 0.1234: "0.1234"},
    "ATTENUATION_DB_PER_KM": {0.19151: "0.192", 0.19149: "0.191"},
    "U_ATTENUATION_DB_PER_KM": {0.00101: "0.002", 0.001: "0.001"},
    "DRIFT_DB_PER_KM": {0.00041: "0.0004", 0.00046: "0.0005"},
    "U_DRIFT_DB_PER_KM": {0.00041: "0.0005", 0.0004: "0.0004"},
    "REFLECTANCE_DB": {-45.251: "-45.3", -45.249: "-45.2"},
    "DISTANCE_M": {1204.451: "1204.5", 1204.449: "1204.4"},
    "DISTANCE_KM": {1.20451: "1.205", 1.20449: "1.204"},
    "U_DISTANCE_M": {2.31: "2.4", 2.3: "2.3"},
    "PULSES": {0.46551: "0.466", 0.46549: "0.465"},
    "U_PULSES": {0.00101: "0.002", 0.001: "0.001"},
    "MISFIT": {2.151: "2.2", 2.149: "2.1"},
    "RATIO": {1.04351: "1.044", 1.04349: "1.043"},
    "GROUP_INDEX": {1.4677451: "1.46775", 1.4677449: "1.46774"},
    "WAVELENGTH_NM": {1550.151: "1550.2", 1550.149: "1550.1"},
    "PULSE_NS": {100.251: "100.3", 100.249: "100.2"},
    "SPACING_M": {0.6381451: "0.63815", 0.6381449: "0.63814"},
    "TIME_S": {30.051: "30.1", 30.049: "30.0"},
    "TIME_MS": {0.51251: "0.513", 0.51249: "0.512"},
}


@pytest.mark.parametrize("name", Quantity.__members__)
def test_decimals_of_every_quantity(name: str) -> None:
    texts = SHOWN[name]
    assert {value: str(reported(value, Quantity[name])) for value in texts} == texts


@pytest.mark.parametrize(
    ("u_db", "text"),
    # What binary floats add in the twelfth digit does not round a figure up; a billionth does.
    [(0.1 + 0.2, "0.300"), (0.006 + 4e-10, "0.006"), (0.006 + 6e-10, "0.007")],
)
def test_noise_of_binary_floats_does_not_round_up(u_db: float, text: str) -> None:
    assert str(reported(u_db, Quantity.UNCERTAINTY_DB)) == text


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
        (-0.4, True, "0.000 km"),  # no minus before nothing
        (-1204.46, True, "-1.205 km"),
        (1000.5, True, "1.001 km"),  # half away from zero
        (0.0, False, "0.0 m"),
        (math.nan, True, "unknown"),
        (math.nan, False, "unknown"),
    ],
)
def test_distance_text(distance_m: float, km: bool, text: str) -> None:
    assert distance_text(distance_m, km=km) == text


def test_two_kilometres_and_more_read_in_kilometres() -> None:
    assert [in_km(span_m) for span_m in (0.0, 1999.9, 2000.0, 2000.1, 90_000.0)] == [
        False, False, True, True, True
    ]  # fmt: skip


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


@pytest.mark.parametrize(
    ("name", "quantity"),
    [
        ("loss_db", Quantity.LOSS_DB),
        ("expanded_db", Quantity.UNCERTAINTY_DB),
        ("db", Quantity.LOSS_DB),
        ("attenuation_db_per_km", Quantity.ATTENUATION_DB_PER_KM),
        ("expanded_db_per_km", Quantity.U_ATTENUATION_DB_PER_KM),
        ("drift_db_per_km", Quantity.DRIFT_DB_PER_KM),
        ("expanded_drift_db_per_km", Quantity.U_DRIFT_DB_PER_KM),
        ("length_m", Quantity.DISTANCE_M),
        ("expanded_length_m", Quantity.U_DISTANCE_M),
        ("reach_km", Quantity.DISTANCE_KM),
        ("nominal_nm", Quantity.WAVELENGTH_NM),
        ("pulse_ns", Quantity.PULSE_NS),
        ("averaging_s", Quantity.TIME_S),
        ("rise_ms", Quantity.TIME_MS),
        ("tail_pulses", Quantity.PULSES),
        ("expanded_tail_pulses", Quantity.U_PULSES),
        ("misfit", Quantity.MISFIT),
        ("group_index", Quantity.GROUP_INDEX),
        ("count", None),
        ("items", None),  # no unit s, and none m
        ("farm", None),
        ("", None),
    ],
)
def test_the_end_of_a_name_says_what_its_value_is(name: str, quantity: Quantity | None) -> None:
    # Members of the same decimals are one to Python: what counts is how they round.
    found = quantity_of(name)
    assert (found and found.value) == (quantity and quantity.value)


@pytest.mark.parametrize(
    ("name", "value", "spec", "text"),
    [
        ("loss_db", 0.1035, "", "0.104"),
        ("expanded_db", 0.1031, "", "0.104"),
        ("length_m", 1204.46, ".0f", "1204"),
        ("length_m", 1204.5, ".0f", "1205"),  # half away from zero; Python's own gives 1204
        ("expanded_length_m", 4.1, ".0f", "5"),
        ("loss_db", 0.1235, ".2f", "0.12"),
        ("change_db", 0.1235, "+.2f", "+0.12"),
        ("change_db", 0.1235, "+", "+0.124"),
        ("change_db", -0.1235, "+", "-0.124"),
        ("change_db", -0.0001, "", "0.000"),
        ("limit_db", 0.15, "g", "0.15"),
        ("limit_db", Decimal("0.1500"), "", "0.1500"),
        ("pulse_ns", 100, "", "100"),
        ("count", 7.25, "", "7.25"),
        ("count", 7.25, ".1f", "7.2"),
        ("loss_db", math.nan, ".3f", "nan"),
        ("length_m", math.inf, ".0f", "inf"),
    ],
)
def test_a_number_in_a_sentence_is_rounded_as_in_the_tables(
    name: str, value: float | Decimal, spec: str, text: str
) -> None:
    assert figure(name, value, spec) == text


def test_a_figure_of_more_digits_than_decimals_usually_have_is_still_rounded() -> None:
    # The default context of decimal has 28 digits; 1e30 with nine places needs 40.
    assert reported(1e30, Quantity.LOSS_DB) == Decimal("1e30")
