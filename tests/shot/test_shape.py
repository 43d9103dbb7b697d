"""What the ramps of splices tell of a receiver, held against receivers that are known.

The shots are those of ``tests/benchmarks/receivers``, which share nothing with the package.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from benchmarks.receivers.adapter import trace_of
from benchmarks.receivers.instrument import Link, Setup, kernel, shoot

from otdravg import ResponseSource
from otdravg.shot.detect import detect
from otdravg.shot.response import Response
from otdravg.shot.shape import Shape, ramp_share

#: Four splices, far apart; both panels clip, so that their tops carry no shape.
LINK = Link(
    edges_m=np.array([0.0, 2000.3, 3900.1, 5800.6, 7700.2, 10_000.0]),
    attenuation_db_per_km=np.full(5, 0.2),
    drift_db_per_km=np.zeros(5),
    loss_db=np.array([0.0, 0.3, 0.15, 0.2, 0.1, 0.0]),
    step_db=np.array([0.0, 0.1, -0.05, 0.1, 0.05, 0.0]),
    reflectance_db=np.array([-30.0, -np.inf, -np.inf, -np.inf, -np.inf, -30.0]),
)
SETUP = Setup(500, 489_740, 12_000, -1000, noise=3e-5, ripple_db=0.0003, headroom_db=0.5)


def learnt(setup: Setup, link: Link = LINK) -> Response:
    """The response with which a shot of the link is searched."""
    record = shoot(link, setup, np.random.default_rng(8))
    return detect(trace_of(record, "A.sor")).shot.response


@pytest.mark.parametrize(
    "setup",
    [
        replace(SETUP, poles=(0.7,)),
        replace(SETUP, poles=(0.4, 0.4)),
        replace(SETUP, poles=(0.8, 0.3)),
        replace(SETUP, smoothing="power", smoothing_pulses=2.0),
        replace(SETUP, smoothing="db", smoothing_pulses=2.0),
        replace(SETUP, smoothing="power", smoothing_pulses=0.7),
    ],
)
def test_ramps_tell_the_spread_where_every_reflection_clips(setup: Setup) -> None:
    found = learnt(setup)
    assert found.source is ResponseSource.LEARNT
    points = setup.pulse_m / setup.spacing_m
    mean = found.smoothing if found.smoothing > 1 else 0
    spread = sum(found.poles) + mean / points
    # The second moment of a chain is the sum of its parts': λ² of a pole, w²/12 of a running mean.
    truth = sum(setup.poles) + (setup.smoothing_points if setup.smoothing else 0) / points
    width = np.sqrt(sum(p * p for p in found.poles) + (mean / points) ** 2 / 12)
    true_width = np.sqrt(
        sum(p * p for p in setup.poles)
        + (setup.smoothing_points / points if setup.smoothing else 0.0) ** 2 / 12
    )
    assert width == pytest.approx(true_width, rel=0.12)
    assert spread == pytest.approx(truth, rel=0.25)


def test_a_fast_receiver_stays_one() -> None:
    found = learnt(replace(SETUP, headroom_db=20.0))
    assert (found.poles, found.smoothing) == ((), 1)


def test_one_pair_of_near_splices_overrules_no_reflection() -> None:
    # Two splices a pulse apart look like one through a mean over as much; only one such ramp.
    edges = np.array([0.0, 4000.3, 4051.4, 10_000.0])
    link = Link(
        edges, np.full(3, 0.2), np.zeros(3), np.array([0.0, 0.3, 0.3, 0.0]), np.zeros(4),
        np.array([-45.0, -np.inf, -np.inf, -40.0]),
    )  # fmt: skip
    found = learnt(replace(SETUP, headroom_db=20.0), link)
    assert (found.poles, found.smoothing) == ((), 1)


@pytest.mark.parametrize("poles", [(0.4,), (0.8, 0.3), (0.5, 0.5)])
def test_share_of_a_ramp_is_the_pulse_seen_through_the_receiver(poles: tuple[float, ...]) -> None:
    # Against the benchmark's own kernel, convolved with the pulse and summed up.
    setup = replace(SETUP, poles=poles)
    fine_m = setup.spacing_m / setup.fine
    steps = round(setup.pulse_m / fine_m)
    answer = np.cumsum(np.convolve(kernel(setup), np.full(steps, 1 / steps)))
    behind = np.array([0.3, 0.8, 1.2, 2.5])
    index = np.round(behind * setup.pulse_m / fine_m).astype(int)
    # A step of the fine grid is a fortieth of a pulse, on which a ramp rises by 0.025 at most.
    assert ramp_share(Shape(poles), behind) == pytest.approx(answer[index], abs=0.025)
