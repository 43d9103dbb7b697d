"""Seams between two gain ranges of an instrument, which no splice is.

The shots are those of ``tests/benchmarks/receivers``, which share nothing with the package.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from benchmarks.receivers.adapter import trace_of
from benchmarks.receivers.instrument import Link, Setup, shoot

from otdravg import Measurement, measure

#: One splice: true loss 0.3 dB, backscatter step 0.1 dB.
LINK = Link(
    edges_m=np.array([0.0, 6200.3, 12_000.0]),
    attenuation_db_per_km=np.full(2, 0.2),
    drift_db_per_km=np.zeros(2),
    loss_db=np.array([0.0, 0.3, 0.0]),
    step_db=np.array([0.0, 0.1, 0.0]),
    reflectance_db=np.array([-50.0, -np.inf, -50.0]),
)
QUIET = Setup(200, 489_740, 14_000, -1000, noise=3e-5)
NOISY = replace(QUIET, noise=0.025)  # a seam of 0.02 dB is four sigmas: no search finds it


def measured(seam_m: float, seam_m_from_b: float | None = None) -> Measurement:
    """Both shots of the link, each with a seam of 0.02 dB."""
    from_a = replace(QUIET, seam_m=seam_m, seam_db=-0.02)
    from_b = replace(NOISY, seam_m=seam_m_from_b or seam_m, seam_db=-0.02)
    rng = np.random.default_rng(7)
    shots = shoot(LINK, from_a, rng), shoot(LINK.from_b(), from_b, rng)
    return measure(trace_of(shots[0], "A.sor"), trace_of(shots[1], "B.sor"))


@pytest.mark.parametrize("seam_m", [3000.0, 4500.0])
def test_a_seam_that_one_shot_shows_clearly_is_no_splice(seam_m: float) -> None:
    found = measured(seam_m)
    assert [round(r.distance_m, -2) for r in found.readings] == [6200.0]
    (seam,) = (f for f in found.findings if f.code == "seam")
    values = dict(seam.values)
    assert values["distance_m"] == pytest.approx(seam_m, abs=QUIET.pulse_m)
    assert values["step_db"] == pytest.approx(0.02, abs=0.001)


def test_steps_at_two_distances_of_the_instruments_are_no_seam() -> None:
    found = measured(3000.0, 4500.0)
    assert [round(r.distance_m, -2) for r in found.readings] == [3000.0, 6200.0]
    assert not any(f.code == "seam" for f in found.findings)
