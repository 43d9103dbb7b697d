"""How a cable's splices came out so far, and what a remake risks and can gain by that.

A ribbon is cut and spliced as a whole, so a remake throws all its fibres anew. How well
that goes is estimated from the splices that the same crew made on the same cable.

References
----------
.. [1] D. Marcuse, "Loss analysis of single-mode fiber splices", Bell Syst. Tech. J. 56
   (1977): the loss of unequal mode fields, which no remake removes.
.. [2] G. Casella, "An introduction to empirical Bayes data analysis", The American
   Statistician 39 (1985): rates of small groups shrunk towards that of all.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

import numpy as np
import numpy.typing as npt

from otdravg.cable.model import SpliceRow
from otdravg.fit.reading import Kind, mode_field_ratio
from otdravg.grouping import grouped
from otdravg.quantities import Quantity, reported
from otdravg.verdict import Profile, SpliceVerdict
from otdravg.verdict.connector import mismatch_loss_db
from otdravg.verdict.decision import Verdict
from otdravg.verdict.place import combined

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
    return grouped(rows, place_of)


def by_fibre(rows: Iterable[SpliceRow]) -> dict[int, list[SpliceRow]]:
    """Sort rows by fibre; those of one fibre are its wavelengths."""
    return grouped(rows, lambda row: row.fibre)


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
        told = (r for r in rows if r.kind is Kind.SPLICE and r.verdict.verdict not in _NO_SAMPLE)
        beyond = ((r.wavelength_nm, r.loss_db - floor_db(r.backscatter_step_db)) for r in told
                  if r.loss_db is not None)  # fmt: skip
        removable = {
            nm: np.array([rest_db for _, rest_db in own])
            for nm, own in grouped(beyond, lambda one: one[0]).items()
        }
        return cls(
            dict(zip(numbers, (float(rate) for rate in rates), strict=True)),
            dict(counted),
            removable,
            {nm: float(np.median(values)) for nm, values in removable.items()},
            clean,
            ribbons,
        )

    def expected_after_db(self, row: SpliceRow) -> float | None:
        """Loss to be expected of a fibre after a remake: its floor and the cable's median."""
        usual_db = self.usual_db.get(row.wavelength_nm)
        return None if usual_db is None else floor_db(row.backscatter_step_db) + usual_db


#: Grid on which losses are added and their distribution kept.
_GRID_DB = 0.001


def chance_all_pass(p_fail: float, fibres: int) -> float:
    """Return (1 - p)^R: the chance that all R fibres of a ribbon come out within the limit.

    Notes
    -----
    Takes the fibres of a ribbon as independent. They share cleave and arc, so failures come
    in company: the true chance of a clean ribbon is rather higher, and so is that of several
    failures at once.
    """
    return float((1 - p_fail) ** fibres)


def shrunk_rates(failing: Sequence[int], counted: Sequence[int]) -> tuple[FloatArray, float]:
    """Estimate a failure rate for each group, leaning on all groups where a group is small.

    Parameters
    ----------
    failing, counted : sequence of int
        Failing and counted splices in each group (closure); groups may be empty.

    Returns
    -------
    rates : ndarray, shape (groups,)
        (k + M·μ)/(n + M) with k of n failing in the group.
    overall : float
        μ = (K + ½)/(N + 1) over all groups (Jeffreys' prior: never exactly 0 or 1).

    Notes
    -----
    M, the weight of the overall rate, maximises the beta-binomial likelihood of the groups
    [2]_: large where they differ no more than chance makes them, small where they do differ.
    """
    from scipy.special import betaln  # half a second: most commands never ask

    k, n = np.asarray(failing, dtype=float), np.asarray(counted, dtype=float)
    overall = float((k.sum() + 0.5) / (n.sum() + 1))
    weights = np.geomspace(1.0, 1e5, 61)[:, None]
    a, b = weights * overall, weights * (1 - overall)
    likelihood = (betaln(k + a, n - k + b) - betaln(a, b)).sum(axis=1)
    weight = float(weights[int(np.argmax(likelihood)), 0])
    return (k + weight * overall) / (n + weight), overall


def floor_db(backscatter_step_db: float | None) -> float:
    """Estimate the loss in dB that unequal mode fields cost and no remake removes [1]_.

    The mode-field ratio comes from the backscatter step as if both glasses scattered alike:
    an estimate. Without a step, 0 dB.
    """
    if backscatter_step_db is None:
        return 0.0
    return mismatch_loss_db(mode_field_ratio(backscatter_step_db))


def expected_worst_db(removable_db: FloatArray, floors_db: Sequence[float]) -> float:
    """Return the worst loss to be expected in a ribbon after a remake.

    Parameters
    ----------
    removable_db : ndarray, shape (n,)
        What splices of this cable lose beyond their floors, in dB; not empty.
    floors_db : sequence of float
        Floors of the ribbon's fibres, in dB; not empty.

    Returns
    -------
    float
        Mean of max(floor + draw) over the fibres, in dB.

    Notes
    -----
    Each fibre's remake is an independent draw from the empirical distribution F of
    ``removable_db``. The largest of them lies below t with the chance Π F(t - floor), which
    is summed on a grid of 0.001 dB.
    """
    draws = np.rint(np.maximum(removable_db, 0.0) / _GRID_DB).astype(int)
    shifts = [round(floor / _GRID_DB) for floor in floors_db]
    top = int(draws.max()) + max(shifts) + 1
    share = np.cumsum(np.bincount(draws, minlength=top)) / draws.size
    below = np.ones(top)
    for shift in shifts:
        below[:shift] = 0.0
        below[shift:] *= share[: top - shift]
    return float(np.sum(1 - below) * _GRID_DB)


def chance_over(
    loss_db: float | None, u_db: float | None, limit_db: float | Decimal | None
) -> float | None:
    """Return the chance that the true loss is above the limit, for a normal error u.

    None where one of them is not known: u not known is not 0.
    """
    if loss_db is None or u_db is None or limit_db is None:
        return None
    limit_db = float(limit_db)
    if not u_db:
        return 1.0 if loss_db > limit_db else 0.0
    return 0.5 * math.erfc((limit_db - loss_db) / (u_db * math.sqrt(2)))
