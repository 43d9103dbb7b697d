"""Opposite ends and one fibre: likelihoods against scipy's, odds against how often they come true.

Truth is what is drawn here, or what was put into the simulator.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from making import Cords, both_ways, instrument, shot, span, with_cords
from scipy.special import logsumexp
from scipy.stats import multivariate_normal, norm
from simulated import Fibre

from otdravg.errors import Refusal, ShotsDoNotPair
from otdravg.pair import same_glass
from otdravg.pair.measure import measure
from otdravg.pair.same_glass import (
    Glass,
    Headers,
    Story,
    Views,
    glass_findings,
    headers_of,
    likelihoods,
)
from otdravg.shot.trace import Trace


def views(x: list[float], y: list[float], u: float = 0.004) -> Views:
    """Readings of both shots at equal distances; nothing reflects."""
    nothing, seen = np.zeros(len(x), dtype=bool), np.ones(len(x), dtype=bool)
    spread = np.full(len(x), u)
    return Views(np.array(x), spread, nothing, seen, np.array(y), spread, nothing, seen)


def told(view: Views, headers: Headers = Headers.OPPOSITE) -> Glass:
    return Glass(headers, likelihoods(view), view.count)


def codes(glass: Glass) -> list[str]:
    return [finding.code for finding in glass_findings(glass)]


# Likelihoods


def splice_parts() -> list[tuple[float, list[tuple[float, float, float, float]]]]:
    """For every cable its weight and its parts: share, mean loss, variances of loss and step."""
    cables = []
    for scale in same_glass.LOSS_SCALES:
        for sigma in same_glass.STEP_SPREADS_DB:
            parts = [
                (p * q, m * scale, (s * scale) ** 2, step**2)
                for p, step in (
                    (1 - same_glass.UNLIKE_SHARE, sigma),
                    (same_glass.UNLIKE_SHARE, same_glass.UNLIKE_DB),
                )
                for q, m, s in zip(
                    same_glass.LOSS_SHARE,
                    same_glass.LOSS_DB,
                    same_glass.LOSS_SPREAD_DB,
                    strict=True,
                )
            ]
            cables.append((0.0, parts))
    return cables


def by_scipy(view: Views, story: Story) -> float:
    """Log-likelihood of a story, written out place by place with densities of scipy.stats."""
    here, odd = same_glass.SPLICE_HERE, same_glass.ODD_PLACE
    pairing = slice(None) if story is Story.ONE_END else slice(None, None, -1)
    y, u_y = view.y_db[pairing], view.u_y_db[pairing]
    sign = 1 if story is Story.ONE_END else -1
    odd = same_glass.ODD_AGAIN if story is Story.ONE_END else odd
    totals = []
    for _, parts in splice_parts():
        total = 0.0
        for p, q, u, w in zip(view.x_db, y, view.u_x_db, u_y, strict=True):
            none = norm.pdf(p, 0, u), norm.pdf(q, 0, w)
            alone = [
                sum(a * norm.pdf(v, m, np.sqrt(loss + step + s**2)) for a, m, loss, step in parts)
                for v, s in ((p, u), (q, w))
            ]
            both = sum(
                a
                * multivariate_normal.pdf(
                    [p, q],
                    [m, m],
                    [
                        [loss + step + u**2, loss + sign * step],
                        [loss + sign * step, loss + step + w**2],
                    ],
                )
                for a, m, loss, step in parts
            )
            either = [(1 - here) * n + here * a for n, a in zip(none, alone, strict=True)]
            if story is Story.TWO_FIBRES:
                place = (1 - here) * none[0] * none[1] + here * alone[0] * alone[1]
            elif story is Story.UNRELATED:
                place = either[0] * either[1]
            else:
                place = (1 - odd) * ((1 - here) * none[0] * none[1] + here * both)
                place += odd * either[0] * either[1]
            total += float(np.log(place))
        totals.append(total)
    return float(logsumexp(totals) - np.log(len(totals)))


@pytest.mark.parametrize(
    "story", [Story.GOOD, Story.ONE_END, Story.TWO_FIBRES, Story.UNRELATED], ids=lambda s: s.name
)
def test_likelihoods_are_those_of_the_stated_priors(story: Story) -> None:
    view = views([0.13, 0.002, -0.03, 0.35], [0.10, -0.01, 0.001, 0.02])
    view = replace(view, u_y_db=np.array([0.003, 0.006, 0.02, 0.01]))
    assert likelihoods(view)[story] == pytest.approx(by_scipy(view, story), abs=1e-9)


def test_shares_of_the_priors_are_whole() -> None:
    assert float(np.sum(same_glass.LOSS_SHARE)) == pytest.approx(1.0)
    # Losses below zero are next to impossible: a normal part each (scipy: norm.cdf).
    below = same_glass.LOSS_SHARE @ norm.cdf(-same_glass.LOSS_DB / same_glass.LOSS_SPREAD_DB)
    assert below < 0.01


def test_where_nothing_is_read_nothing_is_told() -> None:
    blind = np.full(3, same_glass.UNREAD_DB)
    view = replace(views([0, 0, 0], [0, 0, 0]), u_x_db=blind, u_y_db=blind)
    glass = told(view)
    assert glass.places == 0
    assert glass.log_factor_ends == pytest.approx(0, abs=1e-3)
    assert glass.log_factor_glass == pytest.approx(0, abs=1e-3)


def test_without_steps_in_the_glass_two_fibres_are_not_told_and_not_doubted() -> None:
    # Readings of 0.03 to 0.05 dB from both ends: σ_b is not above noise.
    glass = told(views([0.03, 0, 0.05, 0.04, 0, 0.035], [0.035, 0, 0.04, 0.05, 0, 0.03]))
    assert glass.log_factor_glass > -np.log(2)
    assert codes(glass) == []


# Calibration: odds that are claimed against how often the statement is true


def drawn_views(rng: np.random.Generator, story: Story) -> Views:
    """Five splices at places that do not mirror, drawn from the stated priors, and their images."""
    count, u = 5, 0.004
    scale = rng.choice(same_glass.LOSS_SCALES)
    sigma = rng.choice(same_glass.STEP_SPREADS_DB)

    def losses() -> np.ndarray:
        part = rng.choice(same_glass.LOSS_DB.size, count, p=same_glass.LOSS_SHARE)
        return scale * rng.normal(same_glass.LOSS_DB[part], same_glass.LOSS_SPREAD_DB[part])

    def steps() -> np.ndarray:
        unlike = rng.random(count) < same_glass.UNLIKE_SHARE
        return rng.normal(0, np.where(unlike, same_glass.UNLIKE_DB, sigma))

    loss, step = losses(), steps()
    from_a, from_b = loss + step, loss - step
    if story is Story.TWO_FIBRES:
        from_b = losses() + steps()
    none = np.zeros(count)
    x = np.concatenate((from_a, none))  # places 0…4 and, mirrored, 9…5
    y = np.concatenate((none, from_b[::-1]))
    if story is Story.ONE_END:
        y = x.copy()
    return views(list(x + rng.normal(0, u, 10)), list(y + rng.normal(0, u, 10)), u)


def test_claimed_odds_for_one_fibre_come_true() -> None:
    rng = np.random.default_rng(41)
    truth, claimed = [], []
    for _ in range(1500):
        for story in (Story.GOOD, Story.TWO_FIBRES):
            found = likelihoods(drawn_views(rng, story))
            truth.append(story is Story.GOOD)
            claimed.append(found[Story.GOOD] - found[Story.TWO_FIBRES])
    probability = 1 / (1 + np.exp(-np.array(claimed)))
    bins = np.digitize(probability, [0.05, 0.25, 0.5, 0.75, 0.9])
    for k in range(6):
        here = bins == k
        expected, count = probability[here].mean(), int(here.sum())
        assert count > 60, k
        # Four binomial standard deviations, and 2 % for the odd places that were not drawn.
        slack = 4 * np.sqrt(expected * (1 - expected) / count) + 0.02
        assert abs(np.mean(np.array(truth)[here]) - expected) < slack, (k, expected)


def test_evidence_against_a_true_story_is_as_rare_as_it_says() -> None:
    # A factor of 1/f against the truth comes up in at most one case of f (Markov's inequality).
    rng = np.random.default_rng(42)
    factors = [told(drawn_views(rng, Story.GOOD)).log_factor_glass for _ in range(2000)]
    assert np.mean(np.array(factors) < -np.log(10)) < 0.1
    assert np.mean(np.array(factors) < -np.log(10)) < 0.02  # by far: measured 0.5 %


@pytest.mark.parametrize(
    ("story", "expected"), [(Story.GOOD, []), (Story.ONE_END, ["one-end-possible"])]
)
def test_five_clear_splices_tell_the_ends(story: Story, expected: list[str]) -> None:
    rng = np.random.default_rng(43)
    for _ in range(100):
        glass = told(drawn_views(rng, story), Headers.SILENT)
        assert [c for c in codes(glass) if c == "one-end-possible"] == expected


# What headers add


def named(trace: Trace, near: str, far: str) -> Trace:
    return replace(trace, identity=replace(trace.identity, location_a=near, location_b=far))


@pytest.mark.parametrize(
    ("ends_a", "ends_b", "expected"),
    [
        (("Alder", "Birch"), ("Birch", "Alder"), Headers.OPPOSITE),
        (("Alder", "Birch"), (" BIRCH", "alder "), Headers.OPPOSITE),
        (("Alder", ""), ("Birch", ""), Headers.OPPOSITE),
        (("Alder", "Birch"), ("Alder", "Birch"), Headers.ALIKE),
        (("Alder", ""), ("Alder", "Birch"), Headers.ALIKE),
        (("", ""), ("", ""), Headers.SILENT),
        (("Alder", "Birch"), ("", ""), Headers.SILENT),
        (("", "Birch"), ("", "Alder"), Headers.SILENT),
        (("Alder", "Birch"), ("Cedar", "Hazel"), Headers.SILENT),
        (("Alder", "Alder"), ("Alder", "Alder"), Headers.SILENT),
    ],
)
def test_what_headers_say_of_the_ends(
    ends_a: tuple[str, str], ends_b: tuple[str, str], expected: Headers
) -> None:
    ab, ba = (shot(span([3000], []), instrument(), seed) for seed in (1, 2))
    found = headers_of(named(ab, *ends_a).identity, named(ba, *ends_b).identity)
    assert found is expected


DRUM = span([3000], [])
#: Its own mirror image: reads alike from both ends.
MIDSPAN = span([3000, 3000], [0.30], levels_db=[0.0, 0.0])
GLASS = span(
    [1500, 2300, 1100, 2600, 1900],
    [0.06, 0.11, 0.09, 0.05],
    levels_db=[0.0, -0.12, 0.06, -0.03, 0.08],
)


def doubts(
    ab: Trace,
    ba: Trace,
    ends: Callable[[Trace, Trace], tuple[Trace, Trace]] = lambda a, b: (a, b),
    **stated: float,
) -> list[str]:
    return codes(measure(*ends(ab, ba), **stated).glass)


def opposite(ab: Trace, ba: Trace) -> tuple[Trace, Trace]:
    return named(ab, "Alder", "Birch"), named(ba, "Birch", "Alder")


def alike(ab: Trace, ba: Trace) -> tuple[Trace, Trace]:
    return named(ab, "Alder", "Birch"), named(ba, "Alder", "Birch")


@pytest.mark.parametrize("glass", [DRUM, MIDSPAN], ids=["drum", "midspan splice"])
def test_where_the_waveforms_say_nothing_the_headers_stand_alone(glass: Fibre) -> None:
    pair = both_ways(glass, seed=5)
    assert doubts(*pair, opposite) == []
    assert doubts(*pair) == ["one-end-possible"]
    assert doubts(*pair, alike) == ["one-end-possible"]


@pytest.mark.parametrize("cords", [Cords(1000, 500), Cords(400, 700)])
def test_launch_fibres_of_different_length_settle_the_ends(cords: Cords) -> None:
    pair = both_ways(MIDSPAN, cords=cords, seed=6)
    assert doubts(*pair) == []
    assert cords.launch_m is not None
    assert cords.receive_m is not None
    assert doubts(*pair, launch_m=cords.launch_m, receive_m=cords.receive_m) == []


def test_launch_fibres_of_equal_length_do_not() -> None:
    assert doubts(*both_ways(MIDSPAN, cords=Cords(700, 700), seed=7)) == ["one-end-possible"]


@pytest.mark.parametrize("ends", [opposite, alike], ids=["opposite", "alike"])
def test_ordinary_splices_outweigh_any_header(
    ends: Callable[[Trace, Trace], tuple[Trace, Trace]],
) -> None:
    assert doubts(*both_ways(GLASS, seed=8), ends) == []
    ab, again = shot(GLASS, instrument(), 9), shot(GLASS, instrument(), 10)
    with pytest.raises(ShotsDoNotPair) as caught:
        measure(*ends(ab, again))
    assert caught.value.reason is Refusal.SAME_END


def test_the_same_end_with_another_cord_is_told_by_the_shift() -> None:
    ab = shot(with_cords(GLASS, Cords(500, None)), instrument(), 11)
    again = shot(with_cords(GLASS, Cords(830, None)), instrument(), 12)
    with pytest.raises(ShotsDoNotPair) as caught:
        measure(ab, again)
    assert caught.value.reason is Refusal.SAME_END


@pytest.mark.parametrize("seed", range(4))
def test_a_cable_of_mixed_reels_tells_its_neighbours(seed: int) -> None:
    rng = np.random.default_rng(seed)
    lengths = [1400.0, 900.0, 1700.0, 1100.0, 1500.0, 800.0, 1900.0, 1200.0]

    def fibre() -> Fibre:
        losses = [float(v) for v in rng.uniform(0.03, 0.11, 7)]
        return span(lengths, losses, levels_db=[float(v) for v in rng.normal(0, 0.11, 8)])

    one, other = fibre(), fibre()
    ab, ba = both_ways(one, seed=14)
    _, of_other = both_ways(other, seed=15)
    assert doubts(ab, ba, opposite) == []
    assert doubts(ab, of_other, opposite) == ["two-fibres-likely"]


def test_findings_state_prior_factor_and_odds() -> None:
    pair = both_ways(DRUM, seed=19)
    (found,) = glass_findings(measure(*pair).glass)
    values = dict(found.values)
    assert values["prior_odds"] == same_glass.HEADER_ODDS[Headers.SILENT]
    assert values["factor"] == pytest.approx(1.0, abs=0.01)
    assert values["odds"] == pytest.approx(10, rel=0.01)
    assert values["asked_odds"] == 100
    assert values["places"] == 0
