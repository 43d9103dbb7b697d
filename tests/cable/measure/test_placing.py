"""Which reading of a fibre belongs to which closure."""

from __future__ import annotations

from dataclasses import replace

import pytest

from otdravg.cable.measure.closures import FibrePlaces, find_closures
from otdravg.cable.measure.jobs import Job, Outcome
from otdravg.cable.measure.placing import placed
from otdravg.cable.model import FibreKey
from otdravg.fit.reading import Coverage, Kind, Reading

CLOSURES_M = (2000.0, 4500.0)
LENGTH_M = 6000.0


def reading(distance_m: float, loss_ab_db: float, loss_ba_db: float) -> Reading:
    """A splice measured both ways that shows in both shots; invented figures."""
    return Reading(
        number=1,
        kind=Kind.SPLICE,
        coverage=Coverage.BOTH,
        distance_m=distance_m,
        distance_from_b_m=LENGTH_M - distance_m,
        loss_ab_db=loss_ab_db,
        loss_ba_db=loss_ba_db,
        loss_db=(loss_ab_db + loss_ba_db) / 2,
        u_ab_db=0.003,
        u_ba_db=0.003,
        u_loss_db=0.002,
        backscatter_step_db=(loss_ab_db - loss_ba_db) / 2,
        u_step_db=0.002,
        mode_field_ratio=1.0,
        reflectance_db=None,
        detected_ab=True,
        detected_ba=True,
        missing=(),
    )


def hidden(distance_m: float, loss_ab_db: float, loss_ba_db: float) -> Reading:
    """The same, but no shot shows it by itself: only the fit of both does."""
    return replace(
        reading(distance_m, loss_ab_db, loss_ba_db), detected_ab=False, detected_ba=False
    )


def outcome_of(*readings: Reading) -> Outcome:
    job = Job(FibreKey("SIM", 3), 1550, 1, None, None)  # type: ignore[arg-type]
    return Outcome(job, None, readings, (), None, None, (), None, None)


OWN_MAP = find_closures(
    "SIM",
    [FibrePlaces(fibre, LENGTH_M, CLOSURES_M, 5.0) for fibre in range(1, 7)],
    ribbon_size=12,
)


def test_each_closure_takes_the_nearest_reading_and_the_rest_lie_between() -> None:
    near, far = reading(2001.0, 0.05, 0.06), reading(2009.0, 0.2, 0.2)
    where = placed(outcome_of(far, near, reading(3000.0, 0.1, 0.1)), OWN_MAP)
    assert where.at[1] is near
    assert [r.distance_m for r in where.between] == [2009.0, 3000.0]
    assert 2 not in where.at


def test_a_step_split_in_two_around_a_closure_is_one_splice() -> None:
    # Light loses both parts one after the other, so losses in dB add up.
    where = placed(
        outcome_of(hidden(4490.0, 0.025, -0.001), hidden(4508.0, 0.052, -0.004)), OWN_MAP
    )
    assert where.between == ()
    joined = where.at[2]
    assert joined.distance_m == pytest.approx(4500.0)
    assert joined.loss_ab_db == pytest.approx(0.077)
    assert joined.loss_ba_db == pytest.approx(-0.005)
    assert joined.loss_db == pytest.approx(0.036)
    assert joined.backscatter_step_db == pytest.approx(0.041)
    # Independent uncertainties add in squares (JCGM 100:2008, equation 10).
    assert joined.u_loss_db == pytest.approx(0.002 * 2**0.5)


def test_a_small_step_a_little_off_an_empty_closure_is_its_splice() -> None:
    # Noise moves a step of some hundredths of a decibel by tens of metres.
    where = placed(outcome_of(reading(2035.0, 0.03, 0.04), reading(4501.0, 0.1, 0.1)), OWN_MAP)
    assert where.between == ()
    assert where.at[1].distance_m == 2000.0
    assert where.at[1].distance_from_b_m == LENGTH_M - 2000.0
    assert where.at[1].loss_db == pytest.approx(0.035)


@pytest.mark.parametrize("other", [reading(2035.0, 0.2, 0.2), reading(2120.0, 0.03, 0.04)])
def test_a_clear_or_a_distant_step_is_none_of_it(other: Reading) -> None:
    where = placed(outcome_of(other), OWN_MAP)
    assert where.between == (other,)
    assert where.at == {}


def test_a_group_that_one_end_hardly_shows_is_the_splice_of_an_empty_closure() -> None:
    group = replace(reading(1977.0, 0.166, 0.005), kind=Kind.GROUP)
    where = placed(outcome_of(group), OWN_MAP)
    assert (where.at[1].kind, where.at[1].distance_m) == (Kind.SPLICE, 2000.0)
    both = replace(group, loss_ba_db=0.15)
    assert placed(outcome_of(both), OWN_MAP).between == (both,)
