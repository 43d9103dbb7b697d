"""Events of single shots with planted truth."""

from __future__ import annotations

import numpy as np
import pytest
from making import INDEX, instrument, shot, span
from scipy import stats
from simulated import Fibre, Instrument

from otdravg.shot.detect import Detection, Event, EventKind, detect
from otdravg.shot.steps import threshold_for
from otdravg.simulate.fibre import true_joints


def found(glass: Fibre, tool: Instrument | None = None, seed: int = 1, **how: object) -> Detection:
    return detect(shot(glass, tool or instrument(), seed, **how), INDEX)


def of_kind(detection: Detection, kind: EventKind) -> list[Event]:
    return [e for e in detection.events if e.kind is kind]


@pytest.mark.parametrize("seed", range(3))
def test_splices_of_one_shot_with_their_one_way_readings(seed: int) -> None:
    glass = span([1500, 2200, 900, 3000], [0.05, 0.10, 0.30], levels_db=[0.0, 0.15, 0.0, 0.05])
    steps = of_kind(found(glass, seed=seed), EventKind.STEP)
    truth = true_joints(glass)
    assert len(steps) == len(truth)
    for event, joint in zip(steps, truth, strict=True):
        assert event.distance_m == pytest.approx(joint.position_m, abs=3)
        assert event.loss_db is not None
        assert event.u_loss_db is not None
        assert abs(event.loss_db - joint.loss_ab_db) < 3.5 * event.u_loss_db + 2e-4
        assert event.u_loss_db < 0.01
        assert event.reflectance_db is None


def test_gain_reads_negative_from_the_low_side() -> None:
    glass = span([2000, 2000], [0.04], levels_db=[0.0, 0.20])
    (step,) = of_kind(found(glass, seed=4), EventKind.STEP)
    assert step.loss_db == pytest.approx(-0.16, abs=0.004)


def test_true_loss_hidden_by_its_own_backscatter_step_shows_nothing_from_one_side() -> None:
    glass = span([2000, 2000], [0.08], levels_db=[0.0, 0.08])
    assert of_kind(found(glass, seed=5), EventKind.STEP) == []
    (step,) = of_kind(found(glass.reversed(), seed=6), EventKind.STEP)
    assert step.loss_db == pytest.approx(0.16, abs=0.004)


def test_neighbours_of_opposite_sign_do_not_hide_each_other() -> None:
    glass = span([3000, 120, 3000], [0.0, 0.0], levels_db=[0.0, -0.15, 0.0])
    steps = of_kind(found(glass, seed=7), EventKind.STEP)
    assert [s.distance_m for s in steps] == pytest.approx([3000, 3120], abs=3)
    assert [s.loss_db for s in steps] == pytest.approx([0.15, -0.15], abs=0.01)


def test_connector_is_a_reflection_with_loss_and_reflectance() -> None:
    glass = span([2000, 2500], [0.25], reflectances_db={0: -50.0})
    tool = instrument(spacing_m=0.5, rise_fraction=0.05)
    (peak,) = of_kind(found(glass, tool, seed=8), EventKind.REFLECTION)
    assert peak.distance_m == pytest.approx(2000, abs=1)
    assert peak.loss_db == pytest.approx(0.25, abs=0.006)
    assert peak.reflectance_db == pytest.approx(-50.0, abs=0.5)
    assert peak.clear_m > 2010
    assert not peak.saturated


@pytest.mark.parametrize(
    ("pulse_ns", "reflectance_db"), [(10, -14.44), (100, -14.44), (1000, -14.44), (100, None)]
)
def test_end_of_the_fibre(pulse_ns: float, reflectance_db: float | None) -> None:
    glass = span([6000], [], end_b_reflectance_db=reflectance_db)
    seen = found(glass, instrument(pulse_ns, 1.0), seed=9)
    assert seen.end_seen
    # A quarter of the pulse or two points.
    assert seen.end_m == pytest.approx(6000, abs=max(pulse_ns * 0.0255, 2.0))
    assert [e.kind for e in seen.events] == [EventKind.END]


def test_end_that_the_record_does_not_reach_is_said() -> None:
    seen = found(span([9000], []), instrument(point_count=5000), seed=10)
    assert not seen.end_seen
    assert "end-not-seen" in [f.code for f in seen.findings]
    assert of_kind(seen, EventKind.END) == []


def test_works_without_the_instruments_own_table() -> None:
    glass = span([2000, 2000], [0.10])
    taken = shot(glass, instrument(), 11)
    bare = detect(type(taken)(taken.level_db, taken.identity, taken.settings, (), ()), INDEX)
    assert [e.distance_m for e in bare.events] == [e.distance_m for e in detect(taken).events]


def test_echo_stands_at_the_sum_of_the_positions() -> None:
    # Light bounced back at the 1000 m connector from the one at 1400 m arrives at 1800 m.
    reflects = {0: -22.0, 1: -22.0}
    glass = span([1000, 400, 3500], [0.2, 0.2], reflectances_db=reflects)
    tool = instrument(
        30, 0.5, ghosts=True, headroom_db=25, tail_fraction=0.0001, front_panel_reflectance_db=None
    )
    seen = found(glass, tool, seed=12)
    assert [e.distance_m for e in of_kind(seen, EventKind.ECHO)] == pytest.approx([1800], abs=2)
    assert len(of_kind(seen, EventKind.REFLECTION)) == 2


def test_echo_of_three_reflectors_is_labelled_too() -> None:
    # Out to 1400 m, back to the front panel, out to 1000 m and home: it seems to lie at 2400 m.
    reflects = {0: -22.0, 1: -22.0}
    glass = span([1000, 400, 3500], [0.2, 0.2], reflectances_db=reflects)
    tool = instrument(
        30, 0.5, ghosts=True, headroom_db=25, tail_fraction=0.0001, front_panel_reflectance_db=-35
    )
    seen = found(glass, tool, seed=12)
    assert any(abs(e.distance_m - 2400) < 2 for e in of_kind(seen, EventKind.ECHO))
    assert len(of_kind(seen, EventKind.REFLECTION)) == 2


def test_a_connector_with_loss_is_no_echo_even_where_one_would_stand() -> None:
    reflects = {0: -30.0, 1: -45.0}
    glass = span([1000, 1000, 3000], [0.2, 0.3], reflectances_db=reflects)
    seen = found(glass, instrument(30, 0.5, tail_fraction=0.0001), seed=13)
    assert of_kind(seen, EventKind.ECHO) == []
    assert len(of_kind(seen, EventKind.REFLECTION)) == 2


def test_threshold_is_the_chi_square_quantile_of_the_stated_rate() -> None:
    # With one independent position the chance beyond the threshold is the rate itself.
    assert stats.chi2.sf(threshold_for(0.01, 1.0, 1e9, 1), 1) == pytest.approx(0.01)
    assert stats.chi2.sf(threshold_for(0.05, 1.0, 1e9, 2), 2) == pytest.approx(0.05)
    # More positions, higher threshold.
    assert threshold_for(0.01, 10_000, 10, 1) > threshold_for(0.01, 1000, 10, 1)
    assert threshold_for(0.01, 10_000, 10, 2) > threshold_for(0.01, 1000, 10, 2)


def test_false_alarms_on_spliceless_fibre_keep_the_stated_rate() -> None:
    # 1 % stated: 3 and more of 40 traces have a chance below 1 % (binomial).
    tool = instrument(100, 2.0, ripple_db=0.002)
    alarms = [
        len(found(span([4000], []), tool, seed=100 + k, far_noise_db=0.01).events) > 1
        for k in range(40)
    ]
    assert np.count_nonzero(alarms) <= 2


def test_location_is_within_a_quarter_of_the_pulse_or_two_points() -> None:
    misses = []
    for seed in range(8):
        glass = span([1800, 2200, 2000], [0.08, 0.15])
        seen = found(glass, instrument(200, 1.0), seed=20 + seed)
        at = [e.distance_m for e in of_kind(seen, EventKind.STEP)]
        misses += list(np.array(at) - glass.joint_positions_m)
    assert np.sqrt(np.mean(np.square(misses))) < 0.25 * 20.4
