"""No pair is measured twice, and what is not asked for any more is let go."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import pytest
from construction import WAVELENGTHS, Clock, Site5, look, watching

from otdravg.cable import Options, read_folders, review
from otdravg.cable.measure.remembering import Remembering
from otdravg.verdict import default


def shoot(site: Site5, fibres: range) -> None:
    for fibre in fibres:
        for nm in WAVELENGTHS:
            for end in "AB":
                site.shoot(fibre, nm, end)


@pytest.mark.parametrize("threads", [0, 2])
def test_answers_are_those_of_a_plain_review(site: Site5, threads: int) -> None:
    shoot(site, range(1, 4))
    shots = read_folders([site.folder])
    plain = review(shots, default(), Options())
    with ThreadPoolExecutor(2) as pool:
        kept = Remembering(pool if threads else None)
        first = review(shots, default(), Options(), executor=kept)
        measured = kept.measured
        assert measured >= 6
        again = review(shots, default(), Options(), executor=kept)
    assert kept.measured == measured
    assert plain.rows
    assert plain.rows == first.rows == again.rows
    assert plain.findings == first.findings == again.findings


def test_a_new_pair_costs_one_measurement(site: Site5) -> None:
    clock = Clock()
    watch = watching(site, clock)
    shoot(site, range(1, 5))
    look(watch, clock)
    before = watch.remembering.measured
    site.shoot(5, 1550, "A")
    look(watch, clock)
    site.shoot(5, 1550, "B")
    look(watch, clock)
    # One single shot, one pair; and a place or two where a splice had not shown by itself.
    assert watch.remembering.measured - before <= 5


def test_nothing_new_costs_nothing(site: Site5) -> None:
    clock = Clock()
    watch = watching(site, clock)
    shoot(site, range(1, 3))
    assert look(watch, clock) is not None
    measured = watch.remembering.measured
    assert look(watch, clock) is None
    assert watch.remembering.measured == measured


def test_what_has_gone_is_let_go(site: Site5) -> None:
    clock = Clock()
    watch = watching(site, clock)
    shoot(site, range(1, 4))
    look(watch, clock)
    kept = watch.remembering
    for path in site.folder.glob("*F003*"):
        path.unlink()
    look(watch, clock)
    fibres = {job.key.fibre for job in kept._known}
    assert fibres == {1, 2}


def test_a_file_that_could_not_be_read_is_measured_when_it_is_back(site: Site5) -> None:
    """What a file on a share says is no result while it cannot be read."""
    shoot(site, range(1, 3))
    shots = read_folders([site.folder])
    kept = Remembering()
    paths = list(site.folder.glob("*F002*"))
    hidden = [path.rename(path.with_suffix(".away")) for path in paths]
    lost = review(shots, default(), Options(), executor=kept)
    assert {row.fibre for row in lost.rows if row.loss_db is not None} <= {1}
    for path in hidden:
        path.rename(path.with_suffix(".sor"))
    found = review(shots, default(), Options(), executor=kept)
    assert found.rows == review(shots, default(), Options()).rows
