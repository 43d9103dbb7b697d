"""Every planted mix-up is found, with evidence, and nothing else is called wrong.

The truth is what :mod:`faulty_run` planted.
"""

from __future__ import annotations

import pytest
from faulty_run import true_loss_db

from otdravg.bidirectional import Coverage
from otdravg.cable import CableFinding, CableReview, ShotUse
from otdravg.cable.model import Confidence
from otdravg.decision import Verdict
from otdravg.findings import Severity

#: (finding, fibre, wavelength_nm) of everything that is wrong or missing.
DEFECTS = {
    ("direction-missing", 2, 1550),
    ("wavelength-not-shot", 4, 1310),
    ("fibre-missing", 20, None),
    ("file-unreadable", 6, 1550),
    ("direction-missing", 6, 1550),
    ("header-edited", 8, 1550),
    ("direction-missing", 30, 1550),
    ("shot-from-same-end", 12, 1310),
    ("fibres-crossed", 14, None),
    ("length-differs", 18, 1550),
    ("wavelength-label", 19, 1550),
    ("direction-missing", 19, 1550),
}


def found(review: CableReview, code: str, fibre: int | None) -> CableFinding:
    matching = [f for f in review.findings if f.code == code and f.fibre == fibre]
    assert matching, f"no {code} of fibre {fibre}"
    return matching[0]


def test_all_that_is_wrong_is_named_and_nothing_else(faulty: CableReview) -> None:
    defects = {
        (f.code, f.fibre, f.wavelength_nm) for f in faulty.findings if f.severity is Severity.DEFECT
    }
    assert defects == DEFECTS


@pytest.mark.parametrize(
    ("code", "fibre", "evidence"),
    [
        ("direction-missing", 2, "B→A at 1550 nm"),
        ("fibre-missing", 20, "black"),  # TIA-598: position 8 is black
        ("header-edited", 8, "fibre 30 B→A 1550 nm"),
        ("shot-from-same-end", 12, "same one-way readings"),
        ("fibres-crossed", 14, "fibres 14 and 15"),
        ("length-differs", 18, "SIMQB1_F018_1550_AB.sor is the odd one"),
        ("wavelength-label", 19, "at 1310 nm 0.3"),
        ("clock-odd", 23, "6.8 years before"),
        ("cord-missing", 24, "others from this end have 500 m"),
        ("fibre-claims-differ", 25, "header says 52, file name says 25"),
        ("index-differs", None, "1.47500"),
        ("same-file-again", 7, "equal byte for byte"),
    ],
)
def test_a_finding_carries_its_evidence_and_what_to_do(
    faulty: CableReview, code: str, fibre: int | None, evidence: str
) -> None:
    finding = found(faulty, code, fibre)
    assert evidence in finding.evidence
    assert finding.what_to_do
    assert finding.files or code.endswith("-missing")


def test_the_swap_of_crossed_fibres_is_proposed_not_made(faulty: CableReview) -> None:
    finding = found(faulty, "fibres-crossed", 14)
    assert finding.other_fibres == (15,)
    assert "log-likelihood margin" in finding.evidence
    assert "nothing was exchanged" in finding.what_to_do
    row = next(r for r in faulty.rows if r.fibre == 14 and r.wavelength_nm == 1550)
    assert (row.file_ab, row.file_ba) == ("SIMQB1_F014_1550_AB.sor", "SIMQB1_F014_1550_BA.sor")


def test_nothing_is_graded_from_shots_of_two_fibres(faulty: CableReview) -> None:
    crossed = [r for r in faulty.rows if r.fibre in (14, 15)]
    assert {r.verdict.verdict for r in crossed} == {Verdict.NOT_GRADABLE}


def test_every_true_pair_is_confirmed_and_only_crossed_ones_are_doubted(
    faulty: CableReview,
) -> None:
    doubted = {i.key.fibre for i in faulty.identities if i.confidence is Confidence.DOUBTFUL}
    confirmed = [i for i in faulty.identities if i.confidence is Confidence.CONFIRMED]
    assert doubted == {14, 15}
    assert len(confirmed) >= 0.85 * (len(faulty.identities) - 2)


def test_every_file_is_accounted_for(faulty: CableReview) -> None:
    uses = {shot.path: shot.use for shot in faulty.shots}
    assert uses["notes.txt"] is ShotUse.NOT_A_SHOT
    assert uses["copies/copy of F007.SOR"] is ShotUse.REPEAT
    assert uses["SIMQB1_F006_1550_AB.sor"] is ShotUse.UNREADABLE
    assert uses["SIMQB1_F002_1550_AB.sor"] is ShotUse.UNPAIRED
    assert uses["SIMQB1_F018_1550_AB.sor"] is ShotUse.MISMATCHED
    assert uses["SIMQB1_F001_1550_AB.sor"] is ShotUse.USED
    unused = [shot for shot in faulty.shots if shot.use is not ShotUse.USED]
    assert all(shot.remark for shot in unused)


def test_closures_are_found_in_order_from_a(faulty: CableReview) -> None:
    # Reels of 1870, 2410, 1655 and 2120 m with 0.3 % more fibre than cable, as planted.
    expected = [1875.6, 4292.8, 5952.8, 8079.2]
    assert [c.number for c in faulty.closures] == [1, 2, 3, 4]
    for closure, distance_m in zip(faulty.closures, expected, strict=True):
        assert closure.distance_m == pytest.approx(distance_m, abs=3)


def test_every_splice_measured_both_ways_is_true_within_its_uncertainty(
    faulty: CableReview,
) -> None:
    strangers = {14, 15}
    rows = [
        r
        for r in faulty.rows
        if r.loss_db is not None and r.closure_number is not None and r.fibre not in strangers
    ]
    assert len(rows) > 230
    errors = [r.loss_db - true_loss_db(r.fibre, r.closure_number, r.wavelength_nm) for r in rows]
    assert max(abs(error) for error in errors) < 0.01
    within = sum(
        abs(error) <= r.expanded_uncertainty_db + 5e-4
        for error, r in zip(errors, rows, strict=True)
    )
    # k = 2 covers 95 % of normal errors (JCGM 100:2008, G.1.3).
    assert within >= 0.9 * len(rows)


def test_one_direction_is_never_averaged_with_nothing(faulty: CableReview) -> None:
    rows = [r for r in faulty.rows if r.fibre == 2 and r.wavelength_nm == 1550]
    assert len(rows) == 4
    assert all(r.coverage is Coverage.ONLY_AB for r in rows)
    assert all(r.loss_db is None and r.loss_ba_db is None for r in rows)
    assert {r.verdict.verdict for r in rows} == {Verdict.ONE_WAY}


def test_an_event_between_closures_is_called_that(faulty: CableReview) -> None:
    finding = found(faulty, "event-between-closures", 13)
    assert "0.150" in finding.evidence
    assert "between closure 2 and closure 3" in finding.evidence
    loose = [r for r in faulty.rows if r.closure_number is None]
    assert {r.fibre for r in loose} == {13}
    assert {r.verdict.action.value for r in loose} <= {"none", "look at it"}


def test_a_bend_is_told_from_a_splice(faulty: CableReview) -> None:
    # Planted: 0.01 dB at 1310 nm and 0.11 dB at 1550 nm in the tray of fibre 10, closure 3.
    bent = [r for r in faulty.rows if r.bend_suspected]
    assert [(r.fibre, r.closure_number, r.wavelength_nm) for r in bent] == [(10, 3, 1550)]
    assert bent[0].bend_db == pytest.approx(0.10, abs=0.005)
    assert "re-dress" in found(faulty, "bend-suspected", 10).what_to_do


def test_over_limit_splices_are_those_planted(faulty: CableReview) -> None:
    over = {(r.fibre, r.closure_number) for r in faulty.rows if r.verdict.verdict is Verdict.OVER}
    truth = {
        (fibre, closure)
        for fibre in range(1, 37)
        for closure in range(1, 5)
        if true_loss_db(fibre, closure, 1310) > 0.2 and fibre not in (14, 15, 20)
    }
    assert over == truth


def test_the_work_list_names_closure_and_ribbon(faulty: CableReview) -> None:
    units = {(u.closure_number, u.ribbon) for u in faulty.plan.units}
    over = {
        (r.closure_number, r.ribbon)
        for r in faulty.rows
        if r.verdict.verdict in (Verdict.OVER, Verdict.BEND)
    }
    assert units == over


def test_the_result_asks_for_work(faulty: CableReview) -> None:
    assert faulty.exit_status == 1
