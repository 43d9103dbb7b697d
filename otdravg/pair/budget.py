"""The uncertainty budget of one splice, in the form of the GUM.

The estimate is linear in the points: θ = C·(XᵀW·y + prior). Its variance is therefore a sum
over independent causes, and each is found by passing one cause at a time through the very
estimator of the measurement:

    variance by noise V:  C·XᵀW·V·W·X·C        by borrowed slopes:  C·(prior information)·C

The weights W are the inverse of the whole noise, so that the parts add up to C itself,
which is the stated uncertainty squared, without a remainder.

References
----------
.. [1] JCGM 100:2008, *Guide to the expression of uncertainty in measurement* (GUM): 5.1.2
   (independent inputs), 5.2.2 (correlated inputs), 6.2 (expanded uncertainty).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from otdravg.fit.joint import (
    JointFit,
    SectionSums,
    fit_sections,
    information,
    prior_information,
)
from otdravg.fit.side import Place, Side, pair_sums
from otdravg.pair.measure import Measurement
from otdravg.shot.lines import LineTerms

FloatArray = npt.NDArray[np.float64]

#: How many times longer an averaging is compared. Chosen, not derived: noise of the receiver falls
#: by √2, 2 and 4.
AVERAGING_FACTORS = (2, 4, 16)


@dataclass(frozen=True, slots=True)
class LevelInput:
    """One input of the loss: the level of one shot at the splice, as one section gives it.

    ``sensitivity`` is ∂loss/∂level, ± 0.5; ``u_db`` the standard uncertainty of the level.
    """

    name: str
    section_m: tuple[float, float]  # clean fibre that was used, from the A end
    points: int
    independent: float  # readings that count as independent
    u_db: float
    sensitivity: float

    @property
    def contribution_db(self) -> float:
        """|sensitivity|·u, what this input alone would give."""
        return abs(self.sensitivity) * self.u_db


@dataclass(frozen=True, slots=True)
class SourceShare:
    """What one cause contributes to the standard uncertainty of the loss."""

    name: str
    evaluation: str  # "A" or "B", GUM 4.2 and 4.3
    u_loss_db: float
    share: float  # of the variance, 0 to 1
    falls_with_averaging: bool


@dataclass(frozen=True, slots=True)
class AveragingGain:
    """Expanded uncertainty if both shots were averaged ``factor`` times longer."""

    factor: float  # inf: for ever
    expanded_db: float


@dataclass(frozen=True, slots=True)
class Budget:
    """Uncertainty budget of the true loss of one splice.

    Twice: by the four levels that make up the loss (GUM 5.2, with their correlation), the place at
    which they are compared and what is not straight about the fibre, and by causes. Both combine
    to the same ``u_loss_db``.
    """

    number: int
    distance_m: float
    loss_db: float
    inputs: tuple[LevelInput, ...]
    correlation_db2: float  # what the correlation of the inputs adds to the variance, dB²
    sources: tuple[SourceShare, ...]
    u_loss_db: float
    place_db: float  # what the place's own uncertainty contributes
    u_place_m: float
    bend_db: float  # what sections that are not straight contribute
    gains: tuple[AveragingGain, ...]

    @property
    def expanded_db(self) -> float:
        """Expanded uncertainty, k = 2."""
        return 2 * self.u_loss_db


Variance = Callable[[Side], FloatArray]


def budget_of(measurement: Measurement, number: int) -> Budget | None:
    """Make the budget of the reading with a number.

    Parameters
    ----------
    measurement : Measurement
        A measured pair.
    number : int
        Number of the reading, from 1.

    Returns
    -------
    Budget or None
        ``None`` where the loss was not measured both ways, or the reading is no place of the fit.
    """
    reading = measurement.reading(number)
    j = measurement.row_of(reading)
    if j is None or reading is None or reading.loss_db is None or reading.u_loss_db is None:
        return None
    places = measurement.places
    sides = (measurement.side_ab, measurement.side_ba)
    fit = measurement.fit
    z_m = places[j].middle_m
    rows = fit.step_operator(j, z_m)
    half = np.zeros(fit.covariance.shape[0])
    half[4 * j : 4 * j + 8] = rows.sum(axis=0) / 2
    direction = fit.covariance @ half
    u_place_m = places[j].u_m
    place_db = abs(float(fit.moves_db_per_m()[j].mean())) * u_place_m
    bend_db = 0.0 if fit.bends_db is None else float(np.hypot(*fit.bends_db[j])) / 2
    u_loss_db = math.sqrt(float(half @ direction) + place_db**2 + bend_db**2)
    sources = _sources(sides, places, fit, direction, place_db, bend_db)
    inputs, correlation_db2 = _inputs(sides, places, fit, j, z_m)
    return Budget(
        number=number,
        distance_m=reading.distance_m,
        loss_db=reading.loss_db,
        inputs=inputs,
        correlation_db2=correlation_db2,
        sources=sources,
        u_loss_db=u_loss_db,
        place_db=place_db,
        u_place_m=u_place_m,
        bend_db=bend_db,
        gains=tuple(
            AveragingGain(f, expanded_after_averaging(measurement, number, f) or math.nan)
            for f in (*AVERAGING_FACTORS, math.inf)
        ),
    )


def expanded_after_averaging(measurement: Measurement, number: int, factor: float) -> float | None:
    """Refit with the receiver noise of ``factor`` times the averaging and return U (k = 2).

    The variance of the receiver noise falls with the number of averages; ripple, quantisation
    and borrowed slopes stay. ``factor`` may be infinite. ``None`` as for :func:`budget_of`.
    """
    reading = measurement.reading(number)
    j = measurement.row_of(reading)
    if j is None or reading is None or reading.u_loss_db is None:
        return None

    def weight(side: Side) -> FloatArray:
        steady, receiver = _variances(side)
        return _inverse(steady + receiver / factor, side)

    sums = _sums((measurement.side_ab, measurement.side_ba), measurement.places, weight)
    fit = fit_sections(sums, measurement.fit.spreads)
    fit = replace(fit, bends_db=measurement.fit.bends_db)
    z_m, u_m = np.array([(p.middle_m, p.u_m) for p in measurement.places]).T
    _, covariance = fit.steps(z_m, u_m)
    half = np.array([0.5, 0.5])
    return 2 * float(np.sqrt(half @ covariance[j] @ half))


def _variances(side: Side) -> tuple[FloatArray, FloatArray]:
    """Long-run variance of every used point in dB², steady part and receiver part."""
    steady = np.full_like(side.weight, side.shot.noise.constant_long_run_db2)
    return steady, np.maximum(_inverse(side.weight, side) - steady, 0.0)


def _single_points(side: Side) -> FloatArray:
    """Variance of every used point by itself in dB²."""
    noise = side.shot.noise
    _, receiver = _variances(side)
    long_run = noise.receiver_long_run_db2
    return noise.constant_db2 + receiver * (noise.receiver_db2 / long_run if long_run > 0 else 0.0)


def _inverse(variance: FloatArray, side: Side) -> FloatArray:
    """1/variance of the used points, or 1/weight; 0 for the others."""
    return np.divide(1.0, variance, out=np.zeros_like(variance), where=side.weight > 0)


def _sums(sides: tuple[Side, Side], places: tuple[Place, ...], weight: Variance) -> SectionSums:
    """Sums of all sections with other weights on the same points."""
    ab, ba = (
        replace(side, terms=LineTerms.of(side.shot.x_m, side.response_db, weight(side)))
        for side in sides
    )
    return pair_sums((ab, ba), places)


def _sources(
    sides: tuple[Side, Side],
    places: tuple[Place, ...],
    fit: JointFit,
    direction: FloatArray,
    place_db: float,
    bend_db: float,
) -> tuple[SourceShare, ...]:
    """Variance of the loss by cause; ``direction`` is C·(∂loss/∂θ)."""
    nothing = [np.zeros_like(side.weight) for side in sides]

    def noise(part: int, shot: int, share: float = 1.0) -> float:
        """Variance that one part (0 steady, 1 receiver) of one shot's noise causes."""

        def weight(side: Side) -> FloatArray:
            if side is not sides[shot]:
                return nothing[1 - shot]
            return share * side.weight**2 * _variances(side)[part]

        return float(direction @ information(_sums(sides, places, weight)) @ direction)

    quantised = [
        min(s.shot.rounding.long_run_db2 / s.shot.noise.constant_long_run_db2, 1.0) for s in sides
    ]
    alpha_only = prior_information(fit.middle_m.size, (fit.spreads[0], math.inf))
    beta_only = prior_information(fit.middle_m.size, (math.inf, fit.spreads[1]))
    found: tuple[tuple[str, str, float, bool], ...] = (
        ("receiver noise, shot A→B", "A", noise(1, 0), True),
        ("receiver noise, shot B→A", "A", noise(1, 1), True),
        ("coherence ripple, shot A→B", "A", noise(0, 0, 1 - quantised[0]), False),
        ("coherence ripple, shot B→A", "A", noise(0, 1, 1 - quantised[1]), False),
        ("quantisation of both files", "B", sum(noise(0, k, quantised[k]) for k in (0, 1)), False),
        ("slope borrowed: attenuation", "A", float(direction @ alpha_only @ direction), False),
        ("slope borrowed: drift", "A", float(direction @ beta_only @ direction), False),
        ("position of the splice", "A", place_db**2, False),
    )
    if bend_db:
        found += (("fibre that is not straight", "A", bend_db**2, False),)
    total = sum(variance for _, _, variance, _ in found)
    return tuple(
        SourceShare(name, evaluation, math.sqrt(max(variance, 0.0)), variance / total, falls)
        for name, evaluation, variance, falls in found
    )


def _inputs(
    sides: tuple[Side, Side], places: tuple[Place, ...], fit: JointFit, j: int, z_m: float
) -> tuple[tuple[LevelInput, ...], float]:
    """The four levels at the splice, and what their correlation adds to the variance."""
    operator = fit.step_operator(j, z_m)
    covariance = fit.covariance[4 * j : 4 * j + 8, 4 * j : 4 * j + 8]
    inputs: list[LevelInput] = []
    for k, (side, name) in enumerate(zip(sides, ("A→B", "B→A"), strict=True)):
        lo, hi = side.ranges(places)
        z = side.z()
        for section in (0, 1):
            columns = slice(4 * section, 4 * section + 4)
            row = operator[k, columns]
            used = slice(int(lo[j + section]), int(hi[j + section]))
            weight = side.weight[used]
            taken = weight > 0
            ends = z[used][taken][[0, -1]]
            alone = _single_points(side)[used][taken] * weight[taken]
            before = (section == 0) == side.forward
            inputs.append(
                LevelInput(
                    name=f"level {name} {'before' if before else 'behind'}",
                    section_m=(float(ends.min()), float(ends.max())),
                    points=int(taken.sum()),
                    independent=float(np.minimum(alone, 1.0).sum()),
                    u_db=math.sqrt(float(row @ covariance[columns, columns] @ row)),
                    sensitivity=0.5 if before else -0.5,
                )
            )
    half = operator.sum(axis=0) / 2
    combined = float(half @ covariance @ half)
    return tuple(inputs), combined - sum(i.contribution_db**2 for i in inputs)
