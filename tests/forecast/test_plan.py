"""The plan against what simulated shots then gave, and its scaling laws."""

from __future__ import annotations

import math
from dataclasses import replace
from decimal import Decimal
from functools import lru_cache

import numpy as np
import pytest
from making import INDEX, instrument, measured, shot, span

from otdravg.errors import BadSetting
from otdravg.findings import says
from otdravg.forecast.outlook import Obstacle, Receiver
from otdravg.forecast.plan import (
    Forecast,
    PlanBasis,
    basis_from_shot,
    forecast,
    make_plan,
    obstacle,
    planned_route,
    target_for,
    typical_basis,
)
from otdravg.pair.measure import Measurement
from otdravg.report.plan_text import plan_text
from otdravg.words.catalogue import Language, told

SECTIONS_M = [2000.0, 3000.0, 1500.0, 2500.0, 1000.0, 2000.0]
LOSSES_DB = [0.05, 0.08, 0.12, 0.03, 0.06]
POSITIONS_M = tuple(float(z) for z in np.cumsum(SECTIONS_M)[:-1])
LENGTH_M = sum(SECTIONS_M)
GLASS = span(SECTIONS_M, LOSSES_DB)
#: Dynamic range of the simulated instrument with 100 ns and one unit of averaging, dB.
RANGE_DB = 14.0


def tool(pulse_ns: float, averaging: float):
    """The same simulated instrument with another pulse and ``averaging`` times the averages.

    Signal goes with the pulse, noise with the root of the averages, ripple with the root of the
    pulse (coherence: number of independent pieces inside the pulse).
    """
    gained_db = 5 * math.log10(pulse_ns / 100) + 5 * math.log10(math.sqrt(averaging))
    return instrument(
        pulse_ns, 1.0, dynamic_range_db=RANGE_DB + gained_db,
        ripple_db=0.004 * math.sqrt(10 / pulse_ns),
    )  # fmt: skip


@lru_cache(maxsize=1)
def basis() -> PlanBasis:
    """Noise of the simulated instrument, read from one shot with 100 ns."""
    return basis_from_shot(shot(GLASS, tool(100, 1), 77, far_noise_db=None))


def foretold(pulse_ns: int, averaging: float) -> Forecast:
    own_s = 30.0  # as the simulated files say
    route = planned_route(LENGTH_M, splices_m=POSITIONS_M, group_index=INDEX)
    return forecast(basis().receiver, route, pulse_ns, own_s * averaging)


@lru_cache(maxsize=8)
def outcomes(pulse_ns: int, averaging: float) -> tuple[Measurement, ...]:
    return tuple(
        measured(GLASS, tool(pulse_ns, averaging), far_noise_db=None, seed=seed)
        for seed in range(40, 48)
    )


@pytest.mark.parametrize(("pulse_ns", "averaging"), [(100, 1), (50, 4), (200, 1), (500, 2)])
class TestPlanAndOutcome:
    def test_foretold_uncertainty_is_the_one_stated_afterwards(
        self, pulse_ns: int, averaging: float
    ) -> None:
        plan = foretold(pulse_ns, averaging)
        for k, z_m in enumerate(POSITIONS_M):
            stated = [
                r.u_loss_db
                for m in outcomes(pulse_ns, averaging)
                for r in m.readings
                if abs(r.distance_m - z_m) < 30 and r.u_loss_db is not None
            ]
            assert len(stated) >= 6
            # One shot knows its noise to some 10 %, attenuation spreads differ, and where ripple
            # rules (500 ns) the plan is on the safe side.
            assert plan.expectations[k].u_loss_db == pytest.approx(np.mean(stated), rel=0.3)

    def test_errors_scatter_as_foretold(self, pulse_ns: int, averaging: float) -> None:
        plan = foretold(pulse_ns, averaging)
        scaled = [
            (r.loss_db - LOSSES_DB[k]) / plan.expectations[k].u_loss_db
            for m in outcomes(pulse_ns, averaging)
            for k, z_m in enumerate(POSITIONS_M)
            for r in m.readings
            if abs(r.distance_m - z_m) < 30
        ]
        assert len(scaled) >= 35
        # 40 values know their RMS to 11 %.
        assert 0.7 < math.sqrt(np.mean(np.square(scaled))) < 1.35


def noisy(**changes: float | None) -> Receiver:
    """A receiver without ripple and steps in the file, so that one law shows alone."""
    plain = Receiver(
        receiver_db2_m=100.0, ripple_db2_m=0.0, quantum_db=1e-9, shared=1.0, edge_pulses=0.0,
        connector_pulses=2.0, attenuation_db_per_km=0.0, finest_spacing_m=1.0, range_m=1e6,
    )  # fmt: skip
    return replace(plain, **changes)  # type: ignore[arg-type]


class TestLaws:
    route = planned_route(10_000, splices_every_m=5000)
    loose = (10.0, 10.0)

    def u(self, receiver: Receiver, pulse_ns: int, averaging_s: float) -> float:
        found = forecast(receiver, self.route, pulse_ns, averaging_s, self.loose).expectations[0]
        assert found.u_loss_db is not None
        return found.u_loss_db

    def test_known_case_in_closed_form(self) -> None:
        # Step between free lines over N points each: 8σ²/N; mean of two such: 4σ²/N (derived).
        # With α and β free in each section both shots keep their own slopes.
        receiver = noisy()
        sigma2 = 100.0 / (50**2 * 30)
        points = 5000 - 15  # dead zones and guards leave out some metres of 5 km
        expected = math.sqrt(4 * sigma2 / points)
        # The lines are also carried over the dead zone, which costs a little.
        assert self.u(receiver, 50, 30) == pytest.approx(expected, rel=0.025)

    def test_receiver_noise_falls_with_the_root_of_the_averages(self) -> None:
        assert self.u(noisy(), 50, 120) == pytest.approx(self.u(noisy(), 50, 30) / 2, rel=1e-6)

    def test_signal_grows_with_the_pulse(self) -> None:
        assert self.u(noisy(), 100, 30) == pytest.approx(self.u(noisy(), 50, 30) / 2, rel=0.01)

    def test_ripple_density_does_not_know_pulse_or_time(self) -> None:
        only = noisy(receiver_db2_m=1e-9, ripple_db2_m=2e-5)
        first = self.u(only, 50, 30)
        assert self.u(only, 200, 30) == pytest.approx(first, rel=0.02)
        assert self.u(only, 50, 3000) == pytest.approx(first, rel=1e-3)

    def test_point_spacing_does_not_matter(self) -> None:
        coarse = self.u(noisy(finest_spacing_m=2.0), 200, 30)
        assert coarse == pytest.approx(self.u(noisy(finest_spacing_m=0.5), 200, 30), rel=0.01)

    def test_longer_range_takes_fewer_averages(self) -> None:
        # Record of 1.25 × 10 km needed where the shot had 6.25 km: half the averages.
        short = self.u(noisy(range_m=6250.0), 50, 30)
        assert short == pytest.approx(math.sqrt(2) * self.u(noisy(), 50, 30), rel=1e-6)

    def test_symmetric_route_gives_symmetric_uncertainty(self) -> None:
        route = planned_route(24_000, splices_every_m=2000)
        u = [e.u_loss_db for e in forecast(noisy(attenuation_db_per_km=0.2), route, 100, 30)
             .expectations]  # fmt: skip
        assert u == pytest.approx(u[::-1], rel=0.01)


class TestWhatAPulseCannotDo:
    basis = typical_basis(1550)

    def test_cannot_part_from_a_connector(self) -> None:
        route = planned_route(5000, splices_m=(30.0, 2500.0), connectors_m=(12.0,))
        found = forecast(self.basis.receiver, route, 500, 30)
        place, expected = found.hindrances[0]
        assert place.start_m == 30.0
        assert expected.obstacle_ab is Obstacle.JOINED
        # A pulse of 500 ns is 51 m long (c·W/2n): the splice lies 18 m behind the connector.
        why = obstacle(route, expected, 500)
        assert (why.code, why["neighbour"].code) == ("unparted", "connector-at")
        assert told(why) == (
            "a 500 ns pulse reaches it but cannot part it from the connector at 12 m"
        )
        assert told(why, Language.GERMAN) == (
            "ein Puls von 500 ns reicht bis dorthin, trennt die Stelle aber nicht von dem "
            "Steckverbinder bei 12 m"
        )
        assert forecast(self.basis.receiver, route, 20, 30).worst_db is not None

    def test_front_connector_hides_the_first_splice_from_a(self) -> None:
        route = planned_route(5000, splices_m=(40.0, 2500.0))
        found = forecast(self.basis.receiver, route, 1000, 30).expectations[0]
        assert found.obstacle_ab is Obstacle.JOINED
        assert found.obstacle_ba is not None or found.u_ba_db is not None
        assert found.u_loss_db is None

    def test_signal_that_does_not_reach(self) -> None:
        route = planned_route(120_000, splices_m=(10_000.0, 60_000.0, 110_000.0))
        found = forecast(self.basis.receiver, route, 10, 10)
        assert found.expectations[0].obstacle_ab is None
        assert found.expectations[0].obstacle_ba is Obstacle.REACH
        assert found.expectations[2].obstacle_ab is Obstacle.REACH
        why = obstacle(route, found.expectations[0], 10)
        assert (why.code, why["ends"]) == ("unreached", says("end", end="B"))
        assert told(why) == "a 10 ns pulse does not reach it from B"

    def test_two_splices_inside_a_pulse_have_no_loss_of_their_own(self) -> None:
        route = planned_route(10_000, splices_m=(5000.0, 5030.0))
        found = forecast(self.basis.receiver, route, 1000, 30)
        assert [e.u_loss_db for e in found.expectations] == [None, None]
        assert [e.neighbour_m for e in found.expectations] == [5030.0, 5000.0]


class TestChoice:
    def test_chosen_pulse_is_the_shortest_that_is_nearly_as_good_as_the_best(self) -> None:
        route = planned_route(24_000, splices_every_m=2000)
        plan = make_plan(typical_basis(1550), route, Decimal("0.10"))
        assert plan.chosen is not None
        at_once = [plan.of(p, plan.chosen.averaging_s) for p in plan.pulses_ns]
        best = min(f.worst_db for f in at_once if f.worst_db is not None)
        assert plan.chosen.worst_db <= 2 * best
        shorter = [f for f in at_once if f.pulse_ns < plan.chosen.pulse_ns]
        assert shorter
        assert all(f.worst_db is None or f.worst_db > 2 * best for f in shorter)

    def test_chosen_time_is_the_shortest_that_reaches(self) -> None:
        route = planned_route(24_000, splices_every_m=2000)
        plan = make_plan(typical_basis(1550), route, Decimal("0.10"), Decimal("0.0004"))
        assert plan.chosen is not None
        shorter = [f for f in plan.forecasts if f.averaging_s < plan.chosen.averaging_s]
        assert shorter
        assert not any(each.reaches(0.0004) for each in shorter)
        assert plan.chosen.reaches(0.0004)

    def test_nothing_reaches_the_impossible(self) -> None:
        route = planned_route(24_000, splices_every_m=2000)
        plan = make_plan(typical_basis(1550), route, Decimal("0.10"), Decimal("0.0001"))
        assert plan.chosen is None
        assert "No pulse and time listed reaches" in plan_text(plan)

    def test_target_is_a_fifth_of_the_limit(self) -> None:
        assert target_for(Decimal("0.10")) == Decimal("0.020")

    def test_more_averaging_never_knows_less(self) -> None:
        route = planned_route(60_000, splices_every_m=6000)
        plan = make_plan(typical_basis(1310), route, Decimal("0.10"))
        assert plan.pulses_ns
        for pulse_ns in plan.pulses_ns:
            worst = [plan.of(pulse_ns, t).worst_db for t in plan.averaging_s]
            known = [w for w in worst if w is not None]
            assert known == sorted(known, reverse=True)
            assert worst[len(worst) - len(known) :] == known


class TestRefusals:
    def test_no_splice(self) -> None:
        with pytest.raises(BadSetting, match="splices"):
            planned_route(1000)

    def test_splice_outside(self) -> None:
        with pytest.raises(BadSetting, match="inside the span"):
            planned_route(1000, splices_m=(1200.0,))

    def test_distance_between_splices_longer_than_the_span(self) -> None:
        with pytest.raises(BadSetting, match="splices-every"):
            planned_route(1000, splices_every_m=2000)

    def test_far_too_many(self) -> None:
        with pytest.raises(BadSetting, match="at most"):
            planned_route(100_000, splices_every_m=1)

    def test_shot_at_another_wavelength(self) -> None:
        with pytest.raises(BadSetting, match="1550"):
            basis_from_shot(shot(GLASS, tool(100, 1), 77, far_noise_db=None), 1310)

    def test_no_typical_values(self) -> None:
        with pytest.raises(BadSetting, match="--like"):
            typical_basis(1383)
