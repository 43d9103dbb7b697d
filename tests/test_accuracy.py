"""The measurement against known truth on small fixed sets of simulated pairs.

One of ordinary pairs, one over everything an instrument can be set to, one without splices.

The full figures come from ``tests/benchmarks``. What is asserted here is the promise to
the user: nothing that shows is missed, next to nothing is invented, true losses are
right to a few thousandths of a dB, and the stated uncertainty is neither too small nor
too large. The limits are the project's own targets.
"""

import numpy as np
import pytest
from benchmarks.common import (
    Case,
    Found,
    both_ways,
    compare,
    covered,
    first_corpus,
    measure,
    rms,
    share_interval,
    wide_corpus,
    wide_settings,
)
from benchmarks.oracle import OracleReading, oracle_readings
from corpus import random_pair

from otdravg.shot.detect import EventKind, detect

PAIRS = 24
FIBRES = 100


@pytest.fixture(scope="module", params=["ordinary", "wide"])
def corpus(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture(scope="module")
def cases(corpus: str) -> list[Case]:
    draw = (
        first_corpus(PAIRS, seed=400) if corpus == "ordinary" else wide_corpus(PAIRS, seed=20_400)
    )
    return [measure(seed, pair) for seed, pair in draw]


@pytest.fixture(scope="module")
def joints(cases: list[Case]) -> list[Found]:
    return [each for case in cases for each in compare(case)[0]]


@pytest.fixture(scope="module")
def oracle(cases: list[Case]) -> list[OracleReading]:
    return [best for case in cases for best in oracle_readings(case.pair)]


def test_no_pair_is_refused_or_misplaced(cases: list[Case]) -> None:
    assert [case.refusal for case in cases if case.measurement is None] == []
    assert [case.seed for case in cases if case.misplaced] == []


def test_every_splice_that_shows_in_some_direction_is_found(
    corpus: str, joints: list[Found], oracle: list[OracleReading]
) -> None:
    if corpus == "ordinary":
        wanted = [each for each in joints if each.largest_one_way_db >= 0.05]
    else:  # any step of 0.03 dB whose Cramér–Rao bound is below 0.006 dB
        wanted = [
            each
            for each, best in zip(joints, oracle, strict=True)
            if (abs(each.joint.loss_ab_db) >= 0.03 and best.bound_ab_db < 0.006)
            or (abs(each.joint.loss_ba_db) >= 0.03 and best.bound_ba_db < 0.006)
        ]
    missed = [(each.case.seed, each.joint.position_m) for each in wanted if each.reading is None]
    assert len(wanted) > 100
    assert len(missed) <= 0.01 * len(wanted), missed


def test_at_most_one_reading_in_a_hundred_is_invented(cases: list[Case]) -> None:
    readings = sum(len(case.measurement.readings) for case in cases if case.measurement)
    invented = [(case.seed, reading.distance_m) for case in cases for reading in compare(case)[1]]
    assert len(invented) <= 0.01 * readings, invented


def test_true_loss_is_right_to_three_thousandths(joints: list[Found]) -> None:
    errors = [each.error_db for each in joints if both_ways(each)]
    assert len(errors) > 100
    assert rms(errors) < 0.003


def test_stated_95_percent_intervals_hold_as_often_as_stated(joints: list[Found]) -> None:
    found = [each for each in joints if both_ways(each)]
    assert 0.90 <= covered(found) / len(found) <= 0.99


def test_error_is_near_that_of_the_oracle(joints: list[Found], oracle: list[OracleReading]) -> None:
    pairs = [(f, o) for f, o in zip(joints, oracle, strict=True) if both_ways(f)]
    own = rms(found.error_db for found, _ in pairs)
    best = rms(each.loss_db - found.joint.loss_db for found, each in pairs)
    assert own <= 1.2 * best


def test_oracle_keeps_its_own_bound(joints: list[Found], oracle: list[OracleReading]) -> None:
    # The yardstick itself: errors in units of the bound are standard normal.
    scores = [
        (best.loss_db - found.joint.loss_db) / best.bound_loss_db
        for found, best in zip(joints, oracle, strict=True)
    ]
    # χ² with n degrees of freedom has relative deviation √(2/n) about its mean.
    n = len(scores)
    assert np.sum(np.square(scores)) / n == pytest.approx(1, abs=4 * np.sqrt(2 / n))


def test_false_alarms_are_as_rare_as_stated() -> None:
    # Spliceless fibres over the whole range of settings; the stated rates are 0.01 per trace
    # and, for the two shots together, 0.001 by default.
    kinds = (EventKind.STEP, EventKind.GROUP, EventKind.REFLECTION)
    pairs = shots = measured = 0
    for seed in range(60_000, 60_000 + FIBRES):
        rng = np.random.default_rng(seed)
        settings = wide_settings(rng, splices=(0, 0))
        pair = random_pair(rng, **settings, cords=0.0)
        case = measure(seed, pair, false_alarm_rate=0.01)
        if case.measurement is None:
            continue
        measured += 1
        pairs += bool(case.measurement.readings)
        for trace in (case.ab, case.ba):
            shots += any(event.kind in kinds for event in detect(trace).events)
    assert measured >= 0.98 * FIBRES
    low, high = share_interval(pairs, measured)
    assert low <= 0.01 <= high
    assert share_interval(shots, 2 * measured)[0] <= 0.01
