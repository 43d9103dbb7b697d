"""The budget of one splice: it adds up, and each part is what that noise alone does."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from making import budget_at, instrument, measured, span

from otdravg.fit.joint import fit_sections
from otdravg.fit.side import pair_sums
from otdravg.pair.budget import (
    budget_of,
    expanded_after_averaging,
)
from otdravg.pair.measure import Measurement
from otdravg.shot.lines import LineTerms

LENGTHS_M = [1500.0, 400.0, 1800.0, 1200.0]
LOSSES_DB = [0.08, 0.12, 0.05]


@pytest.fixture(scope="module")
def pair() -> Measurement:
    return measured(span(LENGTHS_M, LOSSES_DB), instrument(100, 1.0), far_noise_db=0.02, seed=5)


@pytest.mark.parametrize("number", [1, 2, 3])
def test_causes_add_up_to_the_stated_uncertainty(pair: Measurement, number: int) -> None:
    # GUM 5.1.2: variances of independent causes add.
    budget = budget_at(pair, number)
    stated = pair.readings[number - 1].u_loss_db
    combined = math.sqrt(sum(s.u_loss_db**2 for s in budget.sources))
    assert combined == pytest.approx(stated, rel=1e-6)
    assert sum(s.share for s in budget.sources) == pytest.approx(1)


@pytest.mark.parametrize("number", [1, 2, 3])
def test_levels_and_their_correlation_add_up_too(pair: Measurement, number: int) -> None:
    # GUM 5.2.2, with sensitivity coefficients of half a difference of two levels each.
    budget = budget_at(pair, number)
    total = sum(i.contribution_db**2 for i in budget.inputs) + budget.correlation_db2
    total += budget.place_db**2
    assert math.sqrt(total) == pytest.approx(pair.readings[number - 1].u_loss_db, rel=1e-9)
    assert [i.sensitivity for i in budget.inputs] == [0.5, -0.5, -0.5, 0.5]


def test_fibre_that_is_not_straight_is_one_cause_more(pair: Measurement) -> None:
    # GUM 5.1.2 again. The average takes half of either direction's error (sensitivity 1/2); the two
    # directions' errors are independent: half of their root sum of squares, here 3-4-5.
    bends_db = np.tile([0.03, 0.04], (len(pair.places), 1))
    bent = replace(pair, fit=replace(pair.fit, bends_db=bends_db))
    straight, budget = budget_at(pair, 2), budget_at(bent, 2)
    assert budget.bend_db == pytest.approx(0.025)
    assert budget.u_loss_db == pytest.approx(math.hypot(straight.u_loss_db, 0.025))
    assert budget.sources[-1].u_loss_db == pytest.approx(0.025)
    assert len(budget.sources) == len(straight.sources) + 1
    assert sum(s.u_loss_db**2 for s in budget.sources) == pytest.approx(budget.u_loss_db**2)
    assert sum(s.share for s in budget.sources) == pytest.approx(1)


def test_receiver_part_is_the_scatter_that_receiver_noise_alone_makes(
    pair: Measurement,
) -> None:
    """Monte Carlo (JCGM 101 in spirit): noise of one cause through the estimator itself."""
    rng = np.random.default_rng(11)
    budget = budget_at(pair, 2)
    places = pair.places
    z = np.array([p.middle_m for p in places])
    whole = [np.where(s.weight > 0, 1 / np.where(s.weight > 0, s.weight, 1), 0)
             for s in (pair.side_ab, pair.side_ba)]  # fmt: skip
    losses = []
    for _ in range(400):
        shots = []
        for k, side in enumerate((pair.side_ab, pair.side_ba)):
            receiver = np.maximum(whole[k] - side.shot.noise.constant_long_run_db2, 0)
            noisy = np.sqrt(receiver) * rng.standard_normal(receiver.size)
            terms = LineTerms.of(side.shot.x_m, noisy, side.weight)
            shots.append(replace(side, terms=terms))
        fit = fit_sections(pair_sums((shots[0], shots[1]), places), pair.fit.spreads)
        losses.append(fit.steps(z)[0][1].mean())
    expected = math.hypot(budget.sources[0].u_loss_db, budget.sources[1].u_loss_db)
    # 400 draws know a standard deviation to 3.5 %.
    assert np.std(losses) == pytest.approx(expected, rel=0.12)


def with_noise(pair: Measurement, **changes: float) -> Measurement:
    """The same pair with another noise model, refitted with that model's weights."""
    sides = []
    for side in (pair.side_ab, pair.side_ba):
        noise = replace(side.shot.noise, **changes)
        sides.append(
            replace(side, shot=replace(side.shot, noise=noise)).weighted(
                side.model(pair.fit, pair.places)
            )
        )
    fit = fit_sections(pair_sums((sides[0], sides[1]), pair.places), pair.fit.spreads)
    z_m, u_m = np.array([(p.middle_m, p.u_m) for p in pair.places]).T
    _, covariance = fit.steps(z_m, u_m)
    readings = tuple(
        replace(r, u_loss_db=math.sqrt(covariance[j].sum() / 4))
        for j, r in enumerate(pair.readings)
    )
    return replace(pair, side_ab=sides[0], side_ba=sides[1], fit=fit, readings=readings)


def test_four_times_the_averages_halve_pure_receiver_noise(pair: Measurement) -> None:
    # White noise: the standard deviation of a mean falls with the root of the count (derived).
    quiet = with_noise(pair, constant_db2=1e-12, constant_long_run_db2=1e-12,
                       receiver_long_run_db2=1e-9, receiver_db2=1e-9)  # fmt: skip
    quiet = replace(quiet, fit=replace(quiet.fit, spreads=(10.0, 10.0)))  # nothing borrowed
    now = expanded_after_averaging(quiet, 2, 1)
    then = expanded_after_averaging(quiet, 2, 4)
    assert then == pytest.approx(now / 2, rel=0.01)


def test_ripple_does_not_average_down(pair: Measurement) -> None:
    rippled = with_noise(pair, receiver_db2=1e-16, receiver_long_run_db2=1e-16,
                         constant_db2=1e-4, constant_long_run_db2=1e-4)  # fmt: skip
    now = 2 * rippled.readings[0].u_loss_db
    assert expanded_after_averaging(rippled, 1, 16) == pytest.approx(now, rel=1e-3)
    budget = budget_at(rippled, 1)
    ripple = [s for s in budget.sources if "ripple" in s.name]
    assert sum(s.share for s in ripple) > 0.8  # the rest is borrowed slopes
    assert not any(s.falls_with_averaging for s in ripple)
    assert sum(s.share for s in budget.sources if "receiver" in s.name) < 1e-6


def test_longer_averaging_never_harms_and_has_an_end(pair: Measurement) -> None:
    gains = [g.expanded_db for g in budget_at(pair, 2).gains]
    now = 2 * pair.readings[1].u_loss_db
    assert now > gains[0] > gains[1] > gains[2] > gains[3] > 0


def test_quantisation_alone_is_the_rectangular_distribution(pair: Measurement) -> None:
    # GUM 4.3.7: a rectangle of width q has the variance q²/12.
    floor = pair.ab.settings.quantum_db**2 / 12
    only = with_noise(pair, constant_db2=floor, constant_long_run_db2=floor,
                      receiver_db2=1e-18, receiver_long_run_db2=1e-18)  # fmt: skip
    sources = {s.name: s for s in budget_at(only, 1).sources}
    assert sources["quantisation of both files"].share > 0.1
    assert sources["quantisation of both files"].evaluation == "B"
    for name, source in sources.items():
        if "ripple" in name or "receiver" in name:
            assert source.share < 1e-6


def test_independent_points_follow_the_correlation(pair: Measurement) -> None:
    white = with_noise(pair, constant_db2=1e-5, constant_long_run_db2=1e-5,
                       receiver_db2=1e-18, receiver_long_run_db2=1e-18)  # fmt: skip
    shared = with_noise(pair, constant_db2=1e-5, constant_long_run_db2=1e-4,
                        receiver_db2=1e-18, receiver_long_run_db2=1e-18)  # fmt: skip
    inputs = budget_at(white, 1).inputs
    assert len(inputs) == 4
    for one, other in zip(inputs, budget_at(shared, 1).inputs, strict=True):
        assert one.independent == pytest.approx(one.points)
        assert other.independent == pytest.approx(other.points / 10, rel=1e-3)


def test_sections_named_are_the_neighbours(pair: Measurement) -> None:
    inputs = budget_at(pair, 2).inputs
    for one in (inputs[0], inputs[2]):
        assert 1490 < one.section_m[0] < one.section_m[1] < 1905
    for one in (inputs[1], inputs[3]):
        assert 1890 < one.section_m[0] < one.section_m[1] < 3705


def test_position_counts_where_the_attenuation_changes(pair: Measurement) -> None:
    # A shift moves the reading by the difference of the attenuations times the shift (derived).
    budget = budget_at(pair, 2)
    before, behind = pair.sections[1:3]
    assert budget.place_db == pytest.approx(
        abs(behind.attenuation_db_per_km - before.attenuation_db_per_km) * budget.u_place_m / 1000
    )
    assert 0 < budget.u_place_m < pair.side_ab.shot.pulse_m
    assert 0 < budget.place_db < 0.1 * budget.u_loss_db


def test_no_budget_without_a_true_loss(pair: Measurement) -> None:
    one_way = replace(pair.readings[0], loss_db=None, u_loss_db=None)
    assert budget_of(replace(pair, readings=(one_way, *pair.readings[1:])), 1) is None
    assert budget_of(pair, 4) is None
