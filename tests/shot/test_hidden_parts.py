"""Floors that are smooth, connectors in the panel's own tail, what a short pole leaves of a step.

The shots are those of ``tests/benchmarks/receivers``, which share nothing with the package.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from benchmarks.receivers.adapter import trace_of
from benchmarks.receivers.instrument import Link, Setup, shoot

from otdravg.shot.detect import EventKind, detect
from otdravg.shot.noise import Rounding
from otdravg.shot.shot import Shot, prepare

LINK = Link(
    edges_m=np.array([0.0, 4000.3, 8000.0]),
    attenuation_db_per_km=np.full(2, 0.2),
    drift_db_per_km=np.zeros(2),
    loss_db=np.array([0.0, 1.5, 0.0]),
    step_db=np.zeros(3),
    reflectance_db=np.array([-45.0, -np.inf, -40.0]),
)
SETUP = Setup(200, 489_740, 12_000, -1000, noise=1e-3, headroom_db=20.0)


def prepared(setup: Setup, link: Link = LINK) -> Shot:
    return prepare(trace_of(shoot(link, setup, np.random.default_rng(4)), "A.sor"))


@pytest.mark.parametrize("floor", ["clipped", "rectified"])
@pytest.mark.parametrize("pulses", [2.0, 4.0])
def test_a_floor_smoothed_in_db_is_a_floor(floor: str, pulses: float) -> None:
    # A mean of the levels of clipped noise is neither rough nor, over a few hundred points, flat.
    setup = replace(SETUP, smoothing="db", smoothing_pulses=pulses, floor=floor, points=9000)
    found = prepared(setup)
    assert found.floor.is_noise
    assert found.fall is not None
    assert float(found.x_m[found.fall]) == pytest.approx(8000, abs=3 * setup.pulse_m)


def test_a_record_that_ends_on_fibre_has_no_floor() -> None:
    assert not prepared(replace(SETUP, points=7000, noise=1e-4)).floor.is_noise


@pytest.mark.parametrize("reflectance_db", [-45.0, -30.0])
def test_a_connector_in_the_panels_tail_ends_it(reflectance_db: float) -> None:
    # 150 m of cord behind the panel, 7 pulses; a tail of 0.2 pulses is over after two of them.
    edges = np.array([0.0, 150.0, 4000.3, 8000.0])
    link = Link(
        edges, np.full(3, 0.2), np.zeros(3), np.array([0.0, 0.2, 0.3, 0.0]), np.zeros(4),
        np.array([-30.0, reflectance_db, -np.inf, -40.0]),
    )  # fmt: skip
    record = shoot(link, replace(SETUP, poles=(0.2,), headroom_db=5.0), np.random.default_rng(2))
    events = detect(trace_of(record, "A.sor")).events
    first = events[0]
    assert first.kind is EventKind.REFLECTION
    assert first.distance_m == pytest.approx(150, abs=5)
    assert first.loss_db == pytest.approx(0.2, abs=0.02)
    steps = [e.distance_m for e in events if e.kind is EventKind.STEP]
    assert steps == [pytest.approx(4000.3, abs=15)]


def test_more_is_left_out_behind_a_large_step_where_a_short_pole_is_left_in() -> None:
    # A pole λ leaves λ·(1 − e^(−1/λ))·e^(−d/λ) of a step behind its pulse (ramp ⊛ exponential).
    shot = prepared(replace(SETUP, poles=(0.2,), noise=1e-5))
    assert shot.response.poles == ()
    assert shot.response.short == pytest.approx(0.2, abs=0.02)
    clear = float(shot.clear_m(np.array([4000.3]))[0])
    behind = (clear - 4000.3) / shot.pulse_m - 1
    assert 1.5 * 0.2 * np.exp(-behind / 0.2) < 0.0015
    usual = float(shot.clear_m(np.array([2000.0]))[0]) - 2000.0
    assert clear - 4000.3 > usual
    assert prepared(SETUP).response.short == 0.0


def test_a_fall_of_nearly_one_step_a_point_beats_with_the_steps() -> None:
    # Against rounding itself: the mean over a long stretch of a line without noise.
    fall, step = 0.97, 0.001
    line = -fall * step * np.arange(4000)
    error = np.rint(line / step) * step - line
    width = 15  # about half a beat of 1/0.03 points
    means = error[: error.size // width * width].reshape(-1, width).mean(axis=1)
    beaten = Rounding.of(step, fall * step, 0.0)
    assert beaten.long_run_db2 / width > 0.5 * float(means.var())
    assert Rounding.of(step, fall * step, step).long_run_db2 == pytest.approx(beaten.point_db2)
