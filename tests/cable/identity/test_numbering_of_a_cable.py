"""Whole cables whose ends are numbered differently: one finding, nothing graded, and its cure."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from faulty_run import write

from otdravg.cable import CableReview, Decision, Options, What, add_decision, read_decisions, review
from otdravg.shot.settings import Direction
from otdravg.simulate.takes import Take
from otdravg.verdict.decision import Verdict
from otdravg.words.catalogue import told

FIBRES = 24
RIBBONS = {n: (n + 11) % 24 + 1 for n in range(1, 25)}
#: Which fibre the shot from B of a number really shows; those not named show their own.
SLIPS = {
    "shifted": {n: n % FIBRES + 1 for n in range(1, FIBRES + 1)},
    "shifted by 1 within it": {n: n + 1 if n < 24 else 13 for n in range(13, 25)},
    "rolled": {n: 37 - n for n in range(13, 25)},
    "ribbons 1 and 2 are exchanged": RIBBONS,
    "in reverse": {n: FIBRES + 1 - n for n in range(1, FIBRES + 1)},
}


def write_cable(folder: Path, at_b: dict[int, int], turned: tuple[int, ...] = ()) -> Path:
    for fibre in range(1, FIBRES + 1):
        for way in ("AB", "BA"):
            of = at_b.get(fibre) if way == "BA" else None
            end = ("B" if way == "AB" else "A") if fibre in turned else None
            write(folder, Take(fibre, 1550, way, of_fibre=of, from_end=end))
    return folder


def severe(result: CableReview) -> list[str]:
    return [f.code for f in result.findings if f.severity.value != "note"]


@pytest.fixture(scope="module")
def right(tmp_path_factory: pytest.TempPathFactory) -> CableReview:
    return review(write_cable(tmp_path_factory.mktemp("right") / "shots", {}))


@pytest.mark.parametrize("slip", SLIPS)
def test_a_slip_is_one_finding_and_its_advice_mends_it(
    slip: str, tmp_path: Path, right: CableReview
) -> None:
    at_b = SLIPS[slip]
    folder = write_cable(tmp_path / "shots", at_b)
    result = review(folder)
    assert severe(result) == ["numbering-differs"]
    finding = next(f for f in result.findings if f.code == "numbering-differs")
    assert slip in told(finding.evidence)
    assert {finding.fibre, *finding.other_fibres} == set(at_b)
    judged = {r.fibre for r in result.rows if r.verdict.verdict is not Verdict.NOT_GRADABLE}
    assert judged == set(range(1, FIBRES + 1)) - set(at_b)
    assert result.exit_status == 1

    # What the finding says is done, word for word.
    named = re.search(r'decide renumber with "(.*?)"', told(finding.what_to_do))
    assert named is not None
    path = tmp_path / "decisions.csv"
    decision = Decision(
        What.RENUMBER, "R. Vale", "2024-06-01T10:00", "traced", "SIMQB1", value=named[1]
    )
    add_decision(path, decision)
    mended = review(folder, options=Options(decisions=read_decisions(path)))
    assert "numbering-differs" not in severe(mended)
    assert not [r for r in mended.rows if r.verdict.verdict is Verdict.NOT_GRADABLE]
    losses = {(r.fibre, r.closure_number): r.loss_db for r in right.rows if r.closure_number}
    assert len(losses) == 4 * FIBRES
    rows = [r for r in mended.rows if r.closure_number is not None]
    assert len(rows) == len(losses)
    for row in rows:
        assert row.loss_db == pytest.approx(losses[row.fibre, row.closure_number], abs=0.01)


def test_shots_that_merely_bear_other_numbers_are_not_to_be_taken(tmp_path: Path) -> None:
    folder = tmp_path / "shots"
    for fibre in range(1, 13):
        write(folder, Take(fibre, 1550, "AB"))
        if fibre != 7:
            write(folder, Take(fibre + 12, 1550, "BA", of_fibre=fibre))
    result = review(folder)
    assert "numbering-differs" in severe(result)
    assert not {"fibre-missing", "ribbon-missing", "direction-missing"} & set(severe(result))
    # What is missing is missing by the numbers of A.
    missing = [(shot.fibre, shot.direction, shot.wavelength_nm) for shot in result.to_take]
    assert missing == [(7, Direction.B_TO_A, 1550)]


def test_a_neighbour_shot_twice_is_told_by_its_other_shot(tmp_path: Path) -> None:
    folder = tmp_path / "shots"
    for fibre in range(1, 13):
        write(folder, Take(fibre, 1550, "AB"))
        write(folder, Take(fibre, 1550, "BA", of_fibre=5 if fibre == 6 else None))
    result = review(folder)
    (finding,) = (f for f in result.findings if f.code == "other-fibre")
    assert "shot twice from B and called 5 and 6" in told(finding.evidence)
    assert result.exit_status == 1
    judged = {r.fibre for r in result.rows if r.verdict.verdict is not Verdict.NOT_GRADABLE}
    assert judged >= set(range(1, 13)) - {5, 6}
    assert 6 not in judged


def test_ends_exchanged_for_one_fibre_are_named_and_judged_in_place(
    tmp_path: Path, right: CableReview
) -> None:
    result = review(write_cable(tmp_path / "shots", {}, turned=(5,)))
    (finding,) = (f for f in result.findings if f.code == "ends-exchanged")
    assert (finding.fibre, finding.other_fibres) == (5, ())
    own = [(r.closure_number, r.loss_db, r.verdict.verdict) for r in result.rows if r.fibre == 5]
    true = [(r.closure_number, r.loss_db, r.verdict.verdict) for r in right.rows if r.fibre == 5]
    assert [(k, v) for k, _, v in own] == [(k, v) for k, _, v in true]
    assert [db for _, db, _ in own] == pytest.approx([db for _, db, _ in true], abs=0.01)
