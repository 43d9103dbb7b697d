"""The stated detection limit against how often simulated steps of that size are seen."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from making import instrument, measured, shot, span
from scipy import stats

from otdravg.pair.visible import (
    SEEN_SHARE,
    detection_limits,
    limit_at,
    smallest_step_db,
)
from otdravg.shot.detect import Detection, EventKind, detect
from otdravg.shot.steps import threshold_for

LENGTH_M = 4000.0
AT_M = 2000.0
TOOL = instrument(100, 2.0, ripple_db=0.001)
FAR_NOISE_DB = 0.05


@lru_cache(maxsize=1)
def clean() -> Detection:
    """A shot of a fibre without a splice."""
    return detect(shot(span([LENGTH_M], []), TOOL, 9, far_noise_db=FAR_NOISE_DB))


def test_step_at_the_limit_is_seen_with_the_stated_probability_by_the_normal_law() -> None:
    # P(N(s/u, 1) > √T) for s at the limit (definition; scipy's normal distribution).
    threshold = 20.0
    step = float(smallest_step_db(np.array([0.004]), threshold)[0])
    seen = stats.norm.sf(math.sqrt(threshold), loc=step / 0.004)
    assert seen == pytest.approx(SEEN_SHARE, abs=1e-9)


def test_simulated_steps_at_the_limit_are_seen_and_much_smaller_ones_are_not() -> None:
    limit = float(limit_at(clean(), np.array([AT_M]))[0])

    def seen(loss_db: float) -> int:
        glass = span([AT_M, LENGTH_M - AT_M], [loss_db])
        found = (
            detect(shot(glass, TOOL, seed, far_noise_db=FAR_NOISE_DB)) for seed in range(100, 130)
        )
        return sum(
            any(e.kind is EventKind.STEP and abs(e.distance_m - AT_M) < 100 for e in d.events)
            for d in found
        )

    # Of 30 at 95 %, 25 or more with a chance above 99 % (binomial).
    assert stats.binom.sf(24, 30, SEEN_SHARE) > 0.99
    assert seen(limit) >= 25
    # At a quarter of the limit the chance is below 1 % each.
    assert seen(limit / 4) <= 3


def test_known_case_in_closed_form() -> None:
    """White noise, slopes free: u² = 8σ²/N (derived), so the limit is (√T + 1.645)·σ·√(8/N)."""
    seen = clean()
    shot_ = seen.shot
    prior_free = replace(shot_, slope_db_per_m=shot_.slope_db_per_m)
    weight = float(np.median(prior_free.cells.weight[prior_free.cells.weight > 0]))
    limit = float(limit_at(seen, np.array([AT_M]))[0])
    length = shot_.signal_end_m - float(shot_.x_m[shot_.front_clear])
    threshold = threshold_for(seen.false_alarm_rate, length, shot_.pulse_m, 1)
    u = limit / (math.sqrt(threshold) + 1.6449)
    cells = AT_M / (shot_.cells.width * shot_.spacing_m)
    # Knowing the slope makes it 2σ²/N at best, not knowing it 8σ²/N at worst.
    assert math.sqrt(2 / (weight * cells)) * 0.7 < u < math.sqrt(8 / (weight * cells)) * 1.4


def test_limit_rises_towards_the_noise() -> None:
    limits = limit_at(clean(), np.array([1000.0, 3800.0]))
    assert limits[1] > limits[0]


def test_nothing_is_seen_in_dead_zones_and_beyond_the_end() -> None:
    limits = limit_at(clean(), np.array([1.0, LENGTH_M - 1, LENGTH_M + 500]))
    assert np.isnan(limits).all()


def test_a_known_event_bounds_what_can_be_seen_beside_it() -> None:
    glass = span([AT_M, LENGTH_M - AT_M], [0.3])
    found = detect(shot(glass, TOOL, 3, far_noise_db=FAR_NOISE_DB))
    beside, within, alone = limit_at(found, np.array([AT_M + 60, AT_M + 5, 3000.0]))
    assert np.isnan(within)
    assert beside > 1.5 * alone


def test_pair_names_the_worst_section_of_each_direction() -> None:
    pair = measured(span([1500.0, 2500.0, 1500.0], [0.1, 0.2]), TOOL, far_noise_db=0.08)
    ab, ba = detection_limits(pair)
    # Noise grows with the distance travelled: worst at the far end of each shot.
    assert ab.worst_m == pytest.approx(4750, abs=20)
    assert ba.worst_m == pytest.approx(750, abs=20)
    assert ab.worst_db is not None
    assert ab.worst_db >= np.nanmin(ab.step_db)
    assert ab.distance_m[0] == 0
    assert ab.distance_m[-1] == pytest.approx(pair.axis.length_m)
    assert ab.false_alarm_rate == 0.01


def test_shot_that_sinks_into_the_noise_is_blind_behind() -> None:
    long = span([60_000.0], [])
    found = detect(shot(long, instrument(50, 2.0, dynamic_range_db=6.0), 2, far_noise_db=None))
    near, far = limit_at(found, np.array([5_000.0, 55_000.0]))
    assert np.isfinite(near)
    assert np.isnan(far)
