"""Option values as people type them."""

from __future__ import annotations

import pytest

from otdravg.cli.options import group_index, length_m, lengths_m, response, wavelengths_nm
from otdravg.errors import Unusable


@pytest.mark.parametrize(
    ("text", "metres"),
    [
        ("1km", 1000.0),
        ("1.012 km", 1012.0),
        ("500m", 500.0),
        ("1000", 1000.0),
        (".5KM", 500.0),
        ("100ft", 30.48),  # 1 ft = 0.3048 m exactly (international yard and pound, 1959)
        ("10kft", 3048.0),
        ("0", 0.0),
    ],
)
def test_lengths(text: str, metres: float) -> None:
    assert length_m(text) == pytest.approx(metres)


@pytest.mark.parametrize("text", ["", "m", "-5", "3 miles", "1e9", "nan", "1,5km", "1001km", "٣m"])
def test_no_lengths(text: str) -> None:
    with pytest.raises(Unusable):
        length_m(text)


def test_several_lengths() -> None:
    assert lengths_m("1km, 2500,3.2km") == (1000.0, 2500.0, 3200.0)
    with pytest.raises(Unusable):
        lengths_m("1km,,2km")


def test_poles_of_a_receiver() -> None:
    assert response("0.8, 0.3").poles == (0.8, 0.3)
    assert response("0.4").u_poles == pytest.approx(0.02)  # as the command reference says
    assert (response("0").poles, response("0").u_poles) == ((), 0.0)
    for text in ("", "-0.4", "0.4m", "0.1,0.2,0.3", "nan"):
        with pytest.raises(Unusable):
            response(text)


def test_wavelengths() -> None:
    assert wavelengths_nm("1310, 1550,1310") == (1310, 1550)
    for text in ("", "1310;1550", "850", "13100", "x"):
        with pytest.raises(Unusable):
            wavelengths_nm(text)


def test_group_index() -> None:
    assert group_index("1.4682") == 1.4682
    for text in ("nan", "14.682", "1.0", "1.9", "1,4682", "inf", "-1.4682", "1.4682e0"):
        with pytest.raises(Unusable):
            group_index(text)
