"""Readings of light source and power meter, held against what the traces sum up to.

A reading P of a fibre holds its glass, its splices and the connectors at both of its ends; the sum
T of its traces holds the first two. Of readings that one tester took from one end at one wavelength
the differences P - T lie about their median: two end connectors, and whatever the tester's
reference was off by. What lies apart from the others is named.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from otdravg.cable.lists.facts import PowerReading

FloatArray = npt.NDArray[np.float64]

#: Readings of one fibre that are taken twice differ by so much, dB, standard deviation: connectors
#: are plugged anew (common practice, no source).
_REPEAT_DB = 0.05
#: Two end connectors differ from fibre to fibre by so much without a fault, dB. Common practice, no
#: source: connectors are accepted up to 0.5 dB each and read 0.2 to 0.3.
_USUAL_SPREAD_DB = 0.3
#: Chance of naming any reading of a sound set. Chosen, not derived.
_FALSE_ALARM = 0.05
#: An exchange is named from these odds on, to one, every pair of the set taken as equally likely
#: beforehand. Chosen, not derived.
_LEAST_ODDS = 20.0
#: Once exchanged, both lie within so many standard deviations. Chosen, not derived.
_FITS_SIGMAS = 3.0
#: Above these odds only the order says anything. Chosen, not derived.
_MOST_ODDS = 1e6
#: The same for one pair before all others are weighed. Chosen, not derived: its power is a number.
_MOST_GAIN = 100.0
#: Two end connectors take up from nothing to this, dB (common practice, no source: at most 0.75 dB
#: each), with the error of a reference. Beyond, the reference was off or the meter showed a level.
_LOWEST_OFFSET_DB, _HIGHEST_OFFSET_DB = -0.3, 1.8
#: Fewer readings tell nothing about each other. Chosen, not derived.
_LEAST_READINGS = 4


@dataclass(frozen=True, slots=True)
class Exchange:
    """Two fibres whose readings fit far better the other way round."""

    fibres: tuple[int, int]
    odds: float  # to one


@dataclass(frozen=True, slots=True)
class Compared:
    """Readings of one tester from one end at one wavelength, beside the traces."""

    wavelength_nm: int
    end: str
    tester: str
    count: int  # with both
    offset_db: float | None  # median of reading less traces; None of too few
    spread_db: float | None  # standard deviation of one reading about it, of the sound ones
    negative: tuple[int, ...]  # fibres whose reading has the wrong sign
    missing: tuple[int, ...]  # fibres without a reading
    exchanged: tuple[Exchange, ...]
    apart: tuple[tuple[int, float], ...]  # fibre, reading less traces less offset in dB

    @property
    def is_plausible(self) -> bool:
        """Whether two end connectors may be all that lies between."""
        return self.offset_db is None or (_LOWEST_OFFSET_DB <= self.offset_db <= _HIGHEST_OFFSET_DB)


def compared(
    readings: Sequence[PowerReading],
    traces: Mapping[tuple[int, int], tuple[float, float]],
    fibres: Sequence[int],
) -> tuple[Compared, ...]:
    """Hold readings against the traces.

    Parameters
    ----------
    readings : sequence of PowerReading
    traces : mapping
        (fibre, wavelength in nm) → (loss from end to end, standard uncertainty), dB.
    fibres : sequence of int
        Fibres that the cable has: each has to be read where any is.
    """
    groups: dict[tuple[int, str, str], list[PowerReading]] = defaultdict(list)
    for one in readings:
        if one.wavelength_nm is not None and one.loss_db is not None:
            groups[one.wavelength_nm, one.end, one.tester].append(one)
    read: dict[tuple[int, str], set[int]] = defaultdict(set)
    for (nm, end, _), own in groups.items():
        read[nm, end] |= {one.fibre for one in own}
    dark = {(one.fibre, one.end) for one in readings if one.arrives == 0}
    result, said = [], set()
    for key, own in sorted(groups.items()):
        nm, end, _ = key
        missing = () if (nm, end) in said else tuple(
            f for f in fibres if f not in read[nm, end] and (f, end) not in dark
        )  # fmt: skip
        said.add((nm, end))
        result.append(_compared(key, own, traces, missing))
    return tuple(result)


def _compared(
    key: tuple[int, str, str],
    readings: Sequence[PowerReading],
    traces: Mapping[tuple[int, int], tuple[float, float]],
    missing: tuple[int, ...],
) -> Compared:
    nm, end, tester = key
    both = [one for one in readings if (one.fibre, nm) in traces]
    negative = tuple(one.fibre for one in readings if (one.loss_db or 0.0) < 0)
    if len(both) < _LEAST_READINGS:
        return Compared(nm, end, tester, len(both), None, None, negative, missing, (), ())
    fibre = np.array([one.fibre for one in both])
    read_db = np.abs([one.loss_db or 0.0 for one in both])
    sum_db, u_db = np.array([traces[one.fibre, nm] for one in both]).T
    offset_db = float(np.median(read_db - sum_db))
    off_db = read_db - sum_db - offset_db
    spread_db = max(1.4826 * float(np.median(np.abs(off_db))), _REPEAT_DB)
    sigma_db = np.hypot(spread_db, u_db)
    swaps = _exchanges(read_db - offset_db, sum_db, sigma_db)
    taken = {n for i, j, _ in swaps for n in (i, j)}
    sigmas = NormalDist().inv_cdf(1 - _FALSE_ALARM / (2 * len(both)))
    limit_db = np.maximum(sigmas * sigma_db, _USUAL_SPREAD_DB)
    apart = [n for n in np.flatnonzero(np.abs(off_db) > limit_db) if n not in taken]
    return Compared(
        nm, end, tester, len(both), offset_db, spread_db, negative, missing,
        tuple(Exchange((int(fibre[i]), int(fibre[j])), odds) for i, j, odds in swaps),
        tuple((int(fibre[n]), float(off_db[n])) for n in apart),
    )  # fmt: skip


def _exchanges(
    read_db: FloatArray, sum_db: FloatArray, sigma_db: FloatArray
) -> list[tuple[int, int, float]]:
    """Find pairs whose readings fit better the other way round: indices and odds to one.

    Notes
    -----
    With residuals r about the right sums, normal with σ, the log-likelihood of an exchange less
    that of none is g = ½·Σ(r² before - r² after)/σ². The odds are eᵍ against all that speaks
    for others: none (one of n·(n - 1)/2 pairs is as likely as another), or one of the two fibres
    exchanged with a third.
    """
    chi2 = ((read_db[:, None] - sum_db) / sigma_db) ** 2  # reading i on fibre j
    own = np.diag(chi2)
    n = len(read_db)
    gain = (own[:, None] + own - chi2 - chi2.T) / 2
    likely = np.exp(np.minimum(gain, _MOST_GAIN))
    np.fill_diagonal(likely, 0.0)
    with_any = likely.sum(axis=1)
    rivals = np.maximum(with_any[:, None] + with_any - 2 * likely, 0.0)
    odds = likely / (n * (n - 1) / 2 + rivals)
    fits = np.maximum(chi2, chi2.T) <= _FITS_SIGMAS**2
    i, j = np.nonzero(np.triu(fits & (odds >= _LEAST_ODDS), 1))
    found: list[tuple[int, int, float]] = []
    used: set[int] = set()
    for a, b in sorted(zip(i.tolist(), j.tolist(), strict=True), key=lambda p: -gain[p]):
        if not {a, b} & used:
            used |= {a, b}
            found.append((a, b, min(float(odds[a, b]), _MOST_ODDS)))
    return sorted(found)


def rerouted(readings: Sequence[PowerReading]) -> dict[tuple[int, str], int]:
    """Return where light came out elsewhere than at its own fibre (0: nowhere), by fibre, end."""
    return {
        (one.fibre, one.end): one.arrives
        for one in readings
        if one.arrives is not None and one.arrives != one.fibre
    }
