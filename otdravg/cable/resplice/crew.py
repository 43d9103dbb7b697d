"""How a cable's splices came out so far: what a remake may be expected to bring."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

import numpy as np
import numpy.typing as npt

from otdravg.cable.model import SpliceRow
from otdravg.cable.resplice.remake import floor_db, shrunk_rates
from otdravg.fit.reading import Kind
from otdravg.quantities import Quantity, reported
from otdravg.verdict import Profile, SpliceVerdict
from otdravg.verdict.decision import Verdict
from otdravg.verdict.place import combined

__all__ = [
    "CrewSample",
    "Place",
    "by_fibre",
    "by_unit",
    "combined_verdict",
    "misses",
    "over_by",
    "place_of",
]

FloatArray = npt.NDArray[np.float64]

_MISSED = (Verdict.OVER, Verdict.FAILED, Verdict.ACCEPTED)
_MET = (Verdict.WITHIN, Verdict.WITHIN_ONE_WAY)
#: Data that say nothing of how the crew splices.
_NO_SAMPLE = (Verdict.BEND, Verdict.IMPLAUSIBLE, Verdict.NOT_GRADABLE)

Place = tuple[int, int]  # closure number; ribbon, in loose tube the fibre


def place_of(row: SpliceRow) -> Place:
    """Return the unit that a row belongs to."""
    return row.closure_number or 0, row.fibre if row.ribbon is None else row.ribbon


def by_unit(rows: Iterable[SpliceRow]) -> dict[Place, list[SpliceRow]]:
    """Sort rows into units: what is cut and spliced together."""
    units: dict[Place, list[SpliceRow]] = defaultdict(list)
    for row in rows:
        units[place_of(row)].append(row)
    return units


def by_fibre(rows: Iterable[SpliceRow]) -> dict[int, list[SpliceRow]]:
    """Sort rows by fibre; those of one fibre are its wavelengths."""
    fibres: dict[int, list[SpliceRow]] = defaultdict(list)
    for row in rows:
        fibres[row.fibre].append(row)
    return fibres


def combined_verdict(rows: Sequence[SpliceRow], profile: Profile) -> SpliceVerdict:
    """Verdict of one fibre at one closure over its wavelengths."""
    return combined(profile, {row.wavelength_nm: row.verdict for row in rows})


def misses(verdict: SpliceVerdict, rows: Sequence[SpliceRow]) -> bool | None:
    """Whether a fibre missed its objective; None: says nothing of the splicing."""
    if verdict.verdict in _MISSED:
        return True
    if verdict.verdict in _MET:
        return False
    if verdict.verdict is Verdict.TOO_CLOSE:
        return any(over_by(row) > 0 for row in rows)
    return None


def over_by(row: SpliceRow) -> Decimal:
    """Return how far a row is above its limit in dB; minus infinity without loss or limit."""
    shown = reported(row.loss_db, Quantity.LOSS_DB)
    limit_db = row.verdict.limit_db
    return Decimal("-Infinity") if shown is None or limit_db is None else shown - limit_db


@dataclass(frozen=True, slots=True, eq=False)
class CrewSample:
    """How this cable's splices came out."""

    rate_at: Mapping[int, float]  # failing fibres by closure number, shrunk
    count_at: Mapping[int, int]
    removable_db: Mapping[int, FloatArray]  # losses beyond their floors, by wavelength
    usual_db: Mapping[int, float]  # their medians
    clean_ribbons: int
    counted_ribbons: int

    @classmethod
    def of(cls, rows: Sequence[SpliceRow], profile: Profile) -> CrewSample:
        """Gather what the rows of one cable tell; all of them lie at closures."""
        failing: dict[int, int] = defaultdict(int)
        counted: dict[int, int] = defaultdict(int)
        clean = ribbons = 0
        for (number, _), members in by_unit(rows).items():
            own = by_fibre(members).values()
            missed = [misses(combined_verdict(at, profile), at) for at in own]
            known = [m for m in missed if m is not None]
            failing[number] += sum(known)
            counted[number] += len(known)
            if known and len(known) == len(missed):
                ribbons += 1
                clean += not any(known)
        numbers = sorted(counted)
        rates, _ = shrunk_rates([failing[n] for n in numbers], [counted[n] for n in numbers])
        removable: dict[int, list[float]] = defaultdict(list)
        for row in rows:
            if row.kind is Kind.SPLICE and row.verdict.verdict not in _NO_SAMPLE:
                rest = _removable(row)
                if rest is not None:
                    removable[row.wavelength_nm].append(rest)
        return cls(
            dict(zip(numbers, (float(rate) for rate in rates), strict=True)),
            dict(counted),
            {nm: np.asarray(values) for nm, values in removable.items()},
            {nm: float(np.median(values)) for nm, values in removable.items()},
            clean,
            ribbons,
        )

    def expected_after_db(self, row: SpliceRow) -> float | None:
        """Loss to be expected of a fibre after a remake: its floor and the cable's median."""
        usual_db = self.usual_db.get(row.wavelength_nm)
        return None if usual_db is None else floor_db(row.backscatter_step_db) + usual_db


def _removable(row: SpliceRow) -> float | None:
    """What a splice loses beyond its floor."""
    if row.loss_db is None:
        return None
    return row.loss_db - floor_db(row.backscatter_step_db)
