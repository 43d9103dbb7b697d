"""Which shots are of one fibre: the likelihood ratio on made-up features."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from otdravg.cable.identity.fingerprint import Comparison, Features, margins, swaps

CLOSURES = 5


def shots(
    fibres: int, seed: int, *, noise: float = 0.1
) -> tuple[list[Features | None], list[Features | None]]:
    """Features as the model of the method says: readings l + b and l − b, equal lengths and slopes.

    ``noise`` is the scatter of a reading against that between fibres.
    """
    rng = np.random.default_rng(seed)
    from_a: list[Features | None] = []
    from_b: list[Features | None] = []
    for _ in range(fibres):
        loss = rng.lognormal(np.log(0.05), 0.4, CLOSURES)
        step = rng.normal(0, 0.06, CLOSURES)
        slope = 0.19 + rng.normal(0, 0.002, CLOSURES + 1)
        length = 2000 + rng.normal(0, 0.6, CLOSURES + 1)

        def read(value: np.ndarray, spread: float) -> np.ndarray:
            return value + rng.normal(0, noise * spread, value.size)

        for side, sign in ((from_a, 1), (from_b, -1)):
            side.append(
                Features(read(loss + sign * step, 0.06), read(slope, 0.002), read(length, 0.6))
            )
    return from_a, from_b


def test_own_partners_fit_and_others_do_not() -> None:
    from_a, from_b = shots(48, 1)
    ratios = Comparison([from_a], [from_b]).ratios()
    own = np.diag(ratios)
    others = ratios[~np.eye(48, dtype=bool)]
    assert own.min() > 0
    assert np.mean(others > 0) < 0.02
    margin, _ = margins(ratios)
    assert np.mean(margin > np.log(20)) > 0.9


def test_exchanged_shots_are_found_with_their_margin() -> None:
    from_a, from_b = shots(48, 2)
    from_b[10], from_b[31] = from_b[31], from_b[10]
    found = swaps(Comparison([from_a], [from_b]).ratios(), threshold=12.0)
    assert [(i, j) for i, j, _ in found] == [(10, 31)]
    assert found[0][2] > 12.0


@pytest.mark.parametrize("seed", range(6))
def test_no_exchange_is_seen_where_there_is_none(seed: int) -> None:
    from_a, from_b = shots(60, seed + 10, noise=0.4)
    assert swaps(Comparison([from_a], [from_b]).ratios(), threshold=12.0) == []


def test_a_second_wavelength_of_the_same_glass_is_no_second_proof() -> None:
    from_a, from_b = shots(48, 3)
    once = Comparison([from_a], [from_b]).ratios()
    twice = Comparison([from_a, from_a], [from_b, from_b]).ratios()
    assert np.allclose(once, twice)


def test_one_misread_feature_costs_no_more_than_its_chance() -> None:
    from_a, from_b = shots(48, 4)
    before = Comparison([from_a], [from_b]).ratios()
    own = from_b[7]
    assert own is not None
    lengths = own.section_m.copy()
    lengths[2] += 40.0  # an event taken for its neighbour
    from_b[7] = Features(own.loss_db, own.slope_db_per_km, lengths)
    after = Comparison([from_a], [from_b]).ratios()
    # The feature spoke for the pair before; now it may cost log 0.03 at most.
    gained = 3.0
    assert before[7, 7] - after[7, 7] < gained - np.log(0.03)
    assert after[7, 7] > 0


def test_missing_shots_are_not_compared() -> None:
    from_a, from_b = shots(12, 5)
    from_b[4] = None
    ratios = Comparison([from_a], [from_b]).ratios()
    assert np.isnan(ratios[:, 4]).all()
    margin, best = margins(ratios)
    assert np.isnan(margin[4])
    assert best[4] == -1
    assert np.isfinite(np.delete(margin, 4)).all()


def test_densities_are_students() -> None:
    # Reference: scipy.stats.t with four degrees of freedom.
    from otdravg.cable.identity.fingerprint import _log_density

    x = np.linspace(-9, 9, 37)
    ours = _log_density(x, 1.7)
    theirs = stats.t.logpdf(x, 4, scale=1.7)
    assert np.allclose(ours - ours[0], theirs - theirs[0])


def test_places_on_the_points_of_the_record_are_no_proof() -> None:
    # Most fibres read one length from both ends, a few one point more: that says little.
    from_a, from_b = shots(60, 6)
    rng = np.random.default_rng(7)
    for side in (from_a, from_b):
        assert len(side) == 60
        for n, own in enumerate(side):
            assert own is not None
            lengths = 2000.0 + 1.25 * (rng.random(own.section_m.size) < 0.2)
            side[n] = Features(own.loss_db, own.slope_db_per_km, lengths)
    ratios = Comparison([from_a], [from_b]).ratios()
    assert np.diag(ratios).min() > 0
    # Odds of 100 to 1 come by luck once in a hundred at most (Markov's inequality).
    assert np.mean(ratios[~np.eye(60, dtype=bool)] > np.log(100)) < 0.01


def test_some_shots_compare_as_they_do_among_all() -> None:
    from_a, from_b = shots(30, 8)
    from_b[3] = None
    comparison = Comparison([from_a], [from_b])
    whole = comparison.ratios()
    rows, columns = np.array([2, 3, 17]), np.array([3, 5])
    assert np.array_equal(
        comparison.ratios(rows, columns), whole[np.ix_(rows, columns)], equal_nan=True
    )
    assert np.array_equal(comparison.own(), np.diag(whole), equal_nan=True)


def test_a_shot_from_outside_compares_as_it_would_inside() -> None:
    from_a, from_b = shots(30, 8)
    comparison = Comparison([from_a], [from_b])
    ratios = comparison.ratios()
    for j, k in ((4, 4), (4, 11)):
        one, other = from_a[j], from_b[k]
        assert one is not None
        assert other is not None
        assert comparison.ratio_of(one, k, from_a=True) == pytest.approx(ratios[j, k], rel=1e-12)
        assert comparison.ratio_of(other, j, from_a=False) == pytest.approx(ratios[j, k], rel=1e-12)


def test_a_shot_from_outside_is_not_compared_with_a_missing_one() -> None:
    from_a, from_b = shots(30, 8)
    stranger = from_a[4]
    assert stranger is not None
    from_b[4] = None
    assert np.isnan(Comparison([from_a], [from_b]).ratio_of(stranger, 4, from_a=True))
