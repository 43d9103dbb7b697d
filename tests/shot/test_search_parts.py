"""Parts of the search of steps, held against plain loops over what they say of themselves."""

from __future__ import annotations

import numpy as np
import pytest
from exact_shots import Glass, exact
from making import INDEX

from otdravg.shot.detect import Event, EventKind
from otdravg.shot.response import Response
from otdravg.shot.shot import prepare
from otdravg.shot.steps import (
    Search,
    _local_maxima,
    _section_maxima,
    _sections,
    alone_between,
    zones,
)

STOP_M = 5900.0
#: Dead zones of two reflections, one within the other's, and steps, one within a dead zone.
FIXED, STEPS = [(1000.0, 1400.0), (1100.0, 1250.0), (4000.0, 4100.0)], [1300.0, 2500.0, 2510.0]


@pytest.fixture(scope="module")
def search() -> Search:
    return Search.of(prepare(exact(Glass((6000.0,))), INDEX, Response()))


def first_cell(search: Search, x_m: float) -> int:
    """First cell at or behind a place."""
    behind = np.flatnonzero(search.shot.cells.x_m >= x_m - 1e-6)
    return int(behind[0]) if behind.size else search.shot.cells.x_m.size


def test_zones_are_those_of_reflections_and_of_steps_until_their_ramps_are_over(
    search: Search,
) -> None:
    found = zones(search.shot, FIXED, STEPS)
    assert sorted(found) == found
    assert set(FIXED) < set(found)
    # A pulse of 10.2 m, 35 % of it for the receiver, and two points.
    clears = {start: clear - start for start, clear in found if (start, clear) not in FIXED}
    assert set(clears) == set(STEPS)
    assert list(clears.values()) == pytest.approx([10.2 * 1.35 + 2.0] * 3, abs=0.02)


def test_a_cell_lies_between_the_dead_zones_before_it_and_the_event_behind_it(
    search: Search,
) -> None:
    every = zones(search.shot, FIXED, STEPS)
    first, last = _sections(search, FIXED, STEPS, STOP_M)
    x = search.shot.cells.x_m
    assert x.size > 1000
    for k in range(0, x.size, 7):
        before = [clear for start, clear in every if first_cell(search, start) <= k]
        behind = [start for start, _ in every if first_cell(search, start) > k]
        if k < first_cell(search, STOP_M):
            assert first[k] == (first_cell(search, max(before)) if before else 0)
            assert last[k] == first_cell(search, min([*behind, STOP_M]))
        else:  # nothing is looked for behind the end
            assert last[k] <= first_cell(search, STOP_M)


def test_an_event_is_alone_between_its_neighbours(search: Search) -> None:
    every = zones(search.shot, FIXED, STEPS)
    at = np.array([500.0, 1100.0, 1300.0, 2500.0, 2510.0, 3000.0, 4000.0, 5000.0])
    assert at.size == 8
    for events in (every, every[::-1], np.array(every)):
        lo, hi = alone_between(search, events, at, STOP_M)
        for k, x_m in enumerate(at):
            before = [clear for start, clear in every if start < x_m]
            behind = [start for start, _ in every if start > x_m]
            assert lo[k] == (first_cell(search, max(before)) if before else 0)
            assert hi[k] == first_cell(search, min([*behind, STOP_M]))


def test_of_high_places_close_together_the_highest_stays() -> None:
    rng = np.random.default_rng(1)
    at, score = np.sort(rng.choice(1000, 200, replace=False)), rng.uniform(0, 40, 200)
    found = _local_maxima(at, score, 20.0, 30)
    kept: list[int] = []
    for k in np.argsort(-score):  # the highest first, unless it is near one that is kept
        if score[k] > 20 and all(abs(int(at[k]) - int(at[j])) > 30 for j in kept):
            kept.append(int(k))
    assert found.tolist() == kept
    assert len(kept) > 10
    assert _local_maxima(at, score, 50.0, 30).size == 0


def test_of_each_section_the_highest_place_counts() -> None:
    rng = np.random.default_rng(2)
    x, score, section = np.arange(300.0), rng.uniform(0, 40, 300), rng.integers(0, 20, 300)
    expected = {}
    for k in range(20):
        here = np.flatnonzero(section == k)
        if score[here].max() > 38:
            expected[k] = x[here[np.argmax(score[here])]]
    assert _section_maxima(x, score, section, 38.0) == list(expected.values())
    assert 3 < len(expected) < 20


@pytest.mark.parametrize(
    ("loss_db", "u_db", "has_loss"),
    [
        (0.021, 0.001, True), (0.019, 0.001, False), (-0.03, 0.001, True),
        (0.05, 0.016, True), (0.05, 0.017, False), (0.05, None, True), (None, None, False),
    ],
)  # fmt: skip
def test_a_loss_is_one_from_two_hundredths_and_three_of_its_uncertainties_on(
    loss_db: float | None, u_db: float | None, has_loss: bool
) -> None:
    event = Event(EventKind.REFLECTION, 1.0, 0.1, 2.0, loss_db, u_db, None, 1.0, False)
    assert event.has_loss is has_loss
