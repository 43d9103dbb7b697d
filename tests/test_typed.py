"""What people type, as every command and list reads it."""

from __future__ import annotations

import math

import pytest

from otdravg.errors import Unusable
from otdravg.typed import metres_of


@pytest.mark.parametrize(
    ("typed", "metres"),
    [
        ("500m", 500.0),
        ("1.2km", 1200.0),
        ("24m", 24.0),
        ("0", 0.0),
        ("24", None),  # metres or kilometres?
        ("0.5", None),
        ("1", None),
        ("99", None),
        ("100", 100.0),
        ("1000", 1000.0),  # no span has a thousand kilometres
        ("1000km", 1e6),
        ("1000001m", None),  # no shot reaches so far
        ("1001km", None),
        ("1.5KM", 1500.0),  # as a label maker prints it
        ("\u0661\u0660\u0660m", None),  # digits of another script: a slip of the keyboard
    ],
)
def test_a_length_is_read_as_it_was_typed(typed: str, metres: float | None) -> None:
    if metres is None:
        with pytest.raises(Unusable, match=r"write|check the unit"):
            metres_of(typed)
    else:
        assert metres_of(typed) == metres


def test_a_foot_is_the_international_foot() -> None:
    # International yard and pound agreement, 1959: 1 ft = 0.3048 m.
    assert math.isclose(metres_of("3280 ft"), 3280 * 0.3048)
    assert math.isclose(metres_of("3.28 kft"), 3280 * 0.3048)
