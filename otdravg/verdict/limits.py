"""Limits and the decision rule: the contract's figures, as the user states them.

No limit lives in the code but one default, and every output says when it was used.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal, InvalidOperation
from enum import Enum
from typing import TypeAlias

from otdravg.errors import BadSetting
from otdravg.findings import Statement, says

#: A limit given for 1550 nm also serves a shot marked 1551 nm, but never one at 1625 nm. Chosen,
#: not derived: below the 25 nm between 1625 and 1650 nm, the closest that fibre is tested at.
_SAME_BAND_NM = 20
#: A limit above this is a typing slip (20 for 0.20): no contract accepts such a splice. Chosen,
#: not derived: half of the light; ten times the largest limit of known contracts is less.
_HIGHEST_LIMIT_DB = Decimal(3)
#: Wavelengths that a limit may be stated for, nm. Chosen, not derived: 650 nm, the shortest that
#: fibre is tested at, and 1675 nm, the end of the U band (ITU-T G Suppl. 39, from memory), with
#: room.
WAVELENGTHS_NM = (600, 1700)


def write_nm(example: str) -> Statement:
    """Say how a wavelength is written."""
    return says("write-nm", low=WAVELENGTHS_NM[0], high=WAVELENGTHS_NM[1], example=example)


#: A limit in dB as a program gives it, or one for each wavelength in nm.
LimitDb: TypeAlias = "float | Decimal | str | Mapping[int, float | Decimal | str] | None"


class Rule(Enum):
    """The decision rule."""

    PLAIN = "plain"  # at or below the limit is within
    GUARDED = "guarded"  # the limit inside loss ± U is too close to call


@dataclass(frozen=True, slots=True)
class Limits:
    """Upper limits of the true loss: a general one and exceptions per wavelength in nm."""

    default_db: Decimal = Decimal("0.20")
    by_wavelength_nm: Mapping[int, Decimal] = field(default_factory=dict)
    is_stated: bool = False  # False: nobody gave a general limit; outputs must say so
    rule: Rule = Rule.PLAIN

    @classmethod
    def parse(cls, texts: Iterable[str], rule: Rule = Rule.PLAIN) -> Limits:
        """Read limits as typed: ``"0.15"`` for all, ``"1310=0.25"`` for one wavelength.

        Raises
        ------
        BadSetting
            If a figure is no number, not above 0 dB, above 3 dB, or given twice.
        """
        general_db: Decimal | None = None
        by_wavelength: dict[int, Decimal] = {}
        for text in texts:
            wavelength, equals, figure = text.rpartition("=")
            limit_db = _figure_db(figure.strip(), text)
            if not equals:
                if general_db is not None:
                    raise BadSetting("limit", text, says("one-limit"))
                general_db = limit_db
                continue
            wavelength_nm = wavelength_of(wavelength.strip())
            if wavelength_nm is None:
                raise BadSetting(
                    "limit",
                    text,
                    says(
                        "write-nm",
                        low=WAVELENGTHS_NM[0],
                        high=WAVELENGTHS_NM[1],
                        example="1310=0.25",
                    ),
                )
            if wavelength_nm in by_wavelength:
                raise BadSetting("limit", text, says("limit-twice", nominal=wavelength_nm))
            by_wavelength[wavelength_nm] = limit_db
        if general_db is None:
            return cls(by_wavelength_nm=by_wavelength, rule=rule)
        return cls(general_db, by_wavelength, is_stated=True, rule=rule)

    @classmethod
    def of(cls, limit_db: LimitDb | Limits, *, guarded: bool = False) -> Limits:
        """Take a limit as a program gives it.

        A number means what it prints: the float 0.15 is the decimal 0.15. A mapping has a
        limit for each wavelength in nm; None stands for the default.

        Raises
        ------
        BadSetting
            As :meth:`parse` does.
        """
        if isinstance(limit_db, Limits):
            stated = limit_db
        elif limit_db is None:
            stated = cls()
        elif isinstance(limit_db, Mapping):
            stated = cls.parse(f"{nm}={_typed(own)}" for nm, own in limit_db.items())
        else:
            stated = cls.parse([_typed(limit_db)])
        return replace(stated, rule=Rule.GUARDED) if guarded else stated

    def applying_to(self, wavelength_nm: float) -> tuple[Decimal, bool]:
        """Return the limit in dB for a wavelength, and whether somebody stated it."""
        own = in_band(self.by_wavelength_nm, wavelength_nm)
        return (self.default_db, self.is_stated) if own is None else (own, True)


def in_band(by_wavelength_nm: Mapping[int, Decimal], wavelength_nm: float) -> Decimal | None:
    """Return the figure stated for a wavelength's own band, if there is one."""
    nearest = min(by_wavelength_nm, key=lambda nm: abs(nm - wavelength_nm), default=None)
    if nearest is None or not same_band(nearest, wavelength_nm):
        return None
    return by_wavelength_nm[nearest]


def same_band(one_nm: float, other_nm: float) -> bool:
    """Tell whether a limit or requirement stated for one wavelength serves the other."""
    return abs(one_nm - other_nm) <= _SAME_BAND_NM


def _typed(limit_db: float | Decimal | str) -> str:
    """Write a limit as people type it: 0.00001, not 1e-05."""
    try:
        return limit_db if isinstance(limit_db, str) else f"{Decimal(str(limit_db)):f}"
    except InvalidOperation:
        return str(limit_db)


def _figure_db(figure: str, text: str) -> Decimal:
    """Read one limit in dB; a strict pattern, because Decimal also takes NaN and 1_000."""
    if not re.fullmatch(r"(\d{1,4}(\.\d*)?|\.\d+)", figure, re.ASCII):
        raise BadSetting("limit", text, says("write-db"))
    limit_db = Decimal(figure)
    if not 0 < limit_db <= _HIGHEST_LIMIT_DB:
        raise BadSetting("limit", text, says("limit-range", most=_HIGHEST_LIMIT_DB))
    return limit_db


def wavelength_of(text: str) -> int | None:
    """Read a wavelength in nm; None of anything else."""
    low, high = WAVELENGTHS_NM
    if not re.fullmatch(r"\d{3,4}", text, re.ASCII) or not low <= int(text) <= high:
        return None
    return int(text)
