"""Closures from the events of many fibres."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from otdravg.cable.measure.closures import (
    CableMap,
    FibrePlaces,
    KnownClosure,
    find_closures,
    read_closure_table,
)
from otdravg.cable.model import Source
from otdravg.errors import BadSetting

TRUE_M = np.array([1200.0, 3400.0, 5100.0])
LENGTH_M = 7000.0


def fibres(
    numbers: range,
    places_m: np.ndarray = TRUE_M,
    length_m: float = LENGTH_M,
    *,
    slack: float = 0.002,
    seen: float = 1.0,
    seed: int = 1,
) -> list[FibrePlaces]:
    """Fibres of one route, each a little longer or shorter, events placed to half a metre."""
    rng = np.random.default_rng(seed)
    made = []
    for number in numbers:
        stretch = 1 + rng.normal(0, slack)
        shown = places_m[rng.random(places_m.size) < seen] * stretch
        places = shown + rng.normal(0, 0.5, shown.size)
        made.append(FibrePlaces(number, length_m * stretch, tuple(np.sort(places)), 4.0))
    return made


def found(*groups: list[FibrePlaces], **settings: object) -> CableMap:
    return find_closures(
        "C", [f for group in groups for f in group], **{"ribbon_size": 12, **settings}
    )


def test_closures_are_found_though_fibres_differ_in_length() -> None:
    own_map = found(fibres(range(1, 49)))
    assert [c.distance_m for c in own_map.closures] == pytest.approx(TRUE_M, abs=4)
    assert [c.number for c in own_map.closures] == [1, 2, 3]
    assert all(c.fibres == tuple(range(1, 49)) for c in own_map.closures)


def test_a_fibre_that_shows_nothing_still_has_its_own_place_there() -> None:
    group = fibres(range(1, 25), seen=0.8, seed=3)
    own_map = found(group)
    assert group
    for one in group:
        truth = TRUE_M * one.length_m / LENGTH_M
        assert list(own_map.passes[one.fibre].values()) == pytest.approx(truth, abs=4)


def test_strays_make_no_closure() -> None:
    group = fibres(range(1, 25))
    hurt = FibrePlaces(7, group[6].length_m, (*group[6].places_m, 2300.0), 4.0)
    own_map = found([*group[:6], hurt, *group[7:]])
    assert len(own_map.closures) == 3


def test_a_branch_shares_only_what_lies_before_it() -> None:
    branch = np.array([1200.0, 3400.0, 4300.0])
    own_map = found(fibres(range(1, 25)), fibres(range(25, 37), branch, 5600.0, seed=2))
    assert [round(c.distance_m, -2) for c in own_map.closures] == [1200, 3400, 4300, 5100]
    assert [c.routes for c in own_map.closures] == [(1, 2), (1, 2), (2,), (1,)]
    assert list(own_map.passes[30]) == [1, 2, 3]
    assert list(own_map.passes[5]) == [1, 2, 4]


def test_a_route_that_parts_at_once_shares_nothing_behind_by_chance() -> None:
    other = np.array([700.0, 2000.0, 5100.0])
    own_map = found(fibres(range(1, 25)), fibres(range(25, 37), other, 9000.0, seed=2))
    assert [c.routes for c in own_map.closures if abs(c.distance_m - 5100) < 50] == [(1,), (2,)]


def test_a_broken_fibre_shares_the_closures_in_front_of_the_break() -> None:
    broken = [FibrePlaces(30, 4000.0, (1200.5, 3400.2), 4.0)]
    own_map = found(fibres(range(1, 25)), broken)
    assert list(own_map.passes[30]) == [1, 2]


def test_a_ribbon_that_runs_through_uncut_has_no_splice_there() -> None:
    through = np.array([1200.0, 5100.0])
    own_map = found(fibres(range(1, 37)), fibres(range(37, 49), through, seed=2))
    assert own_map.express == ((2, 4),)
    assert list(own_map.passes[40]) == [1, 3]
    assert list(own_map.passes[4]) == [1, 2, 3]


def test_names_come_from_the_table_and_an_unseen_closure_is_added() -> None:
    table = (KnownClosure("Mill", 3380.0), KnownClosure("Bridge", 6000.0))
    own_map = found(fibres(range(1, 13)), table=table)
    assert [c.name for c in own_map.closures] == ["1", "Mill", "3", "Bridge"]
    assert own_map.closures[1].named_by is Source.MAPPING
    assert own_map.passes[3][4] == pytest.approx(6000, abs=40)


def test_a_closure_table_knows_units(tmp_path: Path) -> None:
    table = tmp_path / "closures.csv"
    table.write_text("name,distance\nMill,3.4km\nGate,3937ft\n", encoding="utf-8")
    known = read_closure_table(table)
    assert [k.name for k in known] == ["Gate", "Mill"]
    # One international foot is 0.3048 m exactly (1959 agreement).
    assert known[0].distance_m == pytest.approx(3937 * 0.3048)
    table.write_text("name,distance\nMill,far\n", encoding="utf-8")
    with pytest.raises(BadSetting, match="line 2"):
        read_closure_table(table)


def with_slack(numbers: range, metres: dict[int, float], **how: object) -> list[FibrePlaces]:
    """Fibres whose reels are longer by some metres, by the number of the reel."""
    edges = np.append(TRUE_M, LENGTH_M)
    more = np.array([metres.get(n, 0.0) for n in range(1, edges.size + 1)])
    moved = edges + np.cumsum(more)
    return fibres(numbers, moved[:-1], float(moved[-1]), slack=0.0002, **how)  # type: ignore[arg-type]


@pytest.mark.parametrize("reel", [1, 2, 3, 4])
@pytest.mark.parametrize("metres", [15.0, 30.0, 45.0])
@pytest.mark.parametrize("ribbons", [2, 3, 6])
def test_slack_in_one_ribbon_moves_closures_and_invents_none(
    reel: int, metres: float, ribbons: int
) -> None:
    own_map = found(
        with_slack(range(1, 13), {}),
        with_slack(range(13, 25), {reel: metres}, seed=2),
        with_slack(range(25, 12 * ribbons + 1), {}, seed=3),
    )
    assert [c.number for c in own_map.closures] == [1, 2, 3]
    assert {len(c.fibres) for c in own_map.closures} == {12 * ribbons}
    assert own_map.express == ()
    truth = TRUE_M + metres * (np.arange(3) >= reel - 1)
    assert list(own_map.passes[20].values()) == pytest.approx(truth, abs=4)
    assert list(own_map.passes[5].values()) == pytest.approx(TRUE_M, abs=4)


def test_slack_of_its_own_in_every_ribbon_and_closure() -> None:
    rng = np.random.default_rng(4)
    groups = [
        with_slack(
            range(12 * r + 1, 12 * r + 13),
            {reel: float(rng.uniform(0, 20)) for reel in (1, 2, 3)},
            seed=r,
        )
        for r in range(4)
    ]
    own_map = found(*groups)
    assert [c.number for c in own_map.closures] == [1, 2, 3]
    assert own_map.express == ()
    assert len(own_map.route_length_m) == 1


def test_a_fibre_that_shows_nothing_is_where_its_ribbon_is() -> None:
    group = with_slack(range(13, 25), {2: 30.0}, seed=2, seen=0.7)
    own_map = found(with_slack(range(1, 13), {}), group)
    assert group
    for one in group:
        truth = (TRUE_M + np.array([0, 30.0, 30.0])) * one.length_m / (LENGTH_M + 30.0)
        assert list(own_map.passes[one.fibre].values()) == pytest.approx(truth, abs=4)


def test_what_one_ribbon_of_three_shows_is_an_event_on_the_way() -> None:
    spliced = np.sort(np.append(TRUE_M, 2300.0))
    own_map = found(
        fibres(range(1, 13)), fibres(range(13, 25), spliced, seed=2), fibres(range(25, 37), seed=3)
    )
    assert len(own_map.closures) == 3


def test_two_closures_near_each_other_stay_two() -> None:
    near = np.sort(np.append(TRUE_M, TRUE_M[1] + 45.0))
    own_map = found(fibres(range(1, 37), near, slack=0.0002))
    assert len(own_map.closures) == 4
