"""What only both shots together show is found, and what only one of them feigns is dropped.

6 km of fibre are some 590 pulses of 100 ns. At rates of 1 % a shot and 0.1 % a pair the thresholds
are 21.0 for a shot (1770 tests, one degree of freedom) and 16.0 for both (2.9 tests, two degrees),
by scipy.stats.chi2: a step of four standard uncertainties in either shot adds up to 32 in both.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from making import both_ways, instrument, span
from scipy import stats

from otdravg.fit.reading import Coverage
from otdravg.pair.measure import Measurement, measure
from otdravg.shot.detect import EventKind
from otdravg.shot.steps import threshold_for

SEEDS = range(700, 716)
#: Four standard uncertainties of the reading of either shot with the noise below.
LOSS_DB = 0.0068


@cache
def measured(loss_db: float, seed: int, step_db: float = 0.0, **how: float) -> Measurement:
    glass = span([3000, 3000], [loss_db], levels_db=[0.0, -step_db])
    tool = instrument(100, 2.0, ripple_db=0.0)
    return measure(*both_ways(glass, tool, far_noise_db=0.03, seed=seed), **how)


def shown_alone(m: Measurement) -> int:
    """Steps that the two shots show each by itself."""
    return sum(
        event.kind is EventKind.STEP
        for detection in (m.detection_ab, m.detection_ba)
        for event in detection.events
    )


def test_the_thresholds_are_such_that_both_together_see_more() -> None:
    pulses = 6000 / 10.21
    assert threshold_for(0.01, 6000, 10.21, 1) == pytest.approx(
        stats.chi2.isf(0.01 / (3 * pulses), 1)
    )
    assert threshold_for(0.001, 6000, 10.21, 2) < threshold_for(0.01, 6000, 10.21, 1) < 2 * 4**2


def test_a_splice_that_neither_shot_shows_by_itself_is_found_by_both() -> None:
    hidden = [m for m in (measured(LOSS_DB, seed) for seed in SEEDS) if shown_alone(m) == 0]
    # A statistic of 16 ± 8 stays below 21.0 in a shot three times of four.
    assert len(hidden) >= 5
    found = [m.readings[0] for m in hidden if len(m.readings) == 1]
    assert len(found) >= 0.8 * len(hidden)
    for reading in found:
        assert reading.coverage is Coverage.BOTH
        assert not reading.detected_ab
        assert not reading.detected_ba
        assert reading.loss_db == pytest.approx(LOSS_DB, abs=3.5 * reading.u_loss_db)
    # Where a step is as small as this its place is known to a share of the noise alone.
    assert np.median([abs(r.distance_m - 3000) for r in found]) < 100


def test_fibre_without_a_splice_has_none_by_both() -> None:
    # 16 pairs at 0.1 %: one alarm and more in 1.6 % of such sets (binomial).
    assert [m.readings for m in (measured(0.0, seed) for seed in SEEDS)] == [()] * len(SEEDS)


def test_a_step_that_one_shot_shows_stays_only_if_both_support_it() -> None:
    # l = b: five standard uncertainties from A, none from B. At one in a million both want
    # -2·ln(1e-6/2.9) = 29.8 of 25 ± 10, and the shot from A alone 21.0.
    one_sided = [measured(0.0042, seed, step_db=0.0042, false_alarm_rate=1e-6) for seed in SEEDS]
    assert all(event.kind is EventKind.END for m in one_sided for event in m.detection_ba.events)
    shown = [m for m in one_sided if shown_alone(m)]
    assert len(shown) >= 6
    dropped = [m for m in shown if not m.readings]
    assert 3 <= len(dropped) < len(shown)


def test_the_stated_rate_of_the_pair_is_what_lets_a_splice_through() -> None:
    strict = [measured(LOSS_DB, seed, false_alarm_rate=1e-12) for seed in SEEDS]
    loose = [measured(LOSS_DB, seed) for seed in SEEDS]
    assert sum(len(m.readings) for m in strict) < sum(len(m.readings) for m in loose) / 2
