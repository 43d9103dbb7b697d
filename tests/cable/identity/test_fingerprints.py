"""Which shots are of one fibre: the likelihood ratio on made-up features."""

from __future__ import annotations

import numpy as np
import pytest
from feature_shots import shots
from scipy import stats

from otdravg.cable.identity.fingerprint import Comparison


def test_own_partners_fit_and_others_do_not() -> None:
    from_a, from_b = shots(48, 1)
    ratios = Comparison([from_a], [from_b]).ratios()
    own = np.diag(ratios)
    others = ratios[~np.eye(48, dtype=bool)]
    assert own.min() > 0
    assert np.mean(others > 0) < 0.02
    margin, _ = Comparison([from_a], [from_b]).margins()
    assert np.mean(margin > np.log(20)) > 0.9


def test_a_second_wavelength_of_the_same_glass_is_no_second_proof() -> None:
    from_a, from_b = shots(48, 3)
    once = Comparison([from_a], [from_b]).ratios()
    twice = Comparison([from_a, from_a], [from_b, from_b]).ratios()
    assert np.allclose(once, twice)


def test_one_misread_feature_costs_no_more_than_its_chance() -> None:
    from_a, from_b = shots(48, 4)
    before = Comparison([from_a], [from_b]).ratios()
    from_b[7, -6 + 2] += 40.0  # the length of a section: an event taken for its neighbour
    after = Comparison([from_a], [from_b]).ratios()
    # The feature spoke for the pair before; now it may cost log 0.03 at most.
    gained = 3.0
    assert before[7, 7] - after[7, 7] < gained - np.log(0.03)
    assert after[7, 7] > 0


def test_one_event_that_is_misplaced_is_one_misread_feature() -> None:
    # Two sections are wrong by it, and it costs what one misread feature does: log 0.03.
    from_a, from_b = shots(48, 4, closures=1)
    lengths_m = from_b[7, -2:].copy()
    ratios = []
    for moved_m in ([np.nan, np.nan], [12.0, -12.0]):
        from_b[7, -2:] = lengths_m + np.array(moved_m)
        ratios.append(Comparison([from_a], [from_b]).own()[7])
    assert ratios[1] - ratios[0] == pytest.approx(np.log(0.03), abs=0.3)


@pytest.mark.parametrize("seed", range(4))
def test_a_fibre_that_loses_more_at_every_splice_is_no_other_fibre(seed: int) -> None:
    from_a, from_b = shots(12, seed, closures=3)
    for side in (from_a, from_b):
        side[7, :3] += 0.12
        side[7, 3:] = np.nan  # its losses alone are looked at
    # It costs that few fibres are so, not three misread features.
    assert Comparison([from_a], [from_b]).own()[7] > np.log(0.02) - 1


@pytest.mark.parametrize("end", "AB")
@pytest.mark.parametrize("seed", range(4))
def test_shots_of_one_fibre_from_one_end_read_alike(seed: int, end: str) -> None:
    both = shots(12, seed, closures=3, noise=0.02)
    side = both["AB".index(end)]
    # Another shot of fibre 5, its losses read anew with 0.0015 dB, under the number 6.
    noise_db = np.random.default_rng(seed).normal(0, 0.0015, 3)
    side[6] = side[5] + np.pad(noise_db, (0, 8))
    table = Comparison([both[0]], [both[1]]).shot_twice(from_a=end == "A")
    assert min(table[5, 6], table[6, 5]) > np.log(1000)
    table[[5, 6], [6, 5]] = np.nan
    assert np.nanmax(table) < min(3.0 + np.log(20), 6.0)


def test_missing_shots_are_not_compared() -> None:
    from_a, from_b = shots(12, 5)
    from_b[4] = np.nan
    comparison = Comparison([from_a], [from_b])
    assert np.isnan(comparison.ratios()[:, 4]).all()
    margin, best = comparison.margins()
    assert np.isnan(margin[4])
    assert best[4] == -1
    assert np.isfinite(np.delete(margin, 4)).all()


def test_densities_are_students() -> None:
    # Reference: scipy.stats.t with eight degrees of freedom.
    from otdravg.cable.identity.fingerprint import _log_density

    x = np.linspace(-9, 9, 37)
    ours = _log_density(x, 1.7)
    theirs = stats.t.logpdf(x, 8, scale=1.7)
    assert np.allclose(ours - ours[0], theirs - theirs[0])


def test_quantiles_of_what_is_known_are_those_of_numpy() -> None:
    # Reference: numpy.nanquantile with its default, linear interpolation.
    from otdravg.cable.identity.fingerprint import _quantiles

    values = np.random.default_rng(3).normal(size=(9, 14))
    values[values > 0.9] = np.nan
    values[4] = np.nan
    theirs = np.nanquantile(np.delete(values, 4, axis=0), (0.5, 0.75, 0.9), axis=1)
    ours = _quantiles(values, (0.5, 0.75, 0.9))
    assert np.allclose(np.delete(ours, 4, axis=1), theirs)
    assert not ours[:, 4].any()


def test_places_on_the_points_of_the_record_are_no_proof() -> None:
    # Most fibres read one length from both ends, a few one point more: that says little.
    from_a, from_b = shots(60, 6)
    rng = np.random.default_rng(7)
    for side in (from_a, from_b):
        side[:, -6:] = 2000.0 + 1.25 * (rng.random((60, 6)) < 0.2)
    ratios = Comparison([from_a], [from_b]).ratios()
    assert np.diag(ratios).min() > 0
    # Odds of 100 to 1 come by luck once in a hundred at most (Markov's inequality).
    assert np.mean(ratios[~np.eye(60, dtype=bool)] > np.log(100)) < 0.01


def test_some_shots_compare_as_they_do_among_all() -> None:
    from_a, from_b = shots(30, 8)
    from_b[3] = np.nan
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
        assert comparison.ratio_of(one, k, from_a=True) == pytest.approx(ratios[j, k], rel=1e-12)
        assert comparison.ratio_of(other, j, from_a=False) == pytest.approx(ratios[j, k], rel=1e-12)


def test_a_shot_from_outside_is_not_compared_with_a_missing_one() -> None:
    from_a, from_b = shots(30, 8)
    stranger = from_a[4]
    from_b[4] = np.nan
    assert np.isnan(Comparison([from_a], [from_b]).ratio_of(stranger, 4, from_a=True))


def test_of_many_fibres_the_best_other_is_found_without_comparing_all(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    from otdravg.cable.identity import fingerprint

    from_a, from_b = shots(80, 9, noise=1.0)
    from_b[4] = np.nan
    comparison = Comparison([from_a], [from_b])
    margin, best = comparison.margins()
    monkeypatch.setattr(fingerprint, "_ALL_PAIRS", 10)
    monkeypatch.setattr(fingerprint, "_BLOCK", 32)
    quick, nearest = comparison.margins()
    known = np.isfinite(margin)
    assert np.array_equal(known, np.isfinite(quick))
    # Normal densities choose the rival; its ratio is that of the full comparison.
    assert np.mean(best[known] == nearest[known]) > 0.5
    assert np.all(quick[known] >= margin[known] - 1e-9)
    assert np.median(quick[known] - margin[known]) < 0.5
