"""How numbers are rounded: once, here, for verdicts and for every output.

A loss is judged as it is reported, so the rounding comes before the comparison and
is the same in the table, the CSV and the JSON. Rounding is decimal, half away from
zero; uncertainties are rounded up, so that a small one never reads as none.
"""

from __future__ import annotations

import math
from decimal import ROUND_CEILING, ROUND_HALF_UP, Context, Decimal
from enum import Enum

from otdravg.findings import Statement, says

#: Binary floats carry noise in the last digits (0.15000000000000002); it ends here.
_FLOAT_NOISE = Decimal("1e-9")
#: Digits for any float (1.8e308) with the noise behind its point: no figure is too large to write.
_WIDE = Context(prec=330)


class Quantity(Enum):
    """What a number is: decimals it is reported with, and whether it is rounded up."""

    LOSS_DB = (3, False)
    UNCERTAINTY_DB = (3, True)
    STANDARD_UNCERTAINTY_DB = (4, True)
    ATTENUATION_DB_PER_KM = (3, False)
    U_ATTENUATION_DB_PER_KM = (3, True)
    DRIFT_DB_PER_KM = (4, False)
    U_DRIFT_DB_PER_KM = (4, True)
    REFLECTANCE_DB = (1, False)
    DISTANCE_M = (1, False)
    DISTANCE_KM = (3, False)
    U_DISTANCE_M = (1, True)
    LOG_ODDS = (1, False)
    RATIO = (3, False)
    PULSES = (3, False)
    U_PULSES = (3, True)
    MISFIT = (1, False)
    GROUP_INDEX = (5, False)
    WAVELENGTH_NM = (1, False)
    PULSE_NS = (1, False)
    SPACING_M = (5, False)
    TIME_S = (1, False)
    TIME_MS = (3, False)

    @property
    def places(self) -> int:
        """Decimals shown."""
        return self.value[0]

    @property
    def rounds_up(self) -> bool:
        """Whether the number is an uncertainty (JCGM 100:2008, 7.2.6 allows rounding up)."""
        return self.value[1]


#: What a number is by the end of its name, and what it is if the name begins with ``expanded``;
#: the first that fits.
_BY_UNIT = {
    "drift_db_per_km": (Quantity.DRIFT_DB_PER_KM, Quantity.U_DRIFT_DB_PER_KM),
    "db_per_km": (Quantity.ATTENUATION_DB_PER_KM, Quantity.U_ATTENUATION_DB_PER_KM),
    "db": (Quantity.LOSS_DB, Quantity.UNCERTAINTY_DB),
    "m": (Quantity.DISTANCE_M, Quantity.U_DISTANCE_M),
    "km": (Quantity.DISTANCE_KM, Quantity.DISTANCE_KM),
    "nm": (Quantity.WAVELENGTH_NM, Quantity.WAVELENGTH_NM),
    "ns": (Quantity.PULSE_NS, Quantity.PULSE_NS),
    "ms": (Quantity.TIME_MS, Quantity.TIME_MS),
    "s": (Quantity.TIME_S, Quantity.TIME_S),
    "pulses": (Quantity.PULSES, Quantity.U_PULSES),
    "misfit": (Quantity.MISFIT, Quantity.MISFIT),
    "nats": (Quantity.LOG_ODDS, Quantity.LOG_ODDS),
    "index": (Quantity.GROUP_INDEX, Quantity.GROUP_INDEX),
}


def quantity_of(name: str) -> Quantity | None:
    """Tell by the unit in a value's name what the value is; None without a unit."""
    unit = next((u for u in _BY_UNIT if f"_{name}".endswith(f"_{u}")), None)
    return None if unit is None else _BY_UNIT[unit][name.startswith("expanded_")]


def reported(value: float | None, quantity: Quantity) -> Decimal | None:
    """Round a value as every output reports it.

    Parameters
    ----------
    value : float or None
        The value in the unit that ``quantity`` names; None and NaN mean "not measured".
    quantity : Quantity
        What the value is.

    Returns
    -------
    Decimal or None
        The value with exactly the decimals of the quantity; never a negative zero.
    """
    if value is None or not math.isfinite(value):
        return None
    return _rounded(value, quantity.places, quantity.rounds_up)


def _rounded(value: float, places: int, up: bool) -> Decimal:
    exact = Decimal(repr(float(value))).quantize(_FLOAT_NOISE, ROUND_HALF_UP, _WIDE)
    rounding = ROUND_CEILING if up else ROUND_HALF_UP
    result = exact.quantize(Decimal(1).scaleb(-places), rounding, _WIDE)
    return abs(result) if result.is_zero() else result


def figure(name: str, value: float | Decimal, spec: str = "") -> str:
    """Write a number of a sentence by the rules of what its name says it is.

    Parameters
    ----------
    name : str
        Name with the unit at its end, such as ``"length_m"`` or ``"expanded_db"``.
    value : float, int or Decimal
        A whole number is a count or a nominal figure and has no decimals. A Decimal was
        typed by somebody and is written as it was.
    spec : str
        Nothing for the decimals of the quantity; ``".0f"`` for fewer (rounded by the same
        rules); in front of it ``"+"`` to show every sign; ``"g"`` for a figure that somebody
        set, with the digits that it has.
    """
    quantity = quantity_of(name)
    if not isinstance(value, float) or quantity is None or not math.isfinite(value) or spec == "g":
        return format(value + 0, spec)  # a zero has no sign
    rule = spec.lstrip("+")
    places = int(rule[1:-1]) if rule.startswith(".") else quantity.places
    return format(_rounded(value, places, quantity.rounds_up), spec[: len(spec) - len(rule)] + "f")


def number(value: float | None, quantity: Quantity) -> float | None:
    """Return the reported value as the float with that decimal text, for JSON."""
    decimal = reported(value, quantity)
    return None if decimal is None else float(decimal)


def loss_text(loss_db: float, expanded_db: float | None = None) -> str:
    """Write a loss with its unit, and with its expanded uncertainty: ``0.103 ± 0.001 dB``."""
    shown_db = reported(loss_db, Quantity.LOSS_DB)
    if expanded_db is None:
        return f"{shown_db} dB"
    return f"{shown_db} ± {reported(expanded_db, Quantity.UNCERTAINTY_DB)} dB"


def in_km(span_m: float) -> bool:
    """Tell whether distances along a span of this length in metres read better in km."""
    return span_m >= 2000


def distance_text(distance_m: float, *, km: bool) -> str:
    """Write a distance with its unit: metres to 0.1 m, or kilometres to the metre."""
    metres = reported(distance_m, Quantity.DISTANCE_M)
    if metres is None:
        return "unknown"
    if not km:
        return f"{metres} m"
    return f"{_kilometres(metres)} km"


def distance(distance_m: float, *, km: bool) -> Statement:
    """Say a distance, rounded as :func:`distance_text` does."""
    metres = reported(distance_m, Quantity.DISTANCE_M)
    if metres is None or not km:
        return says("metres", distance_m=metres)
    return says("kilometres", distance_km=_kilometres(metres))


def _kilometres(metres: Decimal) -> Decimal:
    kilometres = (metres / 1000).quantize(Decimal("0.001"), ROUND_HALF_UP)
    return abs(kilometres) if kilometres.is_zero() else kilometres
