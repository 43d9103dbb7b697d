"""Runs that are small, lopsided or strange still come out with an answer."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from faulty_run import Take, glass, made, name_of, with_loss, write

from otdravg import sor
from otdravg.cable import (
    CableReview,
    KnownClosure,
    Options,
    ShotUse,
    read_folders,
    review,
)
from otdravg.cable.files.folder import find_files
from otdravg.cable.model import CableFinding
from otdravg.findings import Scope, defect
from otdravg.fit.reading import Coverage
from otdravg.report.cable import cable_text
from otdravg.verdict import default
from otdravg.verdict.decision import Verdict
from otdravg.verdict.rules import RibbonRule
from otdravg.words.catalogue import told


def test_a_cable_shot_from_one_end_has_readings_and_no_losses(
    clean_folder: Path, tmp_path: Path
) -> None:
    for path in clean_folder.glob("*_AB.sor"):
        shutil.copy(path, tmp_path)
    result = review(read_folders([tmp_path]), default())
    assert len(result.closures) == 4
    assert result.rows
    assert all(row.loss_db is None for row in result.rows)
    seen = [row for row in result.rows if row.coverage is Coverage.ONLY_AB]
    assert len(seen) > 25
    assert {row.verdict.verdict for row in seen} == {Verdict.ONE_WAY}
    assert "none was measured from both ends" in " ".join(cable_text(result).split())


def test_a_splice_too_good_to_be_seen_is_measured_all_the_same(
    clean_folder: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "shots"
    shutil.copytree(clean_folder, folder)
    # Equal glass on both sides and no loss: nothing to see from either end.
    span = with_loss(glass(4, 1550), 2, 0.0)
    level = span.sections[1].backscatter_db
    sections = list(span.sections)
    sections[2] = replace(sections[2], backscatter_db=level)
    span = replace(span, sections=tuple(sections))
    for direction in ("AB", "BA"):
        write(folder, Take(4, 1550, direction, span=span, again=5))
    result = review(read_folders([folder]), default())
    row = next(r for r in result.rows if (r.fibre, r.closure_number) == (4, 2))
    assert not row.detected
    assert row.coverage is Coverage.BOTH
    assert row.loss_db == pytest.approx(0.0, abs=0.003)
    assert row.distance_m == pytest.approx(4293, abs=5)


def test_one_pair_alone_is_measured_on_its_own_events(clean_folder: Path, tmp_path: Path) -> None:
    for direction in ("AB", "BA"):
        shutil.copy(clean_folder / name_of(Take(2, 1550, direction)), tmp_path)
    result = review(read_folders([tmp_path]), default())
    assert len(result.rows) == 4
    assert not any(f.code == "event-between-closures" for f in result.findings)


def test_loose_tube_has_no_ribbons(clean_folder: Path) -> None:
    result = review(read_folders([clean_folder]), replace(default(), ribbon=RibbonRule(0)))
    assert {(row.ribbon, row.position) for row in result.rows} == {(None, None)}
    assert not any(f.code == "fibre-missing" for f in result.findings)


def test_a_stated_fibre_count_says_who_is_missing(clean_folder: Path) -> None:
    result = review(read_folders([clean_folder]), default(), Options(fibre_count=10))
    evidence = [told(f.evidence) for f in result.findings if f.code == "fibre-missing"]
    assert evidence == ["no file of fibres 9–10 (yellow, violet) of ribbon 1"]


def test_closures_take_the_names_of_the_users_table(clean_folder: Path) -> None:
    table = (KnownClosure("Tansy Lane", 1870.0), KnownClosure("Otterstone", 4280.0))
    result = review(read_folders([clean_folder]), default(), Options(closures=table))
    assert [c.name for c in result.closures] == ["Tansy Lane", "Otterstone", "3", "4"]


def test_closures_counted_from_the_other_end_are_doubted_and_nothing_there_is_graded(
    clean_folder: Path,
) -> None:
    """No splice shows where the table has its closures: 0.000 dB there is no good splice."""
    plain = review(read_folders([clean_folder]), default())
    length_m = plain.fibres[0].length_m
    table = tuple(
        KnownClosure(f"K{closure.number}", length_m - closure.distance_m)
        for closure in reversed(plain.closures)
    )
    result = review(read_folders([clean_folder]), default(), Options(closures=table))
    assert result.exit_status == 1
    said = {f.closure for f in result.findings if f.code == "closure-unseen"}
    assert said == {known.name for known in table}
    rows = [row for row in result.rows if row.closure in said]
    assert rows
    assert {row.verdict.verdict for row in rows} == {Verdict.NOT_GRADABLE}


def test_the_screen_says_which_end_is_a(clean_folder: Path) -> None:
    result = review(read_folders([clean_folder]), default())
    (cable,) = result.cables
    a, b = result.end_names(cable)
    first = next(shot for shot in result.shots if shot.taken_for.direction.value == "A→B")
    assert first.identity is not None
    assert (a, b) == (first.identity.location_a, first.identity.location_b)
    missing = replace(result, fibre_count=99, findings=(*result.findings, _open(cable)))
    assert f"A = {a}, B = {b}" in " ".join(cable_text(missing).split())
    stated = replace(result, expected=replace(result.expected, ends=("North", "South")))
    assert stated.end_names(cable) == ("North", "South")


def _open(cable: str) -> CableFinding:
    return CableFinding(defect("fibre-missing", Scope.CABLE, fibres="99"), cable, 99)


def test_two_cables_in_one_folder_are_kept_apart(clean_folder: Path, tmp_path: Path) -> None:
    for path in clean_folder.glob("*.sor"):
        shutil.copy(path, tmp_path)
    for fibre in (1, 2, 3):
        for direction in ("AB", "BA"):
            take = Take(fibre, 1550, direction, again=6)
            content = sor.encode(made(take, cable="SIMQB2"))
            (tmp_path / f"second {name_of(take)}").write_bytes(content)
    result = review(read_folders([tmp_path]), default())
    assert result.cables == ("SIMQB1", "SIMQB2")
    assert {row.fibre for row in result.rows if row.cable == "SIMQB2"} == {1, 2, 3}
    assert result.shots
    assert all(shot.use is ShotUse.USED for shot in result.shots)


def test_folders_of_one_name_do_not_hide_each_others_files(tmp_path: Path) -> None:
    for place in ("a/shots", "b/shots"):
        write(tmp_path / place, Take(1, 1550))
    files = find_files([tmp_path / "a/shots", tmp_path / "b/shots"])
    assert len({file.path for file in files}) == 2


def test_a_folder_of_other_things_only_is_an_empty_review(tmp_path: Path) -> None:
    (tmp_path / "photo.jpg").write_bytes(b"\xff\xd8")
    result: CableReview = review(read_folders([tmp_path]), default())
    assert [s.use for s in result.shots] == [ShotUse.NOT_A_SHOT]
    assert result.rows == ()
    assert result.exit_status == 0
