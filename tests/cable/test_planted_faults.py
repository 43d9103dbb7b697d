"""A demo with every planted fault comes out right, and nothing else is called wrong.

The truth is what the simulator planted (:mod:`otdravg.simulate.mix_ups` and ``cable_run``), read
from the answers that the demo writes for its user.
"""

from __future__ import annotations

import pytest
from planted_answers import OF_CROSSED, compare, errors_db, read

from otdravg.cable import CableFinding, CableReview, ShotUse
from otdravg.cable.model import Confidence
from otdravg.findings import Severity
from otdravg.fit.reading import Coverage
from otdravg.quantities import Quantity, reported
from otdravg.simulate.demo import DemoSummary
from otdravg.simulate.papers import Fault
from otdravg.verdict.decision import Action, Verdict
from otdravg.words.catalogue import told

CROSSED, EXCHANGED = {14, 15}, {26, 27}


def found(review: CableReview, code: str, fibre: int | None) -> CableFinding:
    matching = [f for f in review.findings if f.code == code and f.fibre == fibre]
    assert matching, f"no {code} of fibre {fibre}"
    return matching[0]


def test_every_planted_fault_is_found_and_nothing_else(
    planted: CableReview, planted_run: DemoSummary
) -> None:
    assert planted_run.planted is not None
    answers = compare(planted, planted_run.planted.parent)
    assert dict(answers.missed) == {}
    assert answers.extra == []
    # Bad splices of fibres without usable shots cannot show; this cable has none of them.
    assert dict(answers.unseen) == {}
    assert set(answers.found) == {fault.value for fault in Fault}


@pytest.mark.parametrize(
    ("code", "fibre", "evidence"),
    [
        ("direction-missing", 2, "no shot B→A at 1550 nm"),
        ("direction-missing", 6, "SIMQB2_F006_1550_AB.sor is unreadable"),
        ("direction-missing", 19, "SIMQB2_F019_1550_BA.sor has a wrong wavelength label"),
        ("direction-missing", 30, "SIMQB2_F030_1550_BA.sor is another shot's copy"),
        ("fibre-missing", 20, "black"),  # TIA-598: position 8 is black
        ("file-unreadable", 6, "cut short"),
        ("header-edited", 28, "fibre 30 B→A 1550 nm"),
        ("shot-from-same-end", 12, "same one-way readings"),
        ("shot-from-same-end", 12, "SIMQB2_F012_1310_BA.sor was not shot from B"),
        ("fibres-crossed", 14, "fibres 14 and 15"),
        ("fibres-crossed", 26, "at 1550 nm only"),
        ("length-differs", 18, "SIMQB2_F018_1550_AB.sor is the odd one"),
        ("fibre-broken", 35, "it is open 12424 m from A"),
        ("wavelength-label", 19, "at 1310 nm 0.3"),
        ("pulse-differs", 21, "300 ns in 1 shot at 1550 nm"),
        ("clock-odd", 23, "6.9 years before"),
        ("cord-missing", 24, "others from this end have 1050 m"),
        ("cord-differs", 25, "launch fibre of 500 m"),
        ("fibre-claims-differ", 34, "header says 43, file name says 34"),
        ("direction-claims-differ", 32, "header says A→B, file name says B→A"),
        ("index-differs", 22, "1.47500"),
        ("same-file-again", 7, "equal byte for byte"),
        ("splice-changed", None, "fibres 37–48 of ribbon 4"),
    ],
)
def test_a_finding_carries_its_evidence_and_what_to_do(
    planted: CableReview, code: str, fibre: int | None, evidence: str
) -> None:
    finding = found(planted, code, fibre)
    assert evidence in told(finding.evidence)
    assert told(finding.what_to_do)
    assert finding.files or code.endswith("-missing")


def test_the_swap_of_crossed_fibres_is_proposed_not_made(planted: CableReview) -> None:
    finding = found(planted, "fibres-crossed", 14)
    assert finding.other_fibres == (15,)
    assert "log-likelihood margin" in told(finding.evidence)
    assert "nothing was exchanged" in told(finding.what_to_do)
    row = next(r for r in planted.rows if r.fibre == 14 and r.wavelength_nm == 1550)
    assert (row.file_ab, row.file_ba) == ("SIMQB2_F014_1550_AB.sor", "SIMQB2_F014_1550_BA.sor")


def test_nothing_is_graded_from_shots_of_two_fibres(planted: CableReview) -> None:
    strangers = [
        r
        for r in planted.rows
        if r.fibre in CROSSED or (r.fibre in EXCHANGED and r.wavelength_nm == 1550)
    ]
    assert {r.verdict.verdict for r in strangers} == {Verdict.NOT_GRADABLE}


def test_files_exchanged_at_one_wavelength_leave_the_other_as_it_is(planted: CableReview) -> None:
    others = [r for r in planted.rows if r.fibre in EXCHANGED and r.wavelength_nm == 1310]
    assert len(others) == 20
    assert all(r.coverage is Coverage.BOTH for r in others)
    assert {r.verdict.verdict for r in others} == {Verdict.WITHIN, Verdict.OVER}


def test_every_true_pair_is_confirmed_and_only_crossed_ones_are_doubted(
    planted: CableReview,
) -> None:
    doubted = {i.key.fibre for i in planted.identities if i.confidence is Confidence.DOUBTFUL}
    confirmed = {i.key.fibre for i in planted.identities if i.confidence is Confidence.CONFIRMED}
    assert doubted == CROSSED | EXCHANGED
    # All of the cable but the missing fibre and the broken one.
    assert len(confirmed) >= 0.95 * (48 - 2 - len(doubted))


def test_what_a_story_of_numbering_explains_is_not_said_again_of_pairs(
    planted: CableReview,
) -> None:
    assert {f.code for f in planted.findings} >= {"fibres-crossed"}
    assert not any(f.code == OF_CROSSED for f in planted.findings)


def test_every_file_is_accounted_for(planted: CableReview, planted_run: DemoSummary) -> None:
    uses = {shot.path: shot.use for shot in planted.shots}
    files = [p for p in planted_run.directory.rglob("*") if p.is_file()]
    assert len(uses) == len(planted.shots) == len(files) == planted_run.files + 1
    assert uses["README.txt"] is ShotUse.NOT_A_SHOT
    assert uses["copies/copy of F007.SOR"] is ShotUse.REPEAT
    assert uses["SIMQB2_F017_1310_BA.sor"] is ShotUse.UNREADABLE
    assert uses["SIMQB2_F002_1550_AB.sor"] is ShotUse.UNPAIRED
    assert uses["SIMQB2_F018_1550_AB.sor"] is ShotUse.MISMATCHED
    assert uses["SIMQB2_F031_1550_AB.sor"] is ShotUse.EARLIER
    assert uses["SIMQB2_F001_1550_AB.sor"] is ShotUse.USED
    unused = [shot for shot in planted.shots if shot.use is not ShotUse.USED]
    assert unused
    assert all(told(shot.remark) for shot in unused)


def test_closures_are_found_in_order_from_a(planted: CableReview, planted_run: DemoSummary) -> None:
    assert planted_run.truth is not None
    places: dict[str, list[float]] = {}
    for row in read(planted_run.truth):
        if row["closure"]:
            places.setdefault(row["closure"], []).append(float(row["distance_m"]))
    assert [c.number for c in planted.closures] == list(range(1, 11))
    for closure, name in zip(planted.closures, sorted(places), strict=True):
        expected = sorted(places[name])[len(places[name]) // 2]
        assert closure.distance_m == pytest.approx(expected, abs=3)


def test_every_splice_measured_both_ways_is_true_within_its_uncertainty(
    planted: CableReview, planted_run: DemoSummary
) -> None:
    assert planted_run.truth is not None
    errors = errors_db(planted, planted_run.truth.parent)
    assert len(errors) > 750
    assert max(abs(error) for _, error in errors) < 0.01
    within = sum(abs(error) <= (row.expanded_uncertainty_db or 0) + 5e-4 for row, error in errors)
    # k = 2 covers 95 % of normal errors (JCGM 100:2008, G.1.3).
    assert within >= 0.93 * len(errors)


def test_one_direction_is_never_averaged_with_nothing(planted: CableReview) -> None:
    rows = [r for r in planted.rows if r.fibre == 2 and r.wavelength_nm == 1550]
    assert len(rows) == 10
    assert all(r.loss_db is None and r.loss_ba_db is None for r in rows)
    assert {r.verdict.verdict for r in rows} == {Verdict.ONE_WAY}


def test_an_event_between_closures_is_called_that(planted: CableReview) -> None:
    damage = found(planted, "event-between-closures", 13)
    assert "0.1" in told(damage.evidence)
    assert "between closure 2 and closure 3" in told(damage.evidence)
    bend = found(planted, "event-between-closures", 16)
    assert "between closure 7 and closure 8" in told(bend.evidence)
    assert "as a bend does" in told(bend.evidence)
    loose = [r for r in planted.rows if r.closure_number is None]
    assert {r.fibre for r in loose} == {13, 16}
    assert {r.verdict.action for r in loose} <= {Action.NONE, Action.LOOK}


def test_a_bend_is_told_from_a_splice_whatever_the_profile_says_of_bends(
    planted: CableReview,
) -> None:
    # Planted: 0.01 dB at 1310 nm and 0.11 dB at 1550 nm in the tray of fibre 10, closure 3.
    assert planted.profile.bend.threshold_db is None
    bent = [r for r in planted.rows if r.bend_suspected and r.closure_number is not None]
    assert [(r.fibre, r.closure_number, r.wavelength_nm) for r in bent] == [(10, 3, 1550)]
    assert bent[0].bend_db == pytest.approx(0.10, abs=0.005)
    assert "re-dress" in told(found(planted, "bend-suspected", 10).what_to_do)


def test_the_work_list_names_closure_and_ribbon(planted: CableReview) -> None:
    assert planted.plan is not None
    units = {(u.closure_number, u.ribbon) for u in planted.plan.units}
    over = {(r.closure_number, r.ribbon) for r in planted.rows if r.verdict.verdict is Verdict.OVER}
    assert units == over
    assert (5, 3) in units  # the mass splice that is bad as a whole
    assert (7, 4) not in units  # the one that was made again


def test_the_repair_history_holds_before_and_after(planted: CableReview) -> None:
    remade = [h for h in planted.history if h.closure == "7" and h.key.fibre > 36]
    assert len(remade) == 12 * 2
    for one in remade:
        before, after = one.attempts[0].loss_db, one.attempts[-1].loss_db
        assert before is not None
        assert after is not None
        assert 0.17 < before < 0.37  # planted: 0.18 to 0.36 dB
        assert after < 0.18


def test_the_worst_come_first_and_the_result_asks_for_work(planted: CableReview) -> None:
    order = [Severity.DEFECT, Severity.CAUTION, Severity.NOTE]
    ranks = [order.index(f.severity) for f in planted.findings]
    assert ranks == sorted(ranks)
    assert planted.exit_status == 1


def test_no_result_tells_where_the_files_lay(
    planted: CableReview, planted_run: DemoSummary
) -> None:
    place = str(planted_run.directory)
    texts = [
        *(text for r in planted.rows for text in (*map(told, r.missing), told(r.verdict.reason))),
        *(
            text
            for f in planted.findings
            for text in (told(f.evidence), told(f.what_to_do), *f.files)
        ),
        *(text for s in planted.shots for text in (s.path, told(s.remark) if s.remark else "")),
    ]
    assert [text for text in texts if place in text] == []


def test_a_finding_gives_the_figures_of_its_rows(planted: CableReview) -> None:
    between = [f for f in planted.findings if f.code == "event-between-closures"]
    assert between
    for finding in between:
        assert planted.rows
        for row in planted.rows:
            if row.fibre == finding.fibre and row.closure_number is None:
                loss_db = reported(row.loss_db, Quantity.LOSS_DB)
                u_db = reported(row.expanded_uncertainty_db, Quantity.UNCERTAINTY_DB)
                assert f"{loss_db} ± {u_db} dB at {row.wavelength_nm} nm" in told(finding.evidence)
