"""Sections that are not straight: what they may feign is part of the uncertainty.

The shots are those of ``tests/benchmarks/receivers``, which share nothing with the package. The
bow is added to the levels by hand, so that its size is known.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from benchmarks.receivers.adapter import trace_of
from benchmarks.receivers.instrument import Link, Setup, shoot

from otdravg import Measurement, Trace, measure
from otdravg.fit.reading import Reading
from otdravg.fit.side import LEGENDRE, LEGENDRE_AT_ENDS
from otdravg.pair.budget import budget_of

LINK = Link(
    edges_m=np.array([0.0, 2000.3, 6000.1, 8000.6, 10_000.0]),
    attenuation_db_per_km=np.full(4, 0.2),
    drift_db_per_km=np.zeros(4),
    loss_db=np.array([0.0, 0.1, 0.2, 0.15, 0.0]),
    step_db=np.array([0.0, 0.05, -0.05, 0.02, 0.0]),
    reflectance_db=np.array([-45.0, -np.inf, -np.inf, -np.inf, -40.0]),
)
SETUP = Setup(200, 489_740, 12_000, -1000, noise=3e-5, headroom_db=20.0)


@lru_cache
def shots() -> tuple[Trace, Trace]:
    rng = np.random.default_rng(5)
    return (
        trace_of(shoot(LINK, SETUP, rng), "A.sor"),
        trace_of(shoot(LINK.from_b(), SETUP, rng), "B.sor"),
    )


def bowed(trace: Trace, from_m: float, to_m: float, height_db: float) -> Trace:
    """The trace with a parabola between two positions, 0 at both and ``height_db`` between them."""
    x = trace.distance_m
    t = np.clip((x - from_m) / (to_m - from_m), 0.0, 1.0)
    return replace(trace, level_db=trace.level_db + 4 * height_db * t * (1 - t))


def at(readings: tuple[Reading, ...], z_m: float) -> Reading:
    return min(readings, key=lambda r: abs(r.distance_m - z_m))


def test_straight_fibre_has_no_bends() -> None:
    m = measure(*shots())
    assert m.fit.bends_db is not None
    assert not m.fit.bends_db.any()


@pytest.mark.parametrize("height_db", [0.01, -0.01])
def test_a_bow_is_in_the_uncertainty_of_both_its_ends_and_of_no_other(height_db: float) -> None:
    # Between 2.1 and 5.9 km, clear of both ramps: at its ends the best line is 2/3 of the height
    # off (Legendre: a parabola of height h is 2h/3 above its mean at the middle and ends).
    ab, ba = shots()
    bent = measure(bowed(ab, 2100, 5900, height_db), ba)
    assert len(bent.readings) == 3
    for z, truth in ((2000.3, 0.1), (6000.1, 0.2)):
        reading = at(bent.readings, z)
        assert reading.loss_db is not None
        assert reading.u_loss_db is not None
        assert abs(reading.loss_db - truth) <= 2 * reading.u_loss_db
        assert reading.u_loss_db > 0.7 * (2 / 3 * 0.01) / 2
    # Elsewhere only the spread of the slopes grows, which a bow feigns too.
    assert bent.fit.bends_db is not None
    assert not bent.fit.bends_db[2].any()


def test_the_budget_names_the_bow_and_adds_up() -> None:
    ab, ba = shots()
    m = measure(bowed(ab, 2100, 5900, 0.01), ba)
    budget = budget_of(m, 1)
    assert budget is not None
    assert budget.u_loss_db == pytest.approx(m.readings[0].u_loss_db, rel=1e-9)
    assert [s.name for s in budget.sources][-1] == "fibre that is not straight"
    together = math.sqrt(sum(s.u_loss_db**2 for s in budget.sources))
    assert together == pytest.approx(budget.u_loss_db, rel=1e-6)


def test_a_smooth_bow_is_no_splice() -> None:
    # A parabola 10 mdB high over 3.8 km looks like a step in its middle to lines on both sides.
    ab, ba = shots()
    assert len(measure(bowed(ab, 2100, 5900, 0.01), ba).readings) == 3


def test_a_small_step_is_a_splice_and_no_curve() -> None:
    link = replace(LINK, loss_db=np.array([0.0, 0.1, 0.01, 0.15, 0.0]), step_db=np.zeros(5))
    rng = np.random.default_rng(6)
    both = (shoot(one, SETUP, rng) for one in (link, link.from_b()))
    m = measure(*(trace_of(record, name) for record, name in zip(both, "AB", strict=True)))
    assert at(m.readings, 6000.1).loss_db == pytest.approx(0.01, abs=0.002)


class TestSlowTail:
    """A share of the response falls as 1/t; the front panel stands 13 dB high."""

    @staticmethod
    @lru_cache
    def measured(share: float) -> Measurement:
        link = replace(LINK, loss_db=np.array([0.0, 2.5, 0.2, 0.15, 0.0]))
        rng = np.random.default_rng(7)
        setup = replace(SETUP, slow_tail=share)
        both = (shoot(one, setup, rng) for one in (link, link.from_b()))
        return measure(*(trace_of(record, name) for record, name in zip(both, "AB", strict=True)))

    def test_its_share_is_found(self) -> None:
        # Nine poles, lengths a factor of 2 apart: share/9 for each ln 2 of time.
        m = self.measured(0.004)
        for side in (m.side_ab, m.side_ba):
            response = side.shot.response
            assert response.slow == pytest.approx(0.004 / (9 * math.log(2)), rel=0.5)
            assert abs(response.slow - 0.004 / (9 * math.log(2))) < 2 * response.u_slow

    def test_none_is_found_where_none_is(self) -> None:
        m = self.measured(0.0)
        assert [side.shot.response.slow for side in (m.side_ab, m.side_ba)] == [0.0, 0.0]

    def test_it_is_taken_out_and_the_rest_is_in_the_uncertainty(self) -> None:
        # A share of 0.004 lifts what lies behind 2.5 dB by the light before it: 9·0.004/9 of it in
        # 128 pulses at most, which is 3.2 times the fibre's own power there: 2.171·0.004·2.2 dB.
        reading = at(self.measured(0.004).readings, 2000.3)
        plain = at(self.measured(0.0).readings, 2000.3)
        assert reading.loss_db is not None
        assert reading.u_loss_db is not None
        assert plain.u_loss_db is not None
        error_db = abs(reading.loss_db - 2.5)
        assert error_db < 0.5 * 2.171 * 0.004 * 2.2
        assert error_db <= 2 * reading.u_loss_db
        assert reading.u_loss_db > 2 * plain.u_loss_db


def test_the_polynomials_are_legendres() -> None:
    # numpy's own table.
    for k, (powers, ends) in enumerate(zip(LEGENDRE, LEGENDRE_AT_ENDS, strict=True)):
        one = np.polynomial.legendre.Legendre.basis(k)
        assert powers[: k + 1] == pytest.approx(one.convert(kind=np.polynomial.Polynomial).coef)
        assert not powers[k + 1 :].any()
        assert ends == pytest.approx(one(np.array([-1.0, 1.0])))
