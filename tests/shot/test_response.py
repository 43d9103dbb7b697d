"""What a shot says of its receiver, held against receivers that are known.

The shots are those of ``tests/benchmarks/receivers``, which share nothing with the package.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from benchmarks.receivers.adapter import trace_of
from benchmarks.receivers.instrument import Link, Setup, shoot
from scipy import signal

from otdravg import BadSetting, Response, ResponseSource, Trace, measure
from otdravg.shot.detect import detect
from otdravg.shot.response import equalised
from otdravg.shot.shot import prepare

#: Two connectors of cords and one splice: true loss 0.3 dB, backscatter step 0.1 dB.
LINK = Link(
    edges_m=np.array([0.0, 600.0, 4200.3, 8000.0, 8600.0]),
    attenuation_db_per_km=np.full(4, 0.2),
    drift_db_per_km=np.zeros(4),
    loss_db=np.array([0.0, 0.2, 0.3, 0.2, 0.0]),
    step_db=np.array([0.0, 0.0, 0.1, 0.0, 0.0]),
    reflectance_db=np.array([-45.0, -48.0, -np.inf, -50.0, -40.0]),
)
SETUP = Setup(200, 489_740, 11_000, -1000, noise=3e-5, ripple_db=0.0003, headroom_db=20.0)
SLOW = replace(SETUP, poles=(0.5,))


#: The same with reflections so low that no dip behind one reaches down to no light.
LOW = replace(LINK, reflectance_db=np.array([-51.0, -53.0, -np.inf, -52.0, -52.0]))


@lru_cache
def shot(setup: Setup = SLOW, *, from_b: bool = False) -> Trace:
    """One shot of the link."""
    link = LOW if setup.second_order else LINK
    link = link.from_b() if from_b else link
    name = "B.sor" if from_b else "A.sor"
    return trace_of(shoot(link, setup, np.random.default_rng(3 + from_b)), name)


def test_poles_are_learnt_with_their_uncertainty() -> None:
    response = prepare(shot()).response
    assert response.source is ResponseSource.LEARNT
    width, u_width = response.width_pulses(SLOW.pulse_m / SLOW.spacing_m)
    assert abs(sum(response.poles) - 0.5) < 3 * u_width
    assert width == pytest.approx(sum(response.poles) + SLOW.spacing_m / SLOW.pulse_m)


def test_a_given_response_is_used_and_not_learnt() -> None:
    stated = Response((0.5,), u_poles=0.01)
    assert stated.source is ResponseSource.STATED
    assert prepare(shot(), None, stated).response == stated
    assert detect(shot(), response=stated).shot.response == stated


def test_a_pair_takes_one_response_for_both_shots_or_one_for_each() -> None:
    ab, ba = shot(), shot(from_b=True)
    stated = Response((0.5,), u_poles=0.01)
    both = measure(ab, ba, response=stated)
    assert both.side_ab.shot.response == both.side_ba.shot.response == stated
    one = measure(ab, ba, response=(None, stated))
    assert one.side_ab.shot.response.source is ResponseSource.LEARNT
    assert one.side_ba.shot.response == stated
    for m in (both, one):
        splice = min(m.readings, key=lambda r: abs(r.distance_m - 3600.3))
        assert splice.loss_db is not None
        assert splice.u_loss_db is not None
        assert abs(splice.loss_db - 0.3) < 3 * splice.u_loss_db


@pytest.mark.parametrize(
    "wrong",
    [
        {"poles": (0.0,)},
        {"poles": (0.3, np.nan)},
        {"smoothing": 0},
        {"u_poles": -0.1},
        {"damping": 0.7},
    ],
)
def test_an_impossible_response_is_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(BadSetting):
        Response(**wrong)  # type: ignore[arg-type]


class TestWhatIsSaid:
    def test_all_reflections_clipped_and_a_slow_receiver_is_a_caution(self) -> None:
        # Behind the box of a clipped top only the tail is seen: its share is not told.
        top = replace(SLOW, headroom_db=0.5)
        no_splice = replace(LINK, loss_db=0 * LINK.loss_db, step_db=0 * LINK.step_db)
        seen = detect(trace_of(shoot(no_splice, top, np.random.default_rng(3)), "A.sor"))
        assert seen.shot.response.source is ResponseSource.NONE
        assert [f.code for f in seen.findings] == ["response-unknown"]

    @pytest.mark.parametrize("setup", [SETUP, SLOW, replace(SETUP, headroom_db=0.5)])
    def test_nothing_is_said_where_the_receiver_shows(self, setup: Setup) -> None:
        seen = detect(shot(setup))
        assert seen.shot.response.source is ResponseSource.LEARNT
        assert seen.findings == ()

    def test_a_large_misfit_is_a_note(self) -> None:
        odd = Response((0.5,), u_poles=0.01, misfit=4.2, edges=3)
        seen = detect(shot(), response=odd)
        assert [(f.code, f.severity.value) for f in seen.findings] == [("response-misfit", "note")]


class TestOvershoot:
    """Receivers of second order, damped by less than 1."""

    SWINGING = replace(SETUP, second_order=(0.8, 0.25))

    @pytest.mark.parametrize(("damping", "length"), [(0.7, 0.3), (0.8, 0.2), (0.85, 0.15)])
    def test_length_and_damping_are_learnt(self, damping: float, length: float) -> None:
        response = prepare(shot(replace(SETUP, second_order=(damping, length)))).response
        assert response.damping == pytest.approx(damping, abs=0.01)
        assert response.poles == pytest.approx((length, length), rel=3 * response.u_poles)

    @pytest.mark.parametrize("setup", [SETUP, SLOW, replace(SETUP, poles=(0.4, 0.4))])
    def test_receivers_that_do_not_overshoot_are_none(self, setup: Setup) -> None:
        assert prepare(shot(setup)).response.damping == 1

    def test_the_splice_is_measured_and_nothing_else_is_there(self) -> None:
        found = measure(shot(self.SWINGING), shot(self.SWINGING, from_b=True))
        (splice,) = (r for r in found.readings if abs(r.distance_m - 3600.3) < SETUP.pulse_m)
        assert splice.loss_db is not None
        assert splice.u_loss_db is not None
        assert abs(splice.loss_db - 0.3) < 3 * splice.u_loss_db < 0.01
        assert len(found.readings) == 1

    def test_what_is_taken_out_is_a_second_order_system(self) -> None:
        # Against a simulation of 1/(1 + 2ζps + p²s²) by a general library (scipy.signal.lsim).
        points, damping, length = 40.0, 0.7, 0.3
        x = np.arange(800) / points
        light = np.where(x < 5, 1.0, np.where(x < 6, 8.0, 0.7))
        system = ([1.0], [length**2, 2 * damping * length, 1.0])
        _, seen, _ = signal.lsim(system, light - 1, x, interp=False)
        told = Response((length, length), damping=damping)
        power, widths, _ = equalised(1 + seen, told, points, 0.0)
        inside = np.ones(x.size, dtype=bool)
        for edge in (5.0, 6.0):
            inside &= np.abs(x - edge) > (sum(widths) + 2) / points
        assert np.abs(power - light)[inside].max() < 0.02
        assert np.abs(seen + 1 - light)[inside].max() > 1
