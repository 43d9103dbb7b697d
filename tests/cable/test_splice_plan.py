"""The splice plan: what is planned is no fault, what is otherwise is named, trays stand everywhere.

Truth is the simulated cable: which glass each shot shows is set here.
"""

from __future__ import annotations

from concurrent.futures import Executor
from pathlib import Path
from typing import Any

import pytest
from faulty_run import write

from otdravg.cable import CableReview, Options, review
from otdravg.cable.measure.remembering import Remembering
from otdravg.cable.planned import PlanRow, SplicePlan, TrayPlace, plan_faults
from otdravg.errors import BadSetting
from otdravg.simulate.takes import Take
from otdravg.verdict.decision import Verdict
from otdravg.words.catalogue import told

FIBRES = 24
ROLLED = {n: 37 - n for n in range(13, 25)}  # the shot from B called n shows fibre 37 - n
EXCHANGED = {n: (n + 11) % 24 + 1 for n in range(1, 25)}


def written(folder: Path, at_b: dict[int, int]) -> Path:
    for fibre in range(1, FIBRES + 1):
        write(folder, Take(fibre, 1550, "AB"))
        write(folder, Take(fibre, 1550, "BA", of_fibre=at_b.get(fibre)))
    return folder


@pytest.fixture(scope="module")
def straight(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return written(tmp_path_factory.mktemp("straight") / "shots", {})


@pytest.fixture(scope="module")
def rolled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return written(tmp_path_factory.mktemp("rolled") / "shots", ROLLED)


def reviewed(folder: Path, *rows: PlanRow, executor: Executor | None = None) -> CableReview:
    plan = SplicePlan.of(rows, (), "SIMQB1", 12)
    return review(folder, options=Options(splice_plan=plan), executor=executor)


def codes(result: CableReview) -> set[str]:
    return {f.code for f in result.findings if f.severity.value != "note"}


def losses(result: CableReview) -> dict[tuple[int, int | None], float | None]:
    return {(r.fibre, r.closure_number): r.loss_db for r in result.rows if r.closure_number}


UNKNOWN = PlanRow("Fern Gate", ribbon_in="1", tray="T9")
TURNED = PlanRow("2", ribbon_in="2", reversed=True, tube_in="1", tray="T4", slot="7")


def test_a_planned_roll_is_no_fault_and_judged_as_what_it_is(straight: Path, rolled: Path) -> None:
    true, result = review(straight), reviewed(rolled, TURNED)
    assert "numbering-differs" in codes(review(rolled))  # without the plan
    assert codes(result) == codes(true)
    note = next(f for f in result.findings if f.code == "numbering-as-planned")
    assert "ribbon 2 (fibres 13–24) in tray T4 is turned over at closure 2" in told(note.evidence)
    assert len(losses(true)) == 4 * FIBRES
    assert losses(result) == pytest.approx(losses(true), abs=0.01)
    assert not [r for r in result.rows if r.verdict.verdict is Verdict.NOT_GRADABLE]


def test_ribbons_exchanged_as_planned(straight: Path, tmp_path: Path) -> None:
    folder = written(tmp_path / "shots", EXCHANGED)
    there = (
        PlanRow("1", ribbon_in="1", ribbon_out="2"),
        PlanRow("1", ribbon_in="2", ribbon_out="1"),
    )
    result = reviewed(folder, *there)
    assert codes(result) == codes(review(straight))
    assert losses(result) == pytest.approx(losses(review(straight)), abs=0.01)


def test_a_roll_that_nobody_planned_is_named_beside_the_plan(rolled: Path) -> None:
    result = reviewed(rolled, PlanRow("1", ribbon_in="1"), PlanRow("1", ribbon_in="2", tray="4"))
    (finding,) = (f for f in result.findings if f.code == "numbering-differs")
    assert "ribbon 2 is turned over (rolled)" in told(finding.evidence)
    assert told(finding.evidence).endswith("by the splice plan fibres 13–24 go straight through")


def test_a_planned_roll_that_the_shots_contradict_is_said_and_judged(straight: Path) -> None:
    true, result = review(straight), reviewed(straight, TURNED)
    assert codes(result) == codes(true) | {"plan-contradicted"}
    (finding,) = (f for f in result.findings if f.code == "plan-contradicted")
    assert {finding.fibre, *finding.other_fibres} == set(ROLLED)
    assert losses(result) == pytest.approx(losses(true), abs=0.01)
    assert result.exit_status == 1


def test_a_contradicted_plan_measures_no_pair_twice(straight: Path) -> None:
    plain, contradicted = Remembering(), Remembering()
    true = review(straight, executor=plain)
    result = reviewed(straight, TURNED, executor=contradicted)
    assert result.rows == true.rows or losses(result) == losses(true)
    # Beside the pairs as labelled: those of ribbon 2 as planned, once each and once at closures.
    assert plain.measured < contradicted.measured <= plain.measured + 2 * len(ROLLED)


def test_what_is_neither_as_planned_nor_as_labelled_stays_a_fault(rolled: Path) -> None:
    there = PlanRow("1", ribbon_in="1", reversed=True)
    result = reviewed(rolled, there)
    assert codes(result) >= {"plan-contradicted", "numbering-differs"}
    (finding,) = (f for f in result.findings if f.code == "numbering-differs")
    assert {finding.fibre, *finding.other_fibres} == set(ROLLED)


def test_trays_stand_where_the_rows_are(rolled: Path) -> None:
    result = reviewed(rolled, TURNED, PlanRow("3", ribbon_in="1", tray="T1"), UNKNOWN)
    places = {(r.closure_number, r.fibre): r.place for r in result.rows}
    assert places[2, 13] == places[2, 24] == TrayPlace("1", "", "T4", "7")
    assert places[3, 12] == TrayPlace(tray="T1")
    assert places[1, 13] == places[3, 13] == TrayPlace()
    ribbons = {(g.closure_number, g.ribbon): g.place for g in result.groups if g.ribbon}
    assert [told(part) for part in ribbons[2, 2].said] == ["tube 1", "tray T4", "slot 7"]
    (unknown,) = (f for f in result.findings if f.code == "plan-closure-unknown")
    assert "Fern Gate" in told(unknown.evidence)


def test_a_ribbon_that_is_planned_to_run_through_and_is_spliced_is_named(straight: Path) -> None:
    uncut = PlanRow("2", ribbon_in="2", express=True, tray="5")
    result = reviewed(straight, uncut)
    (finding,) = (f for f in result.findings if f.code == "express-spliced")
    assert "ribbon 2 (fibres 13–24) in tray 5" in told(finding.evidence)
    assert finding.closure == "2"
    assert losses(result) == losses(review(straight))  # it is judged like any other


def row(**cells: Any) -> PlanRow:
    return PlanRow(cells.pop("closure", "1"), **cells)


@pytest.mark.parametrize(
    ("rows", "column", "wanted"),
    [
        ([row(ribbon_in="R5")], "ribbon_in", "write fibres_in"),
        ([row()], "ribbon_in", "write fibres_in"),
        ([row(ribbon_in="5"), row(ribbon_in="5")], "ribbon_in", "stands there twice"),
        ([row(ribbon_in="1", tube_in="1"), row(ribbon_in="1", tube_in="2")], "ribbon_in", "tube 2"),
        ([row(ribbon_in="1", tube_in="3")], "ribbon_in", "counted through the whole cable"),
        ([row(fibres_in=(1, 2), fibres_out=(1, 2, 3))], "fibres_out", "2 fibres go in"),
        ([row(ribbon_in="1", express=True, reversed=True)], "reversed", "write no"),
    ],
)
def test_what_cannot_be_followed_is_named(rows: list[PlanRow], column: str, wanted: str) -> None:
    faults = list(plan_faults(rows))
    assert len(faults) == 1
    assert faults[0][:2] == (len(rows) - 1, column)
    assert wanted in told(faults[0][2])


def test_two_fibres_into_one_are_refused() -> None:
    with pytest.raises(BadSetting, match="two fibres go there"):
        SplicePlan.of([row(ribbon_in="1", ribbon_out="2")], (), "C", 12)
    with pytest.raises(BadSetting, match="12 fibres go in"):
        SplicePlan.of([row(ribbon_in="1", fibres_out=tuple(range(1, 25)))], (), "C", 12)


def moved(*rows: PlanRow, size: int | None = 4, closures: tuple[str, ...] = ()) -> dict[Any, int]:
    plan = SplicePlan.of(rows, closures, "C", size)
    return {
        one.number if one.cable == "C" else (one.cable, one.number): one.at_a for one in plan.moved
    }


def test_fibres_are_followed_through_every_closure() -> None:
    # Turned over twice is straight again; the order of rows in the file does not matter.
    once, again = row(closure="2", ribbon_in="1", reversed=True), row(ribbon_in="1", reversed=True)
    assert moved(once) == {1: 4, 2: 3, 3: 2, 4: 1}
    assert moved(once, again) == {}
    # Ribbon 1 becomes 2 at the first closure, and is turned over under its new number.
    there = row(closure="B", ribbon_in="1", ribbon_out="2")
    back = row(closure="B", ribbon_in="2", ribbon_out="1")
    turned = row(closure="A", ribbon_in="2", reversed=True)
    assert moved(there, back, turned, closures=("B", "A")) == {
        8: 1, 7: 2, 6: 3, 5: 4, 1: 5, 2: 6, 3: 7, 4: 8,
    }  # fmt: skip
    # In the other order ribbon 2 is turned over first.
    assert moved(there, back, turned, closures=("A", "B"))[1] == 8


def test_a_branch_and_sections_with_names_of_their_own() -> None:
    branch = row(ribbon_in="3", cable_out="BRANCH", ribbon_out="1")
    assert moved(branch) == {("BRANCH", n): n + 8 for n in range(1, 5)}
    sections = [
        row(cable_in="S1", ribbon_in="1", cable_out="S2", ribbon_out="2"),
        row(cable_in="S1", ribbon_in="2", cable_out="S2", ribbon_out="1"),
        row(closure="2", cable_in="S2", ribbon_in="2", cable_out="S3", ribbon_out="2", tray="9"),
        row(closure="2", cable_in="S2", ribbon_in="1", cable_out="S3", ribbon_out="1"),
    ]
    assert moved(*sections) == {5: 1, 6: 2, 7: 3, 8: 4, 1: 5, 2: 6, 3: 7, 4: 8}
    plan = SplicePlan.of(sections, (), "C", 4)
    (at_9,) = (s for s in plan.splices if s.row.tray == "9")
    assert at_9.fibres == (1, 2, 3, 4)  # counted at A
    assert [told(part) for part in at_9.place.said] == [
        "marked 2",
        "tray 9",
    ]  # as it stands on the ribbon there


def test_a_ribbon_of_24_into_two_of_12() -> None:
    first = row(ribbon_in="1", fibres_in=tuple(range(1, 13)), ribbon_out="1",
                fibres_out=tuple(range(1, 13)), tray="1")  # fmt: skip
    other = row(ribbon_in="1", fibres_in=tuple(range(13, 25)), ribbon_out="2",
                fibres_out=tuple(range(13, 25)), tray="2")  # fmt: skip
    assert not list(plan_faults([first, other]))
    assert moved(first, other, size=24) == {}
    plan = SplicePlan.of([first, other], (), "C", 24).found([("1", 1)])
    assert {f: s.place.tray for (_, f), s in plan.by_fibre().items()} == {
        n: "1" if n < 13 else "2" for n in range(1, 25)
    }
