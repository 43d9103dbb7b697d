"""The re-splice plan: units, risk of a remake, the choice, the fewest closures to open.

All cables are invented and simulated.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest
from cable_examples import closures_of, fibres_of, place_verdict, rows_of
from scipy import stats

from otdravg.cable.model import SpliceRow
from otdravg.cable.resplice.crew import (
    chance_all_pass,
    chance_over,
    expected_worst_db,
    floor_db,
    shrunk_rates,
)
from otdravg.cable.resplice.model import Choice, ResplicePlan
from otdravg.cable.resplice.openings import SpanNeed, fewest_openings
from otdravg.cable.resplice.plan import plan_resplices
from otdravg.fit.reading import Kind
from otdravg.verdict import Profile, default, parse
from otdravg.verdict.decision import Action, Verdict
from otdravg.verdict.limits import Rule
from otdravg.words.catalogue import told

HEAD = 'format = 1\nname = "test"\nsource = "invented"\n'


def profile_of(text: str) -> Profile:
    return parse(HEAD + text, "test.toml")


def good_cable(shape: tuple[int, int, int] = (3, 4, 12)) -> np.ndarray:
    """Losses of 0.02 to 0.08 dB."""
    return np.random.default_rng(4).uniform(0.02, 0.08, shape)


def plan_of(rows: list[SpliceRow], profile: Profile | None = None) -> ResplicePlan:
    count = max(row.closure_number or 0 for row in rows)
    return plan_resplices(rows, closures_of(count), fibres_of(rows, profile), profile or default())


class TestChanceOfACleanRibbon:
    @pytest.mark.parametrize(("p_fail", "chance"), [(0.05, 0.540), (0.02, 0.785), (0.10, 0.282)])
    def test_twelve_fibres(self, p_fail: float, chance: float) -> None:
        # Derived: (1 - p)^12.
        assert chance_all_pass(p_fail, 12) == pytest.approx(chance, abs=5e-4)

    @pytest.mark.parametrize("fibres", [1, 4, 8, 12, 24])
    def test_is_the_binomial_chance_of_no_failure(self, fibres: int) -> None:
        assert chance_all_pass(0.07, fibres) == pytest.approx(stats.binom.pmf(0, fibres, 0.07))


class TestShrunkRates:
    def test_overall_rate_is_never_nought_or_one(self) -> None:
        # Jeffreys' prior: (K + ½)/(N + 1).
        rates, overall = shrunk_rates([0, 0], [48, 48])
        assert overall == pytest.approx(0.5 / 97)
        assert np.all(rates > 0)
        assert shrunk_rates([48], [48])[1] < 1

    def test_like_groups_share_one_rate(self) -> None:
        rates, overall = shrunk_rates([2, 3, 2, 3], [48, 48, 48, 48])
        assert rates == pytest.approx(np.full(4, overall), rel=0.02)

    def test_unlike_groups_keep_their_own(self) -> None:
        rates, overall = shrunk_rates([2, 3, 2, 300], [400, 400, 400, 400])
        assert rates[3] == pytest.approx(0.75, abs=0.03)
        assert rates[0] < overall / 5

    def test_small_groups_lean_on_all(self) -> None:
        rates, overall = shrunk_rates([5, 5, 5, 1], [400, 400, 400, 2])
        assert rates[3] < 0.5 * (0.5 + overall)  # its own 1 of 2 hardly counts

    def test_weight_maximises_scipys_likelihood(self) -> None:
        failing, counted = [1, 9, 2, 14], [60, 60, 60, 60]
        rates, overall = shrunk_rates(failing, counted)
        weight = 60 * (rates[3] - 14 / 60) / (overall - rates[3])

        def likelihood(w: float) -> float:
            return float(
                sum(
                    stats.betabinom.logpmf(k, n, w * overall, w * (1 - overall))
                    for k, n in zip(failing, counted, strict=True)
                )
            )

        assert likelihood(weight) >= max(likelihood(weight * 1.5), likelihood(weight / 1.5))

    def test_no_splices_at_all(self) -> None:
        assert shrunk_rates([0], [0])[1] == pytest.approx(0.5)


class TestRemake:
    def test_mismatch_is_the_floor(self) -> None:
        # D. Marcuse, Bell Syst. Tech. J. 56 (1977), from memory: 9.2 to 10.4 µm cost 0.0651 dB;
        # the step between them is 10·log10(10.4/9.2) = 0.5325 dB (derived).
        assert floor_db(10 * math.log10(10.4 / 9.2)) == pytest.approx(0.0651, abs=5e-5)
        assert floor_db(None) == 0.0

    def test_worst_of_a_ribbon_is_the_mean_of_the_maximum(self) -> None:
        rng = np.random.default_rng(6)
        removable = rng.gamma(2.0, 0.02, 200)
        floors = [0.0] * 6 + [0.03] * 6
        drawn = rng.choice(removable, (40_000, 12)) + np.array(floors)
        expected = float(drawn.max(axis=1).mean())
        assert expected_worst_db(removable, floors) == pytest.approx(expected, abs=0.001)

    def test_worst_of_one_fibre_is_the_mean(self) -> None:
        removable = np.array([0.01, 0.02, 0.06])
        assert expected_worst_db(removable, [0.0]) == pytest.approx(0.03, abs=1e-9)

    @pytest.mark.parametrize("loss_db", [0.15, 0.19, 0.20, 0.23])
    def test_chance_over_is_the_normal_tail(self, loss_db: float) -> None:
        assert chance_over(loss_db, 0.01, 0.20) == pytest.approx(stats.norm.sf(0.20, loss_db, 0.01))

    def test_without_uncertainty_it_is_sure(self) -> None:
        assert (chance_over(0.21, 0.0, 0.2), chance_over(0.2, 0.0, 0.2)) == (1.0, 0.0)

    def test_unknown_uncertainty_is_not_nought(self) -> None:
        assert chance_over(0.21, None, 0.2) is None


class TestUnits:
    def test_good_cable_needs_nothing(self) -> None:
        plan = plan_of(rows_of(good_cable()))
        assert plan.units == ()
        assert plan.openings == ()

    def test_unit_is_closure_and_ribbon_with_all_its_fibres(self) -> None:
        losses = good_cable()
        losses[1, 2, 4] = 0.35
        (unit,) = plan_of(rows_of(losses)).units
        assert (unit.closure, unit.ribbon, unit.distance_m) == ("K2", 3, 2000.0)
        assert unit.fibres == tuple(range(25, 37))
        (failing,) = unit.failing
        assert (failing.fibre, failing.position) == (29, 5)
        assert failing.over_by_db == Decimal("0.150")
        assert failing.chance_over == pytest.approx(1.0)
        assert unit.advised is Choice.REDO
        assert unit.risk.chance_all_pass == pytest.approx((1 - unit.risk.p_fail) ** 12)
        assert (unit.risk.clean_ribbons, unit.risk.counted_ribbons) == (11, 12)

    def test_clean_ribbons_are_counted_where_there_are_whole_ones(self) -> None:
        losses = good_cable((1, 1, 12))
        losses[0, 0, 4] = 0.35
        rows = rows_of(losses)
        gap = list(rows)
        one_way = replace(gap[2].verdict, verdict=Verdict.ONE_WAY)
        gap[2] = replace(gap[2], loss_db=None, verdict=one_way)
        for measured, is_said in ((rows, True), (gap, False)):
            (unit,) = plan_of(measured).units
            assert (unit.risk.counted_ribbons > 0) is is_said
            assert ("ribbons are clean" in told(unit.options[0].brings)) is is_said

    def test_order_is_that_of_the_route(self) -> None:
        losses = good_cable()
        for closure, ribbon in ((2, 0), (0, 3), (1, 1), (0, 1)):
            losses[closure, ribbon, 3] = 0.4
        plan = plan_of(rows_of(losses)[::-1])
        places = [(unit.closure_number, unit.ribbon) for unit in plan.units]
        assert places == [(1, 2), (1, 4), (2, 2), (3, 1)]
        assert plan.to_redo == plan.units

    def test_loose_tube_unit_is_one_fibre(self) -> None:
        losses = good_cable((2, 24, 1))
        losses[1, 5] = 0.4
        rows = [replace(row, ribbon=None, position=None) for row in rows_of(losses)]
        (unit,) = plan_of(rows).units
        assert (unit.ribbon, unit.fibres) == (None, (6,))

    def test_events_between_closures_are_no_unit(self) -> None:
        rows = rows_of(good_cable())
        damage = replace(rows_of(np.full((1, 1, 1), 0.8))[0], closure="", closure_number=None)
        assert plan_of([*rows, damage]).units == ()

    def test_reviewers_acceptance_takes_it_off_the_list(self) -> None:
        losses = good_cable()
        losses[1, 2, 4] = 0.35
        rows = [
            replace(
                row, verdict=replace(row.verdict, verdict=Verdict.ACCEPTED, action=Action.RECORD)
            )
            if row.verdict.verdict is Verdict.OVER
            else row
            for row in rows_of(losses)
        ]
        assert plan_of(rows).units == ()

    def test_several_cables_are_kept_apart(self) -> None:
        losses = good_cable()
        losses[0, 0, 0] = 0.4
        other = [replace(row, cable="SIM-VALE") for row in rows_of(losses)]
        plan = plan_of([*rows_of(good_cable()), *other])
        assert [unit.cable for unit in plan.units] == ["SIM-VALE"]


class TestTheChoice:
    def test_too_close_is_measured_again(self) -> None:
        losses = good_cable()
        losses[1, 2, 4] = 0.203
        (unit,) = plan_of(rows_of(losses)).units
        assert unit.advised is Choice.MEASURE
        (measuring,) = [o for o in unit.options if o.choice is Choice.MEASURE]
        # 2·u / distance = 2·0.003/0.003 = 2: four times the averaging (derived).
        assert "averaging 4 times as long" in told(measuring.brings)
        assert "84 %" in told(measuring.brings)  # one standard uncertainty above (normal)

    def test_guarded_verdict_is_on_the_list(self) -> None:
        profile = replace(default(), rule=Rule.GUARDED)
        losses = good_cable()
        losses[1, 2, 4] = 0.198
        (unit,) = plan_of(rows_of(losses, profile=profile), profile).units
        assert unit.failing[0].verdict.verdict is Verdict.TOO_CLOSE
        assert unit.advised is Choice.MEASURE

    def test_unequal_fibres_ask_for_a_concession(self) -> None:
        profile = profile_of("[splice]\nlimit_db = 0.05\n")
        losses = good_cable() / 2
        losses[1, 2, 4] = 0.09
        steps = {(2, 29): 10 * math.log10(10.4 / 9.2)}  # floor 0.065 dB
        rows = rows_of(losses, profile=profile, steps_db=steps)
        (unit,) = plan_of(rows, profile).units
        assert unit.failing[0].floor_db == Decimal("0.065")
        assert unit.advised is Choice.CONCESSION
        assert "Unequal fibres" in told(unit.because)

    def test_spent_attempts_ask_for_a_concession(self) -> None:
        profile = profile_of(
            "[splice]\nlimit_db=0.1\n[splice.attempts]\nallowed=3\nfallback_db=0.2\n"
        )
        losses = good_cable()
        losses[1, 2, 4] = 0.35
        (unit,) = plan_of(rows_of(losses, profile=profile, attempt=3), profile).units
        assert unit.failing[0].verdict.verdict is Verdict.FAILED
        assert unit.advised is Choice.CONCESSION

    def test_remake_that_brings_nothing_is_not_advised(self) -> None:
        # A cable on which every fourth fibre is just over: a remake makes three again.
        losses = np.full((3, 12, 12), 0.05)
        losses[:, :, ::4] = 0.215
        losses[1, 2] = 0.05
        losses[1, 2, 4] = 0.215
        units = {(u.closure_number, u.ribbon): u for u in plan_of(rows_of(losses, attempt=2)).units}
        unit = units[2, 3]
        assert unit.risk.expected_failing > 1
        assert unit.advised is Choice.CONCESSION
        assert "1 not passing now" in told(unit.because)

    def test_one_far_over_is_worth_several_just_over(self) -> None:
        losses = np.full((3, 12, 12), 0.05)
        losses[:, :, ::4] = 0.215
        losses[1, 2] = 0.05
        losses[1, 2, 4] = 0.9
        units = {(u.closure_number, u.ribbon): u for u in plan_of(rows_of(losses, attempt=2)).units}
        assert units[2, 3].advised is Choice.REDO

    def test_an_attempt_that_is_due_comes_before_a_concession(self) -> None:
        # The case of a first attempt at 0.245 dB in a cable that often misses 0.20 dB: the remake
        # promises little, and is made all the same. Carrier exhibit of 2012: three attempts.
        losses = np.full((3, 12, 12), 0.05)
        losses[:, :, ::4] = 0.245
        rule = "[splice]\nlimit_db = 0.2\n[splice.attempts]\nallowed = 3\nfallback_db = 0.22\n"
        for text, attempt, advised in (
            ("[splice]\nlimit_db = 0.2\n", 1, Choice.REDO),
            ("[splice]\nlimit_db = 0.2\n", 2, Choice.CONCESSION),
            (rule, 1, Choice.REDO),
            (rule, 2, Choice.REDO),
            (rule, 3, Choice.CONCESSION),
        ):
            profile = profile_of(text)
            units = plan_of(rows_of(losses, profile=profile, attempt=attempt), profile).units
            assert {unit.advised for unit in units} == {advised}, (text, attempt)

    def test_one_fibre_is_broken_out_where_the_profile_lets_it(self) -> None:
        profile = profile_of("[splice]\nlimit_db = 0.2\n[ribbon]\nsingle_fibre = true\n")
        losses = good_cable()
        losses[1, 2, 4] = losses[2, 0, :2] = 0.35
        one, two = plan_of(rows_of(losses, profile=profile), profile).units
        assert (one.advised, one.options[0].choice) == (Choice.SINGLE, Choice.SINGLE)
        assert (one.fibres, len(two.fibres)) == ((29,), 12)
        assert two.advised is Choice.REDO
        assert Choice.SINGLE not in [o.choice for o in two.options]

    def test_all_ways_are_set_out(self) -> None:
        losses = good_cable()
        losses[1, 2, 4], losses[1, 2, 5] = 0.35, 0.203
        (unit,) = plan_of(rows_of(losses)).units
        assert [o.choice for o in unit.options] == [Choice.REDO, Choice.CONCESSION, Choice.MEASURE]

    def test_bend_is_re_dressed_not_cut(self) -> None:
        losses = good_cable()
        rows = rows_of(losses, wavelength_nm=1310) + rows_of(losses, wavelength_nm=1550)
        bent = [
            replace(
                row,
                loss_db=0.4,
                verdict=place_verdict(default(), {1310: 0.05, 1550: 0.4}, row.wavelength_nm),
            )
            if (row.closure_number, row.fibre, row.wavelength_nm) == (2, 29, 1550)
            else row
            for row in rows
        ]
        (unit,) = plan_of(bent).units
        assert unit.advised is Choice.RE_DRESS
        assert [o.choice for o in unit.options] == [Choice.RE_DRESS]
        assert unit.risk.p_fail < 0.01  # a bend says nothing of how the crew splices

    def test_group_is_looked_at_before_cutting(self) -> None:
        rows = rows_of(good_cable())
        group = rows_of(np.full((1, 1, 1), 0.5), kind=Kind.GROUP)[0]
        rows[0] = group
        (unit,) = plan_of(rows).units
        assert unit.advised is Choice.MEASURE


class TestOpenings:
    def needs(self, rng: np.random.Generator, ribbons: int, closures: int) -> list[SpanNeed]:
        """Random spans: gains of -0.02 to 0.10 dB at each closure."""
        return [
            SpanNeed(
                fibre,
                fibre % ribbons + 1,
                float(rng.uniform(-0.05, 0.18)),
                {c: float(rng.uniform(-0.02, 0.10)) for c in range(1, closures + 1)},
            )
            for fibre in range(1, 3 * ribbons + 1)
        ]

    def works(self, needs: list[SpanNeed], closures: tuple[int, ...]) -> bool:
        """Whether some choice of remakes at these closures brings every fibre within."""
        for ribbon in {need.ribbon for need in needs}:
            own = [need for need in needs if need.ribbon == ribbon]
            if all(need.deficit_db <= 1e-4 for need in own):
                continue
            if not any(
                all(sum(n.gain_db[c] for c in chosen) >= n.deficit_db - 1e-4 for n in own)
                for size in range(len(closures) + 1)
                for chosen in itertools.combinations(closures, size)
            ):
                return False
        return True

    @pytest.mark.parametrize("seed", range(12))
    def test_fewest_closures_by_trying_all(self, seed: int) -> None:
        needs = self.needs(np.random.default_rng(seed), ribbons=4, closures=5)
        found = fewest_openings(needs)
        lost = {n.ribbon for n in needs if n.fibre in found.out_of_reach}
        kept = [n for n in needs if n.ribbon not in lost]
        for ribbon in (1, 2, 3, 4):
            own = [n for n in needs if n.ribbon == ribbon]
            assert self.works(own, (1, 2, 3, 4, 5)) is (ribbon not in lost)
        best = next(
            size
            for size in range(6)
            if any(self.works(kept, c) for c in itertools.combinations(range(1, 6), size))
        )
        assert len(found.closures) == best
        assert self.works(kept, found.closures)
        assert kept
        for need in kept:
            gained = sum(need.gain_db[c] for c, r in found.remakes if r == need.ribbon)
            touched = any(n.deficit_db > 1e-4 for n in kept if n.ribbon == need.ribbon)
            assert not touched or gained >= need.deficit_db - 2e-4

    def test_set_cover(self) -> None:
        # Fibre 1 can be mended at A or B, 2 at B or C, 3 at C or D: two openings, as B and C.
        gains = ({1: 0.1, 2: 0.1}, {2: 0.1, 3: 0.1}, {3: 0.1, 4: 0.1})
        needs = [SpanNeed(n, n, 0.1, own) for n, own in enumerate(gains, 1)]
        assert len(fewest_openings(needs).closures) == 2

    def test_closures_that_are_open_anyway_cost_nothing(self) -> None:
        needs = [SpanNeed(1, 1, 0.1, {1: 0.2, 2: 0.11})]
        found = fewest_openings(needs, opened={2}, remade={(2, 7)})
        assert found.closures == (2,)
        assert found.extra == ()
        assert found.remakes == ((2, 1), (2, 7))

    def test_out_of_reach_is_said(self) -> None:
        found = fewest_openings([SpanNeed(1, 1, 0.5, {1: 0.1, 2: 0.1})])
        assert found.out_of_reach == (1,)
        assert found.closures == ()

    def test_nothing_to_gain_anywhere(self) -> None:
        assert fewest_openings([SpanNeed(1, 1, 0.5, {})]).out_of_reach == (1,)
        assert fewest_openings([]).closures == ()

    def test_span_mean_of_a_cable(self) -> None:
        # Lease clauses (lawinsider.com): mean of a fibre's splices at most 0.15 dB.
        profile = profile_of("[span]\nmean_limit_db = 0.15\n")
        losses = good_cable()
        losses[:, 1, 3] = 0.05, 0.45, 0.10  # mean 0.20
        losses[:, 2, 7] = 0.30, 0.40, 0.05  # mean 0.25: K2 alone is enough for both
        (openings,) = plan_of(rows_of(losses, profile=profile), profile).openings
        assert openings.openings.closures == (2,)
        assert openings.openings.remakes == ((2, 2), (2, 3))

    def test_span_mean_within_needs_nothing(self) -> None:
        profile = profile_of("[span]\nmean_limit_db = 0.15\n")
        (openings,) = plan_of(rows_of(good_cable(), profile=profile), profile).openings
        assert openings.openings.closures == ()

    def test_no_ribbon_is_opened_whose_worst_fibre_is_within_its_limit(self) -> None:
        # Mean 0.18 dB against 0.15: each splice keeps its own limit of 0.20 dB but one.
        profile = profile_of("[splice]\nlimit_db = 0.2\n[span]\nmean_limit_db = 0.15\n")
        losses = good_cable()
        losses[:, 1, 3] = 0.18
        plan = plan_of(rows_of(losses, profile=profile), profile)
        assert plan.units == ()
        assert plan.openings[0].openings.closures == ()
        assert plan.openings[0].openings.out_of_reach == (16,)
        losses[1, 1, 5] = 0.4
        (openings,) = plan_of(rows_of(losses, profile=profile), profile).openings
        assert openings.openings.remakes == ((2, 2),)

    def test_end_to_end_limit_counts_too(self) -> None:
        # 10 km at 0.2 dB/km and three splices of 0.3 dB are 2.9 dB; one remade, about 2.65.
        profile = profile_of("[span]\nsteps = [{ up_to_m = 20_000, limit_db = 2.7 }]\n")
        losses = good_cable()
        losses[:, 1, 3] = 0.3
        (openings,) = plan_of(rows_of(losses, profile=profile), profile).openings
        assert len(openings.openings.closures) == 1
        assert openings.openings.out_of_reach == ()
