"""The budget of one splice against generalised least squares over all points, by statsmodels.

Nothing of the package's fit is used here: the rows of the model are written out point by point
(docs/method.md, "the joint fit"), the covariance is that of statsmodels, and what one cause adds
to the variance of the estimate Kᵀθ is the sandwich K·C·XᵀW·V·WX·C·K (derived: θ = C·XᵀW·y).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pytest
import statsmodels.api as sm
from making import budget_at, instrument, measured, span

from otdravg.fit.joint import VAGUE, fit_sections
from otdravg.fit.reading import Reading
from otdravg.fit.side import Side, pair_sums
from otdravg.pair.budget import (
    AVERAGING_FACTORS,
    Budget,
    budget_of,
    expanded_after_averaging,
)
from otdravg.pair.measure import Measurement
from otdravg.shot.lines import LineTerms

FloatArray = npt.NDArray[np.float64]

NUMBERS = (1, 2, 3)
NOISES = ("constant_db2", "receiver_db2", "constant_long_run_db2", "receiver_long_run_db2")


@pytest.fixture(scope="module")
def pair() -> Measurement:
    """Two different instruments and three attenuations, so that no two numbers are alike."""
    glass = span(
        [1500.0, 400.0, 1800.0, 1200.0],
        [0.08, 0.12, 0.05],
        levels_db=[0.0, -0.10, 0.05, 0.0],
        attenuation_db_per_km=[0.19, 0.25, 0.18, 0.21],
    )
    tool_a, tool_b = instrument(100, 2.0, ripple_db=0.004), instrument(200, 4.0, ripple_db=0.003)
    return measured(glass, tool_a, tool_b=tool_b, far_noise_db=0.02, seed=5)


@dataclass(frozen=True, eq=False)
class Rows:
    """The model point by point: over (c_A, c_B, α, β) of every section, and the mean of α."""

    x: FloatArray  # shape (n, 4S + 1)
    weight: FloatArray
    level_db: FloatArray
    from_a: npt.NDArray[np.bool_]
    section: npt.NDArray[np.intp]
    z_m: FloatArray
    steady: FloatArray  # long-run variance of ripple and quantisation, dB²
    single: FloatArray  # variance of the point by itself, dB²
    middle_m: FloatArray

    @classmethod
    def of(cls, pair: Measurement) -> Rows:
        edges = np.array([0.0, *(p.middle_m for p in pair.places), pair.axis.length_m])
        middle = (edges[:-1] + edges[1:]) / 2
        parts = []
        for from_a, side in ((True, pair.side_ab), (False, pair.side_ba)):
            for m, (lo, hi) in enumerate(zip(*side.ranges(pair.places), strict=True)):
                used = lo + np.flatnonzero(side.weight[lo:hi] > 0)
                parts.append(cls._section(side, from_a, m, used, middle))
        columns = [np.concatenate(c) for c in zip(*parts, strict=True)]
        return cls(*columns, middle)

    @staticmethod
    def _section(
        side: Side, from_a: bool, m: int, used: npt.NDArray[np.intp], middle: FloatArray
    ) -> tuple[npt.NDArray[np.generic], ...]:
        along = side.shot.x_m[used] - side.start_m
        z = along if from_a else side.length_m - along
        t = (z - middle[m]) / 1000 * (1 if from_a else -1)
        x = np.zeros((used.size, 4 * middle.size + 1))
        x[:, 4 * m + (0 if from_a else 1)] = 1
        x[:, 4 * m + 2] = -t
        x[:, 4 * m + 3] = t if from_a else -t
        noise, weight = side.shot.noise, side.weight[used]
        steady = np.full(used.size, noise.constant_long_run_db2)
        receiver = 1 / weight - steady
        single = noise.constant_db2 + receiver * noise.receiver_db2 / noise.receiver_long_run_db2
        same = np.full(used.size, from_a)
        place = np.full(used.size, m)
        return x, weight, side.response_db[used], same, place, z, steady, single

    def priors(self, spreads: tuple[float, float]) -> tuple[FloatArray, FloatArray]:
        """Rows and variances of the borrowed slopes: α about its mean, β about zero."""
        count = self.middle_m.size
        rows = np.zeros((2 * count + 1, 4 * count + 1))
        m = np.arange(count)
        rows[m, 4 * m + 2], rows[m, -1] = 1, -1
        rows[count + m, 4 * m + 3] = 1
        rows[-1, -1] = 1
        spread_alpha, spread_beta = spreads
        return rows, np.array([spread_alpha**2] * count + [spread_beta**2] * count + [VAGUE**2])

    def covariance(self, spreads: tuple[float, float], weight: FloatArray) -> FloatArray:
        """Covariance of all parameters by statsmodels."""
        rows, variances = self.priors(spreads)
        fit = sm.WLS(
            np.concatenate([self.level_db, np.zeros(rows.shape[0])]),
            np.vstack([self.x, rows]),
            weights=np.concatenate([weight, 1 / variances]),
        ).fit(method="qr")
        return np.asarray(fit.cov_params(scale=1.0))


def level_row(pair: Measurement, rows: Rows, j: int, *, from_a: bool, section: int) -> FloatArray:
    """Level of one shot at splice j as one of its two sections has it.

    Points show the mean of the pulse before them, so it is taken half a pulse behind the splice.
    """
    side = pair.side_ab if from_a else pair.side_ba
    half = side.shot.pulse_m / 2
    z = pair.places[j].middle_m + (half if from_a else -half)
    t = (z - rows.middle_m[section]) / 1000 * (1 if from_a else -1)
    row = np.zeros(rows.x.shape[1])
    row[4 * section + (0 if from_a else 1)] = 1
    row[4 * section + 2] = -t
    row[4 * section + 3] = t if from_a else -t
    return row


def levels(pair: Measurement, rows: Rows, j: int) -> list[tuple[float, FloatArray]]:
    """Sensitivity and row of the four levels: before less behind, half of either direction."""
    found = []
    for from_a in (True, False):
        for section in (j, j + 1):
            is_before = (section == j) == from_a
            row = level_row(pair, rows, j, from_a=from_a, section=section)
            found.append((0.5 if is_before else -0.5, row))
    return found


@dataclass(frozen=True, eq=False)
class Known:
    """What statsmodels knows of one splice."""

    rows: Rows
    c: FloatArray
    loss: FloatArray  # row of the true loss

    def noise(self, variance: FloatArray, which: npt.NDArray[np.bool_]) -> float:
        """Standard uncertainty that a noise of the points in ``which`` causes."""
        gain = (self.c @ self.loss) @ self.rows.x.T * self.rows.weight
        return math.sqrt(float(np.sum(gain[which] ** 2 * variance[which])))

    def prior(self, spreads: tuple[float, float], which: slice) -> float:
        """Standard uncertainty that borrowing the slopes in ``which`` causes."""
        rows, variances = self.rows.priors(spreads)
        gain = (self.c @ self.loss) @ rows.T / variances
        return math.sqrt(float(np.sum(gain[which] ** 2 * variances[which])))


@pytest.fixture(scope="module")
def known(pair: Measurement) -> list[Known]:
    rows = Rows.of(pair)
    c = rows.covariance(pair.fit.spreads, rows.weight)
    return [
        Known(rows, c, sum(s * row for s, row in levels(pair, rows, number - 1)))  # type: ignore[misc]
        for number in NUMBERS
    ]


def place_db(pair: Measurement, j: int) -> float:
    """A shift moves the true loss by the difference of the attenuations times the shift."""
    alpha = pair.fit.parameters[:, 2]
    return abs(float(alpha[j + 1] - alpha[j])) / 1000 * pair.places[j].u_m


@pytest.mark.parametrize("number", NUMBERS)
def test_stated_uncertainty_is_that_of_statsmodels_and_of_the_place(
    pair: Measurement, known: list[Known], number: int
) -> None:
    of_points = float(known[number - 1].loss @ known[number - 1].c @ known[number - 1].loss)
    expected = math.sqrt(of_points + place_db(pair, number - 1) ** 2)
    budget = budget_at(pair, number)
    assert budget.u_loss_db == pytest.approx(expected, rel=1e-5)
    assert budget.place_db == pytest.approx(place_db(pair, number - 1), rel=1e-9)
    assert budget.place_db > 0
    assert budget.u_place_m == pair.places[number - 1].u_m
    # Expanded uncertainty with k = 2 (JCGM 100:2008, 6.2).
    assert budget.expanded_db == pytest.approx(2 * expected, rel=1e-5)
    assert budget.expanded_db == pair.readings[number - 1].expanded_uncertainty_db or (
        budget.expanded_db
        == pytest.approx(pair.readings[number - 1].expanded_uncertainty_db, rel=1e-9)
    )


@pytest.mark.parametrize("number", NUMBERS)
def test_budget_says_which_splice_it_is_of(pair: Measurement, number: int) -> None:
    budget, reading = budget_at(pair, number), pair.readings[number - 1]
    assert (budget.number, budget.distance_m, budget.loss_db) == (
        number, reading.distance_m, reading.loss_db
    )  # fmt: skip


@pytest.mark.parametrize("number", NUMBERS)
def test_every_cause_is_the_sandwich_of_its_noise(
    pair: Measurement, known: list[Known], number: int
) -> None:
    splice = known[number - 1]
    rows = splice.rows
    receiver = 1 / rows.weight - rows.steady
    # A rectangle of the width of one quantum, for every shot (GUM 4.3.7).
    floor = np.where(
        rows.from_a,
        pair.ab.settings.quantum_db**2 / 12,
        pair.ba.settings.quantum_db**2 / 12,
    )
    ripple = rows.steady - floor
    assert ripple.min() > 0
    spreads, count = pair.fit.spreads, rows.middle_m.size
    every = np.ones_like(rows.from_a)
    expected = {
        "receiver noise, shot A→B": splice.noise(receiver, rows.from_a),
        "receiver noise, shot B→A": splice.noise(receiver, ~rows.from_a),
        "coherence ripple, shot A→B": splice.noise(ripple, rows.from_a),
        "coherence ripple, shot B→A": splice.noise(ripple, ~rows.from_a),
        "quantisation of both files": splice.noise(floor, every),
        # The mean's own vagueness counts with the attenuation that is borrowed from it.
        "slope borrowed: attenuation": math.hypot(
            splice.prior(spreads, slice(0, count)), splice.prior(spreads, slice(2 * count, None))
        ),
        "slope borrowed: drift": splice.prior(spreads, slice(count, 2 * count)),
        "position of the splice": place_db(pair, number - 1),
    }
    sources = budget_at(pair, number).sources
    assert [s.name for s in sources] == list(expected)
    total = sum(u**2 for u in expected.values())
    for source in sources:
        u = expected[source.name]
        assert source.u_loss_db == pytest.approx(u, rel=1e-4, abs=1e-9), source.name
        assert source.share == pytest.approx(u**2 / total, rel=2e-4, abs=1e-9), source.name
    # GUM 4.2: statistics of the points; 4.3: what is known otherwise.
    assert [s.evaluation for s in sources] == ["A", "A", "A", "A", "B", "A", "A", "A"]
    assert [s.falls_with_averaging for s in sources] == [True, True] + [False] * 6


@pytest.mark.parametrize("number", NUMBERS)
def test_the_four_levels_are_those_of_the_sections_beside_the_splice(
    pair: Measurement, known: list[Known], number: int
) -> None:
    j, rows, c = number - 1, known[number - 1].rows, known[number - 1].c
    budget = budget_at(pair, number)
    assert [i.name for i in budget.inputs] == [
        "level A→B before", "level A→B behind", "level B→A behind", "level B→A before"
    ]  # fmt: skip
    ends = [(True, j), (True, j + 1), (False, j), (False, j + 1)]
    for found, (sensitivity, row), (from_a, section) in zip(
        budget.inputs, levels(pair, rows, j), ends, strict=True
    ):
        here = (rows.from_a == from_a) & (rows.section == section)
        assert found.sensitivity == sensitivity
        assert found.u_db == pytest.approx(math.sqrt(float(row @ c @ row)), rel=1e-5)
        assert found.contribution_db == pytest.approx(found.u_db / 2)
        assert found.points == np.count_nonzero(here)
        assert found.section_m == pytest.approx((rows.z_m[here].min(), rows.z_m[here].max()))
        # N points whose noise is correlated count as N·σ²/long-run variance (derived).
        independent = np.minimum(rows.single[here] * rows.weight[here], 1).sum()
        assert found.independent == pytest.approx(independent, rel=1e-9)
        assert 0 < found.independent < found.points
    # GUM 5.2.2: what is missing to the whole is twice the sum of the covariances.
    crossed = 0.0
    for one, (s, row) in enumerate(levels(pair, rows, j)):
        for other, (s2, row2) in enumerate(levels(pair, rows, j)):
            crossed += s * s2 * float(row @ c @ row2) if one != other else 0.0
    assert budget.correlation_db2 == pytest.approx(crossed, rel=1e-4)


@pytest.mark.parametrize("number", NUMBERS)
def test_gains_are_what_statsmodels_makes_of_less_receiver_noise(
    pair: Measurement, known: list[Known], number: int
) -> None:
    # The variance of a mean of n averages is σ²/n; ripple, quantisation, slopes and place stay.
    splice = known[number - 1]
    rows = splice.rows
    receiver = 1 / rows.weight - rows.steady
    gains = budget_at(pair, number).gains
    assert [g.factor for g in gains] == [2, 4, 16, math.inf] == [*AVERAGING_FACTORS, math.inf]
    for gain in gains:
        quieter = 1 / (rows.steady + receiver / gain.factor)
        c = rows.covariance(pair.fit.spreads, quieter)
        # The place moves the loss by slopes that the quieter shots would give.
        expected = 2 * math.sqrt(
            float(splice.loss @ c @ splice.loss) + _quieter_place_db2(pair, rows, quieter, number)
        )
        assert gain.expanded_db == pytest.approx(expected, rel=1e-4)
        assert expanded_after_averaging(pair, number, gain.factor) == gain.expanded_db
    assert expanded_after_averaging(pair, number, 1) == pytest.approx(
        2 * (pair.readings[number - 1].u_loss_db or 0), rel=1e-6
    )


def _quieter_place_db2(pair: Measurement, rows: Rows, weight: FloatArray, number: int) -> float:
    added, variances = rows.priors(pair.fit.spreads)
    root = np.sqrt(np.concatenate([weight, 1 / variances]))
    level = np.concatenate([rows.level_db, np.zeros(variances.size)])
    design = np.vstack([rows.x, added])
    theta, *_ = np.linalg.lstsq(design * root[:, None], level * root, rcond=None)
    change = theta[4 * number + 2] - theta[4 * number - 2]
    return float((change / 1000 * pair.places[number - 1].u_m) ** 2)


# What has no budget


def other_reading(pair: Measurement, number: int, **changes: object) -> Measurement:
    readings: list[Reading] = list(pair.readings)
    readings[number - 1] = replace(readings[number - 1], **changes)  # type: ignore[arg-type]
    return replace(pair, readings=tuple(readings))


@pytest.mark.parametrize("number", [-1, 0, 4, 5])
def test_there_is_no_budget_beyond_the_table(pair: Measurement, number: int) -> None:
    assert budget_of(pair, number) is None
    assert expanded_after_averaging(pair, number, 2) is None


@pytest.mark.parametrize("number", NUMBERS)
@pytest.mark.parametrize("missing", ["loss_db", "u_loss_db"])
def test_there_is_no_budget_of_what_was_not_measured_both_ways(
    pair: Measurement, number: int, missing: str
) -> None:
    bare = other_reading(pair, number, **{missing: None})
    assert budget_of(bare, number) is None
    assert [n for n in NUMBERS if isinstance(budget_of(bare, n), Budget)] == [
        n for n in NUMBERS if n != number
    ]


def test_without_an_uncertainty_there_is_nothing_to_gain(pair: Measurement) -> None:
    assert expanded_after_averaging(other_reading(pair, 2, u_loss_db=None), 2, 4) is None


def test_a_reading_that_is_no_place_of_the_fit_has_no_budget(pair: Measurement) -> None:
    moved = other_reading(pair, 2, distance_m=pair.readings[1].distance_m + 1)
    assert budget_of(moved, 2) is None
    assert expanded_after_averaging(moved, 2, 4) is None


@pytest.mark.parametrize("where", [1, 3])
def test_a_reading_that_stands_where_another_place_is_has_no_budget(
    pair: Measurement, where: int
) -> None:
    doubled = other_reading(pair, 2, distance_m=pair.readings[where - 1].distance_m)
    assert budget_of(doubled, 2) is None
    assert isinstance(budget_of(doubled, where), Budget)


def test_a_reading_beyond_the_places_of_the_fit_has_no_budget(pair: Measurement) -> None:
    more = replace(pair, readings=(*pair.readings, replace(pair.readings[2], number=4)))
    assert budget_of(more, 4) is None
    assert isinstance(budget_of(more, 3), Budget)


# Noise of one kind only


def with_noise(pair: Measurement, **changes: float) -> Measurement:
    """The same sides, whose noise is said to be another; weights stay."""
    sides = [
        replace(side, shot=replace(side.shot, noise=replace(side.shot.noise, **changes)))
        for side in (pair.side_ab, pair.side_ba)
    ]
    return replace(pair, side_ab=sides[0], side_ba=sides[1])


def louder(side: Side, factor: float) -> Side:
    """The same points with so many times the variance."""
    noise = {name: factor * getattr(side.shot.noise, name) for name in NOISES}
    weight = side.weight / factor
    return replace(
        side,
        shot=replace(side.shot, noise=replace(side.shot.noise, **noise)),
        weight=weight,
        terms=LineTerms.of(side.shot.x_m, side.response_db, weight),
    )


def test_a_thousand_times_the_noise_is_a_thousand_times_the_uncertainty(
    pair: Measurement,
) -> None:
    # θ is linear in the points (GUM 5.1.2), so causes scale alike, also where weights are small.
    # The spreads stay well below what is assumed of the mean attenuation, which does not scale.
    budgets = []
    for scale in (1.0, 1e3):
        sides = louder(pair.side_ab, scale**2), louder(pair.side_ba, scale**2)
        fit = fit_sections(pair_sums(sides, pair.places), (5e-4 * scale, 2e-4 * scale))
        loud = replace(pair, side_ab=sides[0], side_ba=sides[1], fit=fit)
        budgets.append(budget_at(loud, 2))
    assert 0 < max(side.weight.max() for side in sides) < 1
    now, then = budgets
    assert [i.u_db for i in then.inputs] == pytest.approx(
        [1e3 * i.u_db for i in now.inputs], rel=0.01
    )
    assert [i.points for i in then.inputs] == [i.points for i in now.inputs]
    receiver = [[s.u_loss_db for s in b.sources if "receiver" in s.name] for b in budgets]
    assert receiver[1] == pytest.approx([1e3 * u for u in receiver[0]], rel=0.01)


def test_no_more_of_the_ripple_is_quantisation_than_there_is(
    pair: Measurement, known: list[Known]
) -> None:
    # Less ripple than a quantum's own: all of it is quantisation.
    least = with_noise(pair, constant_long_run_db2=1e-9)
    sources = {s.name: s for s in budget_at(least, 2).sources}
    rows = known[1].rows
    expected = known[1].noise(np.full(rows.weight.size, 1e-9), np.ones_like(rows.from_a))
    assert sources["quantisation of both files"].u_loss_db == pytest.approx(expected, rel=1e-4)
    assert sources["coherence ripple, shot A→B"].u_loss_db == 0
    assert sources["coherence ripple, shot B→A"].u_loss_db == 0


def test_without_receiver_noise_the_steady_noise_alone_says_how_many_points_count(
    pair: Measurement,
) -> None:
    steady = with_noise(pair, receiver_long_run_db2=0.0, receiver_db2=1.0)
    for j, (found, side) in enumerate(
        zip(budget_at(steady, 1).inputs, [pair.side_ab] * 2 + [pair.side_ba] * 2, strict=True)
    ):
        lo, hi = (edge[j % 2] for edge in side.ranges(pair.places))
        weight = side.weight[lo:hi][side.weight[lo:hi] > 0]
        assert found.independent == pytest.approx(
            np.minimum(side.shot.noise.constant_db2 * weight, 1).sum()
        )


def test_points_never_count_for_more_than_they_are(pair: Measurement) -> None:
    loud = with_noise(pair, constant_db2=1.0)
    inputs = budget_at(loud, 2).inputs
    assert len(inputs) == 4
    assert [i.independent for i in inputs] == [i.points for i in inputs]
