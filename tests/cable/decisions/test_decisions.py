"""The reviewer's decisions: applied on top, sealed, never in place of the measurement."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import pytest

from otdravg.cable import (
    CableReview,
    Decision,
    Options,
    ShotUse,
    What,
    add_decision,
    read_decisions,
    read_folders,
    review,
)
from otdravg.cable.files.folder import RawShot
from otdravg.cable.model import Confidence
from otdravg.errors import BadSetting
from otdravg.verdict import default
from otdravg.verdict.decision import Verdict
from otdravg.words.catalogue import told

WHEN = "2024-06-01T10:00:00+00:00"
CABLE = "SIM-QB1"


def decided(what: What, **fields: object) -> Decision:
    return Decision(what, "R. Vale (invented)", WHEN, "a reason", **{"cable": CABLE, **fields})


def reviewed(shots: tuple[RawShot, ...], tmp_path: Path, *items: Decision) -> CableReview:
    path = tmp_path / "decisions.csv"
    for item in items:
        add_decision(path, item)
    return review(shots, default(), Options(decisions=read_decisions(path)))


def test_an_accepted_splice_keeps_its_measured_value(
    clean_shots: tuple[RawShot, ...], clean: CableReview, tmp_path: Path
) -> None:
    result = reviewed(clean_shots, tmp_path, decided(What.ACCEPT, fibre=3, closure="2"))
    before = next(r for r in clean.rows if r.fibre == 3 and r.closure_number == 2)
    after = next(r for r in result.rows if r.fibre == 3 and r.closure_number == 2)
    assert before.verdict.verdict is Verdict.OVER
    assert after.verdict.verdict is Verdict.ACCEPTED
    assert after.loss_db == before.loss_db
    assert "R. Vale" in told(after.decided[0])
    assert not any(u.closure_number == 2 for u in result.plan.units)


def test_an_excluded_shot_is_out_and_says_by_whom(
    clean_shots: tuple[RawShot, ...], tmp_path: Path
) -> None:
    name = "SIMQB1_F004_1550_AB.sor"
    result = reviewed(clean_shots, tmp_path, decided(What.EXCLUDE_SHOT, file=name))
    shot = next(s for s in result.shots if s.path == name)
    assert shot.use is ShotUse.EXCLUDED
    assert "R. Vale" in told(shot.remark)
    assert [f.fibre for f in result.findings if f.code == "direction-missing"] == [4]


def test_a_closure_takes_its_name_and_a_position_moves(
    clean_shots: tuple[RawShot, ...], clean: CableReview, tmp_path: Path
) -> None:
    result = reviewed(
        clean_shots,
        tmp_path,
        decided(What.NAME_CLOSURE, closure="2", value="Otterstone"),
        decided(What.MOVE_POSITION, fibre=6, closure="3", value="5600"),
    )
    assert [c.name for c in result.closures] == ["1", "Otterstone", "3", "4"]
    row = next(r for r in result.rows if r.fibre == 6 and r.closure_number == 3)
    assert row.distance_m == pytest.approx(5600, abs=1)
    # Nothing is spliced there, so nothing is lost there.
    assert row.loss_db == pytest.approx(0.0, abs=0.005)
    assert "move-position" in told(row.decided[0])


def test_a_confirmed_crossing_is_exchanged_and_then_fits(
    faulty_folder: Path, tmp_path: Path
) -> None:
    path = tmp_path / "decisions.csv"
    add_decision(path, decided(What.CONFIRM_CROSSING, fibre=14, value="15"))
    with ProcessPoolExecutor(2) as executor:
        result = review(
            read_folders([faulty_folder]),
            default(),
            Options(decisions=read_decisions(path)),
            executor=executor,
        )
    assert not any(f.code == "fibres-crossed" for f in result.findings)
    doubted = {i.key.fibre for i in result.identities if i.confidence is Confidence.DOUBTFUL}
    assert doubted == set()
    row = next(r for r in result.rows if r.fibre == 14 and r.wavelength_nm == 1550)
    assert row.file_ba == "SIMQB1_F015_1550_BA.sor"
    assert "confirm-crossing" in told(row.decided[0])


def test_a_decision_about_nothing_is_reported(
    clean_shots: tuple[RawShot, ...], tmp_path: Path
) -> None:
    result = reviewed(clean_shots, tmp_path, decided(What.ACCEPT, fibre=77, closure="2"))
    assert [f.fibre for f in result.findings if f.code == "decision-without-object"] == [77]


@pytest.mark.parametrize(
    ("fields", "problem"),
    [
        ({"what": What.ACCEPT, "fibre": 3}, "needs 'closure'"),
        ({"what": What.MOVE_POSITION, "fibre": 3, "closure": "1", "value": "far"}, "metres"),
        ({"what": What.CONFIRM_CROSSING, "fibre": 3, "value": "x"}, "whole number"),
        ({"what": What.EXCLUDE_SHOT}, "needs 'file'"),
    ],
)
def test_an_incomplete_decision_is_refused(
    tmp_path: Path, fields: dict[str, object], problem: str
) -> None:
    with pytest.raises(BadSetting, match=problem):
        add_decision(tmp_path / "d.csv", decided(**fields))
    assert not (tmp_path / "d.csv").exists()
