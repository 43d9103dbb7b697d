"""Patterns: planted ones are found and named, luck is not, fits agree with statsmodels.

All cables are invented and simulated: skewed losses as splices have them, mass splices that
scatter among themselves.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
import statsmodels.api as sm
from cable_examples import rows_of
from scipy import stats
from statsmodels.stats.multitest import multipletests

from otdravg.cable.patterns.find import Pattern, PatternKind, find_patterns
from otdravg.cable.patterns.robust import (
    contrast,
    holm,
    rank_sum_chance,
    ranks_in_rows,
    robust_line,
    robust_two_way,
)
from otdravg.fit.reading import Kind
from otdravg.verdict.decision import Verdict
from otdravg.words.catalogue import told

FloatArray = npt.NDArray[np.float64]


def cable(shape: tuple[int, int, int] = (6, 12, 12), seed: int = 7) -> FloatArray:
    """Losses of a cable without any pattern: closures × ribbons × positions, dB."""
    rng = np.random.default_rng(seed)
    fibres = rng.gamma(2.0, 0.02, shape)
    return np.asarray(fibres + np.abs(rng.normal(0, 0.005, (*shape[:2], 1))))


def found_in(losses_db: FloatArray) -> tuple[Pattern, ...]:
    return find_patterns(rows_of(losses_db)).found


def in_order(closures: int, places: npt.NDArray[np.int_]) -> dict[tuple[str, int, int], float]:
    """Order of splicing: the place of each ribbon, the same at every closure."""
    return {
        ("SIM-RIDGE", closure, ribbon): float(place)
        for closure in range(1, closures + 1)
        for ribbon, place in enumerate(places, start=1)
    }


class TestAgainstStatsmodels:
    """Same data through statsmodels' RLM (Huber's T, MAD scale, covariance H1)."""

    def two_way_design(
        self, table: FloatArray
    ) -> tuple[FloatArray, FloatArray, npt.NDArray[np.int_], npt.NDArray[np.int_]]:
        row, column = np.nonzero(np.isfinite(table))
        rows, columns = table.shape
        # Effect coding: the last column's effect is minus the sum of the others.
        coded = np.vstack([np.eye(columns - 1), -np.ones(columns - 1)])
        return table[row, column], np.hstack([np.eye(rows)[row], coded[column]]), row, column

    @pytest.mark.parametrize("missing", [0, 9])
    def test_two_way_fit(self, missing: int) -> None:
        rng = np.random.default_rng(3)
        table = cable((1, 9, 12), seed=3)[0]
        table[2, 5] += 0.5  # a bad splice must not bend the fit
        table.ravel()[rng.choice(table.size, missing, replace=False)] = np.nan
        values, design, _, _ = self.two_way_design(table)
        model = sm.RLM(values, design, M=sm.robust.norms.HuberT(t=1.345))
        theirs = model.fit(maxiter=300, tol=1e-12, conv="coefs", cov="H1")
        ours = robust_two_way(table)
        rows, columns = table.shape
        assert ours.columns[: columns - 1] == pytest.approx(theirs.params[rows:], abs=1e-6)
        assert ours.overall + ours.rows == pytest.approx(theirs.params[:rows], abs=1e-6)
        weights = np.full(columns, -1 / (columns - 1))
        weights[4] = 1.0
        _, u_db = contrast(weights, ours.columns, ours.cov_columns)
        # The same contrast in their coding: column 5 is a coefficient, c·P/(P - 1) for sum zero.
        coded = np.zeros(design.shape[1])
        coded[rows + 4] = columns / (columns - 1)
        assert u_db == pytest.approx(float(theirs.t_test(coded).sd.item()), rel=1e-4)

    def test_row_contrast(self) -> None:
        table = cable((1, 7, 12), seed=5)[0]
        values, design, _, _ = self.two_way_design(table)
        model = sm.RLM(values, design, M=sm.robust.norms.HuberT(t=1.345))
        theirs = model.fit(maxiter=300, tol=1e-12, conv="coefs", cov="H1")
        weights = np.full(7, -1 / 6)
        weights[2] = 1.0
        ours = robust_two_way(table)
        value_db, u_db = contrast(weights, ours.rows, ours.cov_rows)
        test = theirs.t_test(np.concatenate([weights, np.zeros(11)]))
        assert value_db == pytest.approx(float(test.effect.item()), abs=1e-6)
        assert u_db == pytest.approx(float(test.sd.item()), rel=1e-4)

    def test_line(self) -> None:
        rng = np.random.default_rng(11)
        x = np.linspace(0, 1, 30)
        y = 0.05 + 0.04 * x + rng.normal(0, 0.01, 30)
        y[3] += 0.4
        model = sm.RLM(y, sm.add_constant(x), M=sm.robust.norms.HuberT(t=1.345))
        theirs = model.fit(maxiter=300, tol=1e-12, conv="coefs", cov="H1")
        ours = robust_line(x, y)
        assert ours.slope == pytest.approx(theirs.params[1], abs=1e-7)
        assert ours.u_slope == pytest.approx(theirs.bse[1], rel=1e-4)

    def test_holm(self) -> None:
        p = np.random.default_rng(2).beta(0.4, 4.0, 60)
        assert holm(list(p)) == pytest.approx(multipletests(p, method="holm")[1])


class TestRanks:
    def test_three_dice(self) -> None:
        # Three ranks of six are three dice: 18 comes once in 216, 17 or more four times.
        six = np.full(3, 6)
        assert rank_sum_chance(np.array([6.0, 6.0, 6.0]), six) == pytest.approx(1 / 216)
        assert rank_sum_chance(np.array([6.0, 6.0, 5.0]), six) == pytest.approx(4 / 216)
        assert rank_sum_chance(np.array([1.0, 1.0, 1.0]), six) == pytest.approx(1.0)

    def test_rows_of_unequal_size(self) -> None:
        ranks, sizes = np.array([2.0, 3.0]), np.array([2, 3])
        assert rank_sum_chance(ranks, sizes) == pytest.approx(1 / 6)

    @pytest.mark.parametrize("mean_rank", [7.5, 8.0, 8.5])
    def test_many_rows_are_on_the_safe_side(self, mean_rank: float) -> None:
        # Exact: coefficients of ((1 + x + … + x¹¹)/12)⁵⁰, by numpy's polynomials.
        exact = np.polynomial.polynomial.polypow(np.full(12, 1 / 12), 50)
        chance = float(exact[round(50 * (mean_rank - 1)) :].sum())
        ours = rank_sum_chance(np.full(50, mean_rank), np.full(50, 12))
        assert chance <= ours * 1.01 <= 2 * chance

    def test_ranks_keep_gaps(self) -> None:
        ranks = ranks_in_rows(np.array([[0.2, np.nan, 0.1, 0.1]]))
        assert ranks[0, [0, 2, 3]] == pytest.approx([3.0, 1.5, 1.5])
        assert np.isnan(ranks[0, 1])


class TestPlantedPatterns:
    def test_position_in_all_ribbons(self) -> None:
        losses = cable()
        losses[:, :, 4] += 0.04
        (pattern,) = found_in(losses)
        assert (pattern.kind, pattern.positions) == (PatternKind.POSITION, (5,))
        assert abs(pattern.effect_db - 0.04) < 3 * pattern.u_effect_db
        assert "groove" in told(pattern.where_to_look)

    def test_position_at_one_closure(self) -> None:
        losses = cable()
        losses[2, :, 4] += 0.08
        (pattern,) = found_in(losses)
        assert pattern.kind is PatternKind.POSITION_AT_CLOSURE
        assert (pattern.closure, pattern.positions) == ("K3", (5,))

    def test_edges(self) -> None:
        losses = cable()
        losses[:, :, [0, 11]] += 0.04
        (pattern,) = found_in(losses)  # the edge is said once, not as three patterns
        assert (pattern.kind, pattern.positions) == (PatternKind.EDGE, (1, 12))

    def test_one_bad_end_is_no_edge(self) -> None:
        losses = cable()
        losses[:, :, 0] += 0.04
        (pattern,) = found_in(losses)
        assert (pattern.kind, pattern.positions) == (PatternKind.POSITION, (1,))

    def test_ribbon(self) -> None:
        losses = cable()
        losses[:, 3] += 0.06
        (pattern,) = found_in(losses)
        assert (pattern.kind, pattern.ribbon) == (PatternKind.RIBBON, 4)

    def test_closure(self) -> None:
        losses = cable()
        losses[3] += 0.05
        (pattern,) = found_in(losses)
        assert (pattern.kind, pattern.closure) == (PatternKind.CLOSURE, "K4")
        assert abs(pattern.effect_db - 0.05) < 3 * pattern.u_effect_db

    def test_mass_splice(self) -> None:
        losses = cable()
        losses[3, 2] += 0.1
        (pattern,) = found_in(losses)
        assert pattern.kind is PatternKind.MASS_SPLICE
        assert (pattern.closure, pattern.ribbon) == ("K4", 3)

    def test_one_bad_fibre_is_no_bad_mass_splice(self) -> None:
        losses = cable()
        losses[3, 2, 7] += 1.0
        assert found_in(losses) == ()

    def test_drift_with_splicing_order(self) -> None:
        losses = cable()
        order = np.random.default_rng(1).permutation(12)
        losses += np.linspace(0, 0.08, 12)[order][None, :, None]
        # Its last ribbons are not bad ones besides.
        (pattern,) = find_patterns(rows_of(losses), order=in_order(6, order)).found
        assert pattern.kind is PatternKind.DRIFT
        assert abs(pattern.effect_db - 0.08) < 3 * pattern.u_effect_db
        assert "blade" in told(pattern.where_to_look)

    def test_what_rises_along_the_numbers_is_not_called_a_drift(self) -> None:
        losses = cable()
        losses += np.linspace(0, 0.08, 12)[None, :, None]
        partly = in_order(6, np.arange(11))  # of one ribbon nobody knows when it was spliced
        for order in ({}, partly):
            (pattern,) = find_patterns(rows_of(losses), order=order).found
            assert pattern.kind is PatternKind.NUMBERS
            said = f"{told(pattern.said)} {told(pattern.where_to_look)}"
            assert not {"drift", "wear", "blade"} & set(said.split())

    def test_drift_at_one_closure(self) -> None:
        losses = cable((6, 24, 12))
        losses[1] += (np.linspace(0, 0.1, 24) - 0.05)[:, None] + 0.0
        kinds = {(p.kind, p.closure) for p in found_in(losses)}
        assert kinds == {(PatternKind.NUMBERS_AT_CLOSURE, "K2")}
        found = find_patterns(rows_of(losses), order=in_order(6, np.arange(24))).found
        assert {(p.kind, p.closure) for p in found} == {(PatternKind.DRIFT_AT_CLOSURE, "K2")}

    def test_small_cable_of_48_fibres(self) -> None:
        losses = cable((4, 4, 12))
        losses[:, :, 4] += 0.05
        (pattern,) = found_in(losses)
        assert (pattern.kind, pattern.positions) == (PatternKind.POSITION, (5,))

    def test_missing_fibres_do_no_harm(self) -> None:
        losses = cable()
        losses[:, :, 4] += 0.04
        rng = np.random.default_rng(9)
        losses.ravel()[rng.choice(losses.size, 200, replace=False)] = np.nan
        losses[2] = np.nan
        losses[:, 5] = np.nan
        (pattern,) = found_in(losses)
        assert pattern.positions == (5,)


class TestFalseAlarms:
    def test_rate_over_many_cables_without_a_pattern(self) -> None:
        # Level 5 % for any false pattern; 60 cables: at most 7 by luck (98 %, binomial).
        alarms = sum(bool(found_in(cable((4, 6, 12), seed=100 + s))) for s in range(60))
        assert alarms <= int(stats.binom.ppf(0.98, 60, 0.05))

    def test_small_effects_are_not_worth_a_look(self) -> None:
        losses = cable((10, 36, 12))
        losses[:, :, 4] += 0.008
        assert found_in(losses) == ()
        sharper = find_patterns(rows_of(losses), least_db=0.002)
        assert [p.positions for p in sharper.found] == [(5,)]

    def test_smaller_loss_is_no_pattern(self) -> None:
        losses = cable() + 0.05
        losses[:, :, 4] -= 0.04
        assert found_in(losses) == ()

    @pytest.mark.parametrize("shape", [(1, 1, 12), (1, 2, 2), (2, 1, 12), (1, 1, 1), (3, 2, 4)])
    def test_too_little_says_nothing(self, shape: tuple[int, int, int]) -> None:
        assert found_in(cable(shape)) == ()

    def test_nothing_at_all(self) -> None:
        assert find_patterns([]).found == ()

    def test_equal_losses(self) -> None:
        assert found_in(np.full((4, 6, 12), 0.05)) == ()


class TestWhatIsLookedAt:
    def test_bends_and_connectors_are_left_out(self) -> None:
        losses = cable()
        losses[:, :, 4] += 0.3
        rows = rows_of(losses)
        bent = [
            replace(row, verdict=replace(row.verdict, verdict=Verdict.BEND))
            if row.position == 5
            else row
            for row in rows
        ]
        assert find_patterns(bent).found == ()
        plugged = [replace(r, kind=Kind.CONNECTOR) if r.position == 5 else r for r in rows]
        assert find_patterns(plugged).found == ()

    def test_shortest_wavelength_speaks(self) -> None:
        losses = cable()
        rows = rows_of(losses, wavelength_nm=1550)
        losses[:, :, 4] += 0.04
        rows += rows_of(losses, wavelength_nm=1310)
        (pattern,) = find_patterns(rows).found
        assert pattern.wavelength_nm == 1310

    def test_order_of_rows_does_not_matter(self) -> None:
        losses = cable()
        losses[:, :, 4] += 0.04
        rows = rows_of(losses)
        assert find_patterns(rows) == find_patterns(rows[::-1])

    def test_loose_tube_has_closures_but_no_ribbons(self) -> None:
        losses = cable((5, 24, 1))
        losses[3] += 0.08
        rows = [replace(row, ribbon=None, position=None) for row in rows_of(losses)]
        (pattern,) = find_patterns(rows).found
        assert (pattern.kind, pattern.closure) == (PatternKind.CLOSURE, "K4")

    def test_words_give_a_place_to_look_and_no_cause(self) -> None:
        losses = cable()
        losses[:, :, 4] += 0.04
        (pattern,) = found_in(losses)
        assert told(*pattern.where) == "position 5"
        assert told(pattern.where_to_look).startswith("look at ")
        assert "because" not in told(pattern.said) + told(pattern.where_to_look)
        assert f"{pattern.effect_db:.3f}" in told(pattern.said)


@pytest.mark.parametrize(
    ("p_adjusted", "text"), [(0.034, "0.034"), (2e-6, "2e-06"), (2.7e-172, "< 0.000001")]
)
def test_no_chance_is_told_that_no_sample_could_bear_out(p_adjusted: float, text: str) -> None:
    pattern = Pattern(
        "X", 1550, PatternKind.POSITION, None, "", None, (7,), 0.258, 0.0052, p_adjusted, p_adjusted
    )
    assert pattern.chance == text
    assert told(pattern.said) == (
        "position 7: 0.258 ± 0.011 dB more loss than the others "
        f"(chance of such luck anywhere: {text})"
    )
