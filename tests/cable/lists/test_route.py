"""Sheath marks against the glass: the factor of a section, places on the sheath, odd marks."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from otdravg.cable.lists.facts import PLACE_KINDS, Mark, RoutePlace
from otdravg.cable.lists.route import Odd, Survey, survey
from otdravg.words.catalogue import told


def truth(seed: int) -> tuple[list[RoutePlace], list[tuple[str, float, float]], float, list[float],
                              list[tuple[float, float]]]:  # fmt: skip
    """A route of five reels that was made up: places, closures found, length, factors, pairs.

    The pairs are places in the glass with the mark that is printed there. The shots find a closure
    to 2 m, marks are read to half a metre, and 1 to 2 m of bare fibre lie at each sheath's end.
    """
    chance = np.random.default_rng(seed)
    places, found, factors, pairs = [], [], [], []
    glass_m, mark_in = 0.0, None
    for reel in range(5):
        sheath_m = float(chance.uniform(1200, 4800))
        factor = float(chance.uniform(1.0, 1.03))
        sign, start = (1, 0.0) if reel % 2 else (-1, sheath_m)
        start += float(np.round(chance.uniform(20, 4000)))
        trays_m = chance.uniform(1, 2, 2)
        kind = "closure" if reel else "end"
        places.append(RoutePlace(f"P{reel}", kind, mark_in, read(start, chance)))
        inside = np.sort(chance.uniform(0.1, 0.9, 3)) * sheath_m
        for n, s in enumerate(inside):
            name = f"MH {reel}{n}"
            places.append(RoutePlace(name, "manhole", read(start + sign * s, chance)))
        s = float(chance.uniform(0, sheath_m))
        pairs.append((glass_m + trays_m[0] + factor * s, start + sign * s))
        glass_m += factor * sheath_m + float(trays_m.sum())
        mark_in = read(start + sign * sheath_m, chance)
        factors.append(factor)
        if reel < 4:
            found.append((str(reel + 1), glass_m + float(chance.normal(0, 2)), 2.0))
    places.append(RoutePlace("Hut", "end", mark_in))
    return places, found, glass_m, factors, pairs


def read(mark: float, chance: np.random.Generator) -> Mark:
    return Mark(round(mark + float(chance.uniform(-0.5, 0.5))), "m")


def test_factors_and_places_are_within_their_uncertainty() -> None:
    # U of the GUM, k = 2: of what is fitted some 95 % lie within.
    factor_hits, place_hits = [], []
    for seed in range(60):
        places, found, length_m, factors, pairs = truth(seed)
        seen = survey(places, found, (length_m, 1.0))
        assert seen.odd == ()
        assert len(seen.sections) == 5
        for section, factor in zip(seen.sections, factors, strict=True):
            factor_hits.append(abs(section.factor - factor) <= 2 * section.u_factor)
        for glass_m, mark in pairs:
            spot = seen.at(glass_m)
            assert spot is not None
            place_hits.append(abs(spot.mark - mark) <= spot.expanded_mark)
            assert spot.expanded_mark < 8
    assert 0.92 <= np.mean(factor_hits) <= 1
    assert 0.92 <= np.mean(place_hits) <= 1


def test_places_beyond_the_last_closure_found_have_a_wider_uncertainty() -> None:
    hits, wider = [], []
    for seed in range(300):
        places, found, _, _, pairs = truth(seed)
        seen = survey(places, found[:2])  # the others are not spliced yet
        for glass_m, mark in pairs[2:]:
            spot = seen.at(glass_m)
            assert spot is not None
            hits.append(abs(spot.mark - mark) <= spot.expanded_mark)
            wider.append(spot.expanded_mark)
        assert [s.is_fitted for s in seen.sections] == [True, True, False, False, False]
    assert np.mean(hits) >= 0.9
    assert np.median(wider) > 20


def simple(*marks: float, unit: str = "", between: str = "manhole") -> list[RoutePlace]:
    """One reel from A to B past some manholes, with these marks."""
    first, *inside, last = marks
    return [
        RoutePlace("A", "end", None, Mark(first, unit)),
        *(RoutePlace(f"MH {n}", between, Mark(m, unit)) for n, m in enumerate(inside, 1)),
        RoutePlace("B", "end", Mark(last, unit)),
    ]


def kinds(seen: Survey) -> list[Odd]:
    return [what for what, _ in seen.odd]


def said(seen: Survey) -> list[tuple[Odd, str]]:
    """What is odd, and where in words."""
    return [(what, told(where)) for what, where in seen.odd]


def test_a_mark_that_runs_backwards_is_named_and_left_out() -> None:
    seen = survey(simple(1000, 2000, 1200, 3000, 4000), (), (3048.0, 1.0))
    assert said(seen) == [(Odd.BACKWARDS, "1200 at MH 2, A to B")]
    assert [name for name, *_ in seen.sections[0].stops] == ["A", "MH 1", "MH 3", "B"]


@pytest.mark.parametrize("mark", [9000, 0])
def test_a_mark_on_the_way_that_was_mistyped_is_named_and_left_out(mark: int) -> None:
    """Both ends of the section fit its glass: the mark between them is what is wrong."""
    places = [
        RoutePlace("A", "end", None, Mark(120)),
        RoutePlace("MH 1", "manhole", Mark(mark), Mark(mark)),
        RoutePlace("K1", "closure", Mark(1990)),
    ]
    held = survey(places, [("K1", 1876.0, 1.0)])
    assert {odd for odd, _ in held.odd} == {Odd.BACKWARDS}
    assert "MH 1" in told(held.odd[0][1])
    (section,) = held.sections
    assert section.length_m == 1870.0
    assert section.factor == pytest.approx((1876.0 - 3.0) / 1870.0, abs=0.002)


def test_a_counter_that_passes_zero_is_laid_on() -> None:
    seen = survey(simple(98_500, 99_700, 700, 2500), (), (4063.0, 1.0))
    assert kinds(seen) == [Odd.WRAPPED]
    assert seen.sections[0].length_m == 4000
    spot = seen.at(1.5 + 1.015 * 1700)
    assert spot is not None
    assert (spot.before, spot.after) == ("MH 1", "MH 2")
    assert spot.mark == pytest.approx(200, abs=2)


def test_falling_marks_that_pass_zero() -> None:
    seen = survey(simple(1500, 300, 99_300, 97_500), (), (4063.0, 1.0))
    assert kinds(seen) == [Odd.WRAPPED]
    assert (seen.sections[0].length_m, seen.sections[0].sign) == (4000, -1)


def test_feet_are_told_by_the_shots_and_said() -> None:
    seen = survey(simple(3000, 8000, 13_000), (), (3048 * 1.015 + 3, 1.0))
    assert kinds(seen) == [Odd.FEET]
    assert seen.sections[0].length_m == pytest.approx(3048)
    spot = seen.at(1.5 + 1.015 * 1524)
    assert spot is not None
    assert spot.unit == "ft"
    assert spot.mark == pytest.approx(8000, abs=5)
    stated = survey(simple(3000, 8000, 13_000, unit="ft"), (), (3048 * 1.015 + 3, 1.0))
    assert stated.odd == ()
    assert stated.sections[0].factor == pytest.approx(seen.sections[0].factor)


def test_marks_that_no_factor_explains_place_nothing() -> None:
    seen = survey(simple(0, 1000, 2000), (), (2600.0, 1.0))
    assert kinds(seen) == [Odd.LENGTH]
    assert "2000 m by the marks, 2597 m by the shots" in said(seen)[0][1]
    assert seen.at(1300.0) is None


def test_a_section_without_marks_is_a_gap_that_is_named() -> None:
    places = [
        RoutePlace("A", "end", None, Mark(0, "m")),
        RoutePlace("C1", "closure", Mark(2000, "m")),
        RoutePlace("C2", "closure", None, Mark(500, "m")),
        RoutePlace("B", "end", Mark(2500, "m")),
    ]
    found = [("C1", 2033.0, 1.0), ("C2", 4100.0, 1.0)]
    seen = survey(places, found, (6133.0, 1.0))
    assert said(seen) == [(Odd.UNMARKED, "closure C1 to closure C2")]
    assert seen.at(3000.0) is None
    assert seen.at(1000.0) is not None
    assert seen.at(5000.0) is not None


def test_a_closure_that_the_shots_do_not_show_and_one_that_the_route_lacks() -> None:
    places, found, length_m, _, _ = truth(1)
    express = survey(places, [*found[:1], *found[2:]], (length_m, 1.0))
    assert said(express) == [(Odd.NOT_SEEN, "closure P2")]
    more = survey(places, [*found, ("x", found[0][1] + 700, 1.0)], (length_m, 1.0))
    assert said(more) == [(Odd.NOT_LISTED, f"x at {found[0][1] + 700:.0f} m from A")]


def test_a_coil_is_a_place_of_its_own() -> None:
    places = simple(0, 1000, 2000, unit="m")
    places[1] = replace(places[1], mark_out=Mark(1030, "m"))
    seen = survey(places, (), (2033.0, 1.0))
    spot = seen.at(1.5 + 1.015 * 1015)
    assert spot is not None
    assert told(spot.said).startswith("in the coil at MH 1, sheath mark about 1015 ± ")
    stated = [places[0], replace(places[1], mark_out=None, slack_m=30.0), places[2]]
    at_closure = [replace(places[0], slack_m=40.0), *places[1:]]
    first = survey(at_closure, (), (2033.0, 1.0)).at(20.0)
    assert first is not None
    assert told(first.said).startswith("in the coil at A, sheath mark about ")
    coil = survey(stated, (), (2033.0, 1.0)).at(1.5 + 1.015 * 1015)
    assert coil is not None
    assert coil.before == coil.after == "MH 1"


def test_a_place_within_the_uncertainty_is_not_told_from_its_neighbourhood() -> None:
    seen = survey(simple(0, 1000, 2000, unit="m"), (), (2033.0, 1.0))
    texts = []
    for sheath_m in (990, 999, 1001, 1010):
        spot = seen.at(1.5 + 1.015 * sheath_m)
        assert spot is not None
        texts.append(told(spot.said).partition(", sheath mark")[0])
    assert texts == ["between A and MH 1", "near MH 1", "near MH 1", "between MH 1 and B"]


def test_whatever_is_typed_a_place_has_a_mark_or_none() -> None:
    chance = np.random.default_rng(11)
    numbers = (0, 1, 100, 2000, 2500, 99_990, 100_000, 9_999_999)
    spots = 0
    for _ in range(2000):

        def mark() -> Mark | None:
            if chance.random() < 0.25:
                return None
            return Mark(float(chance.choice(numbers)), str(chance.choice(["", "m", "ft"])))

        places = [
            RoutePlace(
                str(k), str(chance.choice(PLACE_KINDS)), mark(), mark(),
                float(chance.integers(0, 400)) if chance.random() < 0.4 else None,
            )
            for k in range(chance.integers(0, 8))
        ]  # fmt: skip
        found = [
            (str(chance.integers(0, 8)), float(chance.choice([0, 500, 2030, 9000])), 1.0)
            for _ in range(chance.integers(0, 4))
        ]
        seen = survey(places, found, (2033.0, 1.0))
        for shot_m in (-5.0, 0.0, 1.0, 1000.0, 2040.0, 5e4):
            spot = seen.at(shot_m, 1.0)
            if spot is not None:
                assert 0 <= spot.mark < 1e8
                assert 0 < spot.u_mark < 1e5
                assert "sheath mark about" in told(spot.said)
                spots += 1
    assert spots > 200


def test_what_is_said() -> None:
    spot = survey(simple(100, 2100, 3100, unit="m"), (), (3048.0, 1.0)).at(1016.5)
    assert spot is not None
    assert told(spot.said) == "between A and MH 1, sheath mark about 1100 ± 2 m"
