"""Estimates from one end: they cover the truth, and they never decide anything."""

from __future__ import annotations

from collections import defaultdict
from statistics import median

import pytest
from construction import LIMIT_DB, WAVELENGTHS, Clock, Found, Site5, estimated, look, watching

from otdravg.watch.estimate import Basis, estimates


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> Found:
    """Two cables whose backscatter differs between wavelengths, shot in steps."""
    found: Found = defaultdict(list)
    for seed in (1, 2):
        place = tmp_path_factory.mktemp("estimates") / "shots"
        estimated(Site5(place, seed=seed, apart_db=0.015), found)
    return found


@pytest.mark.parametrize("basis", list(Basis))
def test_intervals_cover_the_truth(found: Found, basis: Basis) -> None:
    """The truth is the simulator's; 93 % is the least that is promised for k = 2."""
    own = found[basis]
    assert len(own) >= 40
    inside = sum(abs(e.loss_db - truth) <= e.expanded_db for e, truth in own)
    assert inside >= 0.93 * len(own)


def test_what_is_known_of_the_joint_itself_says_more(found: Found) -> None:
    widths = {basis: median(e.expanded_db for e, _ in own) for basis, own in found.items()}
    assert widths[Basis.EARLIER] < 0.02
    assert widths[Basis.WAVELENGTH] < 0.07
    assert widths[Basis.SPREAD] < 0.18


def test_likely_over_is_over(found: Found) -> None:
    over = [(e, truth) for own in found.values() for e, truth in own if e.is_likely_over]
    assert len(over) >= 10
    assert all(truth > LIMIT_DB for _, truth in over)


def test_few_joints_say_nothing(site: Site5) -> None:
    clock = Clock()
    watch = watching(site, clock)
    for fibre in (1, 2, 3):
        for nm in WAVELENGTHS:
            site.shoot(fibre, nm, "A")
    answer = look(watch, clock)
    assert answer is not None
    assert answer.review is not None
    assert estimates(answer.review) == {}
