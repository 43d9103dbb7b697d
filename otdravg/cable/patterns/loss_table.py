"""Losses of one cable as a table of closures, ribbons and positions."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from otdravg.cable.model import SpliceRow

__all__ = ["LossTable"]

FloatArray = npt.NDArray[np.float64]


def _ribbon_of(row: SpliceRow) -> int:
    """Return the ribbon; in loose tube every fibre is its own."""
    return row.fibre if row.ribbon is None else row.ribbon


@dataclass(frozen=True, slots=True, eq=False)
class LossTable:
    """Losses of one cable at one wavelength: closures × ribbons × positions, NaN for none."""

    cable: str
    wavelength_nm: int
    numbers: tuple[int, ...]  # of closures
    names: tuple[str, ...]
    ribbons: tuple[int, ...]  # in loose tube the fibres, of one position each
    in_ribbons: bool
    losses_db: FloatArray

    @classmethod
    def of(cls, rows: Sequence[SpliceRow]) -> LossTable:
        """Sort the rows of one cable, all at closures and with a loss, into a table."""
        counts = Counter(row.wavelength_nm for row in rows)
        nm = min(counts, key=lambda w: (-counts[w], w))
        own = [row for row in rows if row.wavelength_nm == nm]
        names = {row.closure_number or 0: row.closure for row in own}
        numbers = tuple(sorted(names))
        in_ribbons = all(row.ribbon is not None for row in own)
        ribbons = tuple(sorted({_ribbon_of(row) for row in own}))
        size = max((row.position or 1) if in_ribbons else 1 for row in own)
        losses = np.full((len(numbers), len(ribbons), size), np.nan)
        at_closure = {number: i for i, number in enumerate(numbers)}
        at_ribbon = {ribbon: i for i, ribbon in enumerate(ribbons)}
        for row in own:
            place = (row.position or 1) - 1 if in_ribbons else 0
            losses[at_closure[row.closure_number or 0], at_ribbon[_ribbon_of(row)], place] = (
                row.loss_db
            )
        return cls(
            own[0].cable,
            nm,
            numbers,
            tuple(names[n] for n in numbers),
            ribbons,
            in_ribbons,
            losses,
        )
