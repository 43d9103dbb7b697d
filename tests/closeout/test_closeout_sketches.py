"""Thinned shots: peaks and steps survive, and both shots lie on one axis."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from otdravg.cable import CableReview
from otdravg.cable.files.folder import load
from otdravg.cable.location import Location
from otdravg.cable.model import FibreKey, FibreResult
from otdravg.closeout.sketches import Sketches, pair_sketches, thinned
from otdravg.shot.settings import SPEED_OF_LIGHT_M_PER_S, Direction, Identity, Settings
from otdravg.shot.trace import Trace
from otdravg.verdict.decision import Action

INDEX = 1.4682
SPACING_M = 0.5
LENGTH_M = 5000.0
CORD_M = 100.0
#: Position from A, true loss, and backscatter step going A to B.
SPLICES = ((1000.0, 0.30, 0.10), (3200.0, 0.10, -0.25))


def made_shot(direction: Direction) -> Trace:
    """A noise-free shot of an invented fibre: readings are loss plus or minus step."""
    along_m = np.arange(int(2 * (LENGTH_M + 2 * CORD_M))) * SPACING_M
    from_a = direction is Direction.A_TO_B
    level_db = -0.2 * along_m / 1000
    for at_m, loss_db, step_db in SPLICES:
        behind = along_m >= CORD_M + (at_m if from_a else LENGTH_M - at_m)
        level_db = level_db - behind * (loss_db + (step_db if from_a else -step_db))
    level_db[4444] += 3.0  # a reflection of a single point
    settings = Settings(
        100.0, SPACING_M * INDEX / SPEED_OF_LIGHT_M_PER_S, 0.0, 0.0, INDEX, -81.5, 1, 1.0, 1e-4,
        0.001, "mt", 200,
    )  # fmt: skip
    identity = Identity("f", "", "", "1", "", "", direction, 1550, 1550, None, "", "", "")
    return Trace(np.round(level_db, 3) - 10, identity, settings, (), ())


FIBRE = FibreResult(
    FibreKey("C", 1), 1550, 1, LENGTH_M, 0.1, 0.2, 0.01, 0.2, 2, (), "a", "b", 1, INDEX,
    CORD_M, CORD_M,
)  # fmt: skip


def test_halves_show_loss_and_glass_apart() -> None:
    """Half the difference falls by the losses alone, half the sum by the steps alone."""
    pair = thinned(
        FIBRE, (made_shot(Direction.A_TO_B), "a"), (made_shot(Direction.B_TO_A), "b"), in_full=False
    )
    z_m, half_sum, half_difference = pair.halves()
    clean = half_difference + 0.2 * z_m / 1000
    for at_m, loss_db, step_db in SPLICES:
        before = (z_m > at_m - 300) & (z_m < at_m - 50)
        behind = (z_m > at_m + 50) & (z_m < at_m + 300)
        fall = np.median(clean[before]) - np.median(clean[behind])
        assert fall == pytest.approx(loss_db, abs=0.002)
        glass = np.median(half_sum[before]) - np.median(half_sum[behind])
        assert glass == pytest.approx(step_db, abs=0.002)


@pytest.mark.parametrize("direction", [Direction.A_TO_B, Direction.B_TO_A])
def test_no_point_of_the_span_is_lost_from_the_envelope(direction: Direction) -> None:
    shot = made_shot(direction)
    other = Direction.B_TO_A if direction is Direction.A_TO_B else Direction.A_TO_B
    shots = {direction: shot, other: made_shot(other)}
    pair = thinned(
        FIBRE, (shots[Direction.A_TO_B], "a"), (shots[Direction.B_TO_A], "b"), in_full=False
    )
    sketch = pair.ab if direction is Direction.A_TO_B else pair.ba
    along_m = np.arange(shot.level_db.size) * SPACING_M - CORD_M
    z_m = along_m if direction is Direction.A_TO_B else LENGTH_M - along_m
    bin_of = np.floor((z_m - sketch.first_m) / sketch.step_m + 1e-6).astype(int)
    inside = (bin_of >= 0) & (bin_of < sketch.low_mdb.size)
    assert inside.sum() > LENGTH_M / SPACING_M
    level = np.round(1000 * shot.level_db[inside])
    assert np.all(level >= sketch.low_mdb[bin_of[inside]])
    assert np.all(level <= sketch.high_mdb[bin_of[inside]])
    assert sketch.high_mdb.max() == level.max()  # the one-point reflection


def test_full_sketch_has_every_point_at_its_place() -> None:
    shot = made_shot(Direction.A_TO_B)
    pair = thinned(FIBRE, (shot, "a"), (made_shot(Direction.B_TO_A), "b"), in_full=True)
    full, _ = pair.finest
    assert full.is_full
    peak = full.z_m[np.argmax(np.diff(full.low_mdb)) + 1]
    assert peak == pytest.approx(4444 * SPACING_M - CORD_M, abs=1e-6)
    z_m, level_db = full.polyline()
    assert z_m.size == level_db.size > LENGTH_M / SPACING_M


def test_fibres_that_need_work_are_kept_in_full(
    good_review: CableReview, sketches: Sketches
) -> None:
    wanted = {
        (r.key, r.wavelength_nm) for r in good_review.rows if r.verdict.action is not Action.NONE
    }
    assert wanted
    assert wanted == {(p.key, p.wavelength_nm) for p in sketches.pairs if p.full_ab is not None}
    assert len(sketches.by_place()) == len(good_review.fibres)


def test_full_sketch_is_what_the_file_holds(good_review: CableReview, sketches: Sketches) -> None:
    pair = next(p for p in sketches.pairs if p.full_ba is not None)
    assert pair.full_ba is not None
    record = next(s for s in good_review.shots if s.path == pair.full_ba.file)
    points = np.round(1000 * load(record.location).level_db).astype(int)[::-1]
    kept = pair.full_ba.low_mdb
    starts = [n for n in np.flatnonzero(points == kept[0]) if n + kept.size <= points.size]
    assert any(np.array_equal(points[n : n + kept.size], kept) for n in starts)


def test_only_the_worst_are_kept_in_full_if_there_are_many(good_review: CableReview) -> None:
    kept = [p for p in pair_sketches(good_review, most_in_full=1).pairs if p.full_ab is not None]
    worst = max(good_review.rows, key=lambda row: row.loss_db or 0)
    assert len(kept) == 1
    assert kept[0].key == worst.key


def test_a_file_that_has_gone_costs_only_its_picture(
    good_review: CableReview, tmp_path: Path
) -> None:
    first = good_review.fibres[0]
    shots = tuple(
        replace(s, location=Location(str(tmp_path / "gone"), 0)) if s.path == first.file_ab else s
        for s in good_review.shots
    )
    places = pair_sketches(replace(good_review, shots=shots)).by_place()
    assert (first.key, first.wavelength_nm) not in places
    assert len(places) == len(good_review.fibres) - 1
