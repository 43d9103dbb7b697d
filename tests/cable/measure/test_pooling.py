"""A receiver that a shot does not show is known from the others of the same instrument."""

from __future__ import annotations

import csv
import random
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from making import Cords, instrument, shot_file, span, with_cords
from simulated import Label

from otdravg import Response, ResponseSource, read_all, sor
from otdravg.cable import CableReview, review
from otdravg.cable.measure import pooling
from otdravg.cable.measure.jobs import Job, Outcome, Sketch
from otdravg.cable.measure.pooling import pool_of, with_pooled_responses
from otdravg.cable.model import FibreKey
from otdravg.findings import caution
from otdravg.shot.settings import Direction
from otdravg.simulate.fibre import true_joints
from otdravg.tables.splices import cable_tables
from otdravg.verdict import default

#: 10–90 % of one pole is its length times ln 9: 0.5 pulses.
TOOL = instrument(
    200, 2.0, rise_fraction=0.5 * float(np.log(9)), tail_fraction=0.0, headroom_db=20.0
)
#: The same with everything that reflects clipped.
CLIPPED = replace(TOOL, headroom_db=0.2, front_panel_reflectance_db=-40.0)
GLASS = span([1500, 2100, 1800], [0.12, 0.08])
CORDS = Cords(600.0, 600.0, reflectance_db=-45.0)
FIBRES = 3


def write_cable(folder: Path, clipped: Sequence[tuple[int, str]]) -> Path:
    """A few fibres of equal glass; some shots are clipped wherever something reflects."""
    folder.mkdir()
    link = with_cords(GLASS, CORDS)
    for fibre in range(1, FIBRES + 1):
        for end, way in (("A", link), ("B", link.reversed())):
            tool = CLIPPED if (fibre, end) in clipped else TOOL
            label = Label(
                cable="SIM", fibre=str(fibre), location_a=end, location_b="AB"[end == "A"]
            )
            file = shot_file(way, tool, 10 * fibre + (end == "B"), label=label)
            (folder / f"{fibre:03}_1550_{end}{'AB'[end == 'A']}.sor").write_bytes(sor.encode(file))
    return folder


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_cable(tmp_path_factory.mktemp("pooled") / "shots", [(2, "A")])


@pytest.fixture(scope="module")
def pooled(folder: Path) -> CableReview:
    return review(folder, default())


def sources(result: CableReview) -> dict[str, ResponseSource | None]:
    return {shot.path: shot.response for shot in result.shots}


class TestCable:
    def test_the_shot_that_shows_nothing_takes_what_the_others_show(
        self, pooled: CableReview
    ) -> None:
        found = sources(pooled)
        assert found.pop("002_1550_AB.sor") is ResponseSource.POOLED
        assert set(found.values()) == {ResponseSource.LEARNT}

    def test_the_table_of_shots_names_it(self, pooled: CableReview) -> None:
        table = next(text for name, text in cable_tables(pooled).items() if "shots" in name)
        text = table.decode("utf-8-sig") if isinstance(table, bytes) else table
        rows = list(csv.DictReader(text.splitlines()))
        assert [row["response"] for row in rows].count("pooled") == 1

    def test_its_losses_are_the_true_ones(self, pooled: CableReview) -> None:
        truth = [joint.loss_db for joint in true_joints(GLASS)]
        rows = [row for row in pooled.rows if row.fibre == 2 and row.closure_number]
        assert len(rows) == len(truth)
        for row, true_db in zip(rows, truth, strict=True):
            assert row.loss_db is not None
            assert row.u_loss_db is not None
            assert abs(row.loss_db - true_db) < 3 * row.u_loss_db

    @pytest.mark.usefixtures("measured_anew")
    def test_workers_make_no_difference(self, folder: Path, pooled: CableReview) -> None:
        with ProcessPoolExecutor(2) as executor:
            assert cable_tables(review(folder, default(), executor=executor)) == cable_tables(
                pooled
            )


def test_nothing_is_measured_twice_where_all_agree(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    again: list[Job] = []

    def counted(job: Job) -> Outcome:
        again.append(job)
        raise AssertionError

    monkeypatch.setattr(pooling, "measure_job", counted)
    result = review(write_cable(tmp_path / "shots", []), default())
    assert set(sources(result).values()) == {ResponseSource.LEARNT}
    assert again == []


def test_pooled_and_single_results_differ_by_less_than_u(
    tmp_path: Path, pooled: CableReview
) -> None:
    from otdravg import measure

    ab, ba = (
        read_all(write_cable(tmp_path / end, []) / f"003_1550_{end}.sor")[0] for end in ("AB", "BA")
    )
    single = measure(ab, ba)
    pool = pool_of([single.side_ab.shot.response, single.side_ba.shot.response])
    assert pool is not None
    together = measure(ab, ba, response=pool.response)
    assert len(single.readings) == len(together.readings) > 0
    for one, other in zip(single.readings, together.readings, strict=True):
        assert one.loss_db is not None
        assert one.u_loss_db is not None
        assert other.loss_db is not None
        assert abs(one.loss_db - other.loss_db) < one.u_loss_db


class TestPool:
    @staticmethod
    def learnt(pole: float, u: float = 0.01, **more: int) -> Response:
        return Response((pole,), u_poles=u, edges=3, source=ResponseSource.LEARNT, **more)

    def test_weighted_median_in_any_order(self) -> None:
        shots = [self.learnt(p, smoothing=s) for p, s in ((0.5, 3), (0.51, 3), (0.49, 5), (0.9, 9))]
        pool = pool_of(shots)
        assert pool is not None
        assert pool.response.poles == (0.5,)
        assert pool.response.smoothing == 3
        assert pool.response.source is ResponseSource.POOLED
        for seed in range(5):
            random.Random(seed).shuffle(shots)
            assert pool_of(shots) == pool

    def test_only_the_odd_one_is_doubted(self) -> None:
        shots = [self.learnt(p) for p in (0.498, 0.5, 0.502, 0.505, 0.7)]
        pool = pool_of(shots)
        assert pool is not None
        assert [pool.doubts(shot) for shot in shots] == [False] * 4 + [True]

    def test_of_two_neither_is_the_odd_one(self) -> None:
        shots = [self.learnt(0.5), self.learnt(0.9)]
        pool = pool_of(shots)
        assert pool is not None
        assert not any(pool.doubts(shot) for shot in shots)

    def test_a_pole_among_immediate_ones_is_doubted(self) -> None:
        immediate = Response(edges=2, source=ResponseSource.LEARNT)
        pool = pool_of([immediate, immediate, immediate, self.learnt(0.6)])
        assert pool is not None
        assert pool.response.poles == ()
        assert pool.doubts(self.learnt(0.6))
        assert not pool.doubts(self.learnt(0.221))
        assert not pool.doubts(immediate)

    def test_shots_that_show_nothing_make_no_pool(self) -> None:
        assert pool_of([Response(source=ResponseSource.NONE)]) is None


def test_immediate_shots_that_show_nothing_are_named_and_not_measured_again(
    pooled: CableReview,
) -> None:
    shot = pooled.shots[0]
    assert shot.identity is not None
    assert shot.identity.serial
    known = Response(edges=2, source=ResponseSource.LEARNT)
    blind = Response(source=ResponseSource.NONE)
    shots = (shot, replace(shot, path="other.sor"))
    job = Job(FibreKey("SIM", 1), 1550, 1, None, None)
    unknown = caution("response-unknown", Direction.A_TO_B, reflections=2)
    outcome = Outcome(
        job, None, (), (), None, None, (unknown,), sketch_of(blind), sketch_of(known)
    )  # fmt: skip
    (named,) = with_pooled_responses([shots], [outcome], None)
    assert named.sketch_ab is not None
    assert named.sketch_ab.response.source is ResponseSource.POOLED
    assert named.sketch_ba == outcome.sketch_ba
    assert named.findings == ()


def sketch_of(response: Response) -> Sketch:
    nothing = np.zeros(0, dtype=np.float32)
    return Sketch((), 0.0, True, 1.0, 1.0, 0.0, response, 0.2, 25.0, 0.0, nothing)
