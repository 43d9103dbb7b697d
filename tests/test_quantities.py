"""One rounding for everything."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from otdravg.quantities import (
    Quantity,
    distance,
    distance_text,
    figure,
    in_km,
    loss_text,
    number,
    quantity_of,
    reported,
)
from otdravg.words.catalogue import told


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
    "REFLECTANCE_DB": {-45.251: "-45.3", -45.249: "-45.2"},
    "DISTANCE_M": {1204.451: "1204.5", 1204.449: "1204.4"},
    "U_DISTANCE_M": {2.31: "2.4", 2.3: "2.3"},
    "PULSES": {0.46551: "0.466", 0.46549: "0.465"},
    "U_PULSES": {0.00101: "0.002", 0.001: "0.001"},
    "MISFIT": {2.151: "2.2", 2.149: "2.1"},
    "LOG_ODDS": {119.251: "119.3", 119.249: "119.2"},
    "RATIO": {1.04351: "1.044", 1.04349: "1.043"},
    "GROUP_INDEX": {1.4677451: "1.46775", 1.4677449: "1.46774"},
    "WAVELENGTH_NM": {1550.151: "1550.2", 1550.149: "1550.1"},
    "PULSE_NS": {100.251: "100.3", 100.249: "100.2"},
    "SPACING_M": {0.6381451: "0.63815", 0.6381449: "0.63814"},
    "TIME_S": {30.051: "30.1", 30.049: "30.0"},
    "TIME_MS": {8.58951: "8.590", 8.58949: "8.589"},
    "DISTANCE_KM": {12.34451: "12.345", 12.34449: "12.344"},
    "DRIFT_DB_PER_KM": {0.00415001: "0.0042", 0.00414999: "0.0041"},
    "U_DRIFT_DB_PER_KM": {0.003301: "0.0034", 0.0033: "0.0033"},
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
        ("table_db_per_km", Quantity.ATTENUATION_DB_PER_KM),
        ("expanded_drift_db_per_km", Quantity.U_DRIFT_DB_PER_KM),
        ("length_m", Quantity.DISTANCE_M),
        ("actual_nm", Quantity.WAVELENGTH_NM),
        ("index", Quantity.GROUP_INDEX),
        ("points", None),
        ("item", None),  # ends in m, but not in a unit
    ],
)
def test_the_unit_in_a_name_says_what_a_number_is(name: str, quantity: Quantity | None) -> None:
    assert quantity_of(name) is quantity


@pytest.mark.parametrize(
    ("name", "value", "spec", "text"),
    [
        ("at_m", 1234.5, ".0f", "1235"),  # half away from zero; binary rounding has 1234
        ("change_db", 0.105, "+.2f", "+0.11"),
        ("change_db", -0.001, "+.2f", "+0.00"),  # never a negative zero
        ("expanded_db", 0.0101, ".2f", "0.02"),  # an uncertainty goes up, however it is cut
        ("most_m", 0.001, "g", "0.001"),  # somebody's figure keeps its digits
        ("stored", 0xBEEF, "04X", "BEEF"),
        ("nominal_nm", 1550, "", "1550"),
        ("limit_db", Decimal("0.15"), "", "0.15"),
        ("percent", -0.0, "+", "+0.0"),
    ],
)
def test_a_number_in_a_sentence(name: str, value: float | Decimal, spec: str, text: str) -> None:
    assert figure(name, value, spec) == text


@given(st.floats(0, 1e6), st.booleans())
def test_a_distance_reads_the_same_in_sentences_and_tables(distance_m: float, km: bool) -> None:
    assert told(distance(distance_m, km=km)) == distance_text(distance_m, km=km)
