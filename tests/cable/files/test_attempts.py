"""Shots taken again: which stand, and what the earlier ones said."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from faulty_run import FIRST, Take, glass, true_loss_db, with_loss, write

from otdravg.cable import ShotUse, read_folders, review
from otdravg.cable.checks.earlier import OldSplice, changes_since, read_splices
from otdravg.cable.model import ChangeKind, Judged
from otdravg.cable.run import Options
from otdravg.findings import Severity
from otdravg.tables.splices import cable_tables
from otdravg.verdict import default, load_shipped
from otdravg.verdict.decision import Verdict
from otdravg.words.catalogue import told


def test_the_repair_stands_and_the_first_shots_are_history(
    clean_folder: Path, repair_folder: Path
) -> None:
    result = review(read_folders([clean_folder, repair_folder]), default())
    rows = {(r.fibre, r.closure_number): r for r in result.rows if r.wavelength_nm == 1550}
    # Fibre 3 at closure 2: planted with 0.310 dB, spliced again to 0.05 dB.
    assert true_loss_db(3, 2, 1550) == 0.310
    assert rows[3, 2].loss_db == pytest.approx(0.05, abs=0.005)
    assert rows[3, 2].attempt == 2
    assert rows[3, 2].file_ab == "after/SIMQB1_F003_1550_AB.sor"
    history = next(h for h in result.history if h.closure == "2" and h.wavelength_nm == 1550)
    assert [a.number for a in history.attempts] == [1, 2]
    assert history.attempts[0].loss_db == pytest.approx(0.310, abs=0.005)
    assert history.attempts[1].loss_db == pytest.approx(0.05, abs=0.005)
    uses = {s.path: s.use for s in result.shots}
    assert uses["shots/SIMQB1_F003_1550_AB.sor"] is ShotUse.EARLIER
    assert rows[2, 2].attempt == 1


def test_a_later_folder_counts_as_later_whatever_the_clock_says(
    clean_folder: Path, tmp_path: Path
) -> None:
    after = tmp_path / "after"
    for direction in ("AB", "BA"):
        span = with_loss(glass(3, 1550), 2, 0.05)
        taken = FIRST - timedelta(days=100)
        write(after, Take(3, 1550, direction, span=span, again=2, taken=taken))
    result = review(read_folders([clean_folder, after]), default())
    row = next(r for r in result.rows if r.fibre == 3 and r.closure_number == 2)
    assert row.loss_db == pytest.approx(0.05, abs=0.005)


def test_shot_again_from_one_end_with_nothing_done_is_a_note(
    clean_folder: Path, tmp_path: Path
) -> None:
    after = tmp_path / "after"
    write(after, Take(5, 1550, "AB", again=2, taken=FIRST + timedelta(days=20)))
    result = review(read_folders([clean_folder, after]), default())
    finding = next(f for f in result.findings if f.code == "shot-again-from-one-end")
    assert (finding.fibre, finding.severity) == (5, Severity.NOTE)
    assert "attempt 2 from this end, attempt 1 from the other" in told(finding.evidence)
    verdicts = {row.verdict.verdict for row in result.rows if row.fibre == 5}
    assert verdicts == {Verdict.WITHIN}


def test_a_newer_shot_that_does_not_pair_does_not_stand(clean_folder: Path, tmp_path: Path) -> None:
    after = tmp_path / "after"
    broken = replace(glass(5, 1550)).broken_at(3000.0)
    write(after, Take(5, 1550, "AB", span=broken, again=2, taken=FIRST + timedelta(days=20)))
    result = review(read_folders([clean_folder, after]), default())
    row = next(r for r in result.rows if r.fibre == 5 and r.closure_number == 2)
    assert row.attempt == 1
    assert row.loss_db == pytest.approx(true_loss_db(5, 2, 1550), abs=0.01)
    assert [f.fibre for f in result.findings if f.code == "newest-shot-unusable"] == [5]
    uses = {s.path: s.use for s in result.shots}
    assert uses["after/SIMQB1_F005_1550_AB.sor"] is ShotUse.MISMATCHED


def test_after_the_allowed_attempts_a_splice_is_accepted_out_of_specification(
    clean_folder: Path, tmp_path: Path
) -> None:
    # Objective 0.10 dB, after three attempts up to 0.20 dB: the shipped profile's own source.
    folders = [clean_folder]
    for attempt, loss_db in ((2, 0.19), (3, 0.14)):
        folder = tmp_path / f"attempt{attempt}"
        for direction in ("AB", "BA"):
            span = with_loss(glass(3, 1550), 2, loss_db)
            write(folder, Take(3, 1550, direction, span=span, again=attempt))
        folders.append(folder)
    result = review(read_folders(folders), load_shipped("three-attempts"))
    row = next(r for r in result.rows if r.fibre == 3 and r.closure_number == 2)
    assert (row.attempt, row.verdict.verdict) == (3, Verdict.ACCEPTED)


def test_an_earlier_run_is_compared_splice_by_splice(
    clean_folder: Path, repair_folder: Path, tmp_path: Path
) -> None:
    first = review(read_folders([clean_folder]), default())
    for name, content in cable_tables(first).items():
        (tmp_path / name).write_bytes(content)
    options = Options(before=read_splices(tmp_path))
    same = review(read_folders([clean_folder]), default(), options)
    assert {c.kind for c in same.changes} == {ChangeKind.SAME}
    after = review(read_folders([clean_folder, repair_folder]), default(), options)
    kinds = {(c.key.fibre, c.closure, c.wavelength_nm): c.kind for c in after.changes}
    assert kinds[3, "2", 1550] is ChangeKind.BETTER
    # Its ribbon was opened since, and it was not shot again: what it reads is the same.
    unsure = next(c for c in after.changes if (c.key.fibre, c.closure) == (2, "2"))
    assert (unsure.kind, unsure.after_db) == (ChangeKind.REJUDGED, unsure.before_db)
    assert (unsure.before.verdict, unsure.after.verdict) == (Verdict.WITHIN, Verdict.NOT_GRADABLE)
    assert kinds[2, "1", 1550] is ChangeKind.SAME
    assert kinds[3, "2", 1310] is ChangeKind.NEW
    back = review(
        read_folders([clean_folder]), default(), Options(before=_splices_of(after, tmp_path / "b"))
    )
    assert [f.fibre for f in back.findings if f.code == "worse-than-before"] == [3]
    assert {f.fibre for f in back.findings if f.code == "gone-since-before"} == {3}


def _splices_of(result: object, folder: Path) -> tuple[object, ...]:
    folder.mkdir()
    (folder / "splices.csv").write_bytes(cable_tables(result)["splices.csv"])
    return read_splices(folder)


def test_closures_are_recognised_by_place_not_by_number(clean: object) -> None:
    old = tuple(
        OldSplice(
            row.key,
            row.wavelength_nm,
            "",
            row.closure_number + 1,  # a closure in front that is no longer there
            row.distance_m + 3.0,
            row.loss_db,
            row.expanded_uncertainty_db,
            Judged.by(row.verdict),
        )
        for row in clean.rows
    )
    assert {c.kind for c in changes_since(old, clean.rows)} == {ChangeKind.SAME}
