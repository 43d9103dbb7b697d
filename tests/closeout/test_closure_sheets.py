"""The sheet of a closure: a line for each ribbon, of many the quiet ones of a tray together."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import pytest
from printed_example import example

from otdravg.cable import CableReview
from otdravg.cable.model import SpliceRow
from otdravg.cable.planned import PlanRow, SplicePlan
from otdravg.tables.sheets import SheetLine, gathered, planned_text, sheet_of
from otdravg.verdict.decision import Action
from otdravg.words.headings import Language, Words

TRAYS = 3  # ribbons to a tray


def planned(review: CableReview) -> CableReview:
    rows = [
        PlanRow(
            "1", ribbon_in=str(n), tray=str((n - 1) // TRAYS + 1), reversed=n == 5, express=n == 8
        )
        for n in range(1, 31)
    ]
    plan = SplicePlan.of(rows, (), "SIM-1", 12).found([("C1", 1)])
    return replace(review, splice_plan=plan.splices)


@pytest.fixture(scope="module")
def review() -> CableReview:
    """360 fibres at two closures, one way and over in ribbon 1 at C2 and others."""
    return planned(example(fibres=360, closures=2))


def lines_of(review: CableReview, number: int) -> list[SheetLine]:
    closure = next(c for c in review.closures if c.number == number)
    return list(sheet_of(review, closure))


def test_every_ribbon_has_its_line(review: CableReview) -> None:
    lines = lines_of(review, 1)
    assert [line.ribbons for line in lines] == [(n,) for n in range(1, 31)]
    assert [line.place.tray for line in lines] == [str((n - 1) // 3 + 1) for n in range(1, 31)]


def test_many_ribbons_are_gathered_by_tray_and_none_that_asks_for_something(
    review: CableReview,
) -> None:
    lines = gathered(lines_of(review, 1))
    assert len(lines) < 30
    assert sorted(n for line in lines for n in line.ribbons) == list(range(1, 31))
    open_ribbons = {
        row.ribbon
        for row in review.rows
        if row.closure_number == 1 and row.verdict.action is not Action.NONE
    }
    alone = {line.ribbons[0] for line in lines if len(line.ribbons) == 1}
    assert open_ribbons
    assert open_ribbons <= alone
    assert {5, 8} <= alone  # turned over, and running through
    trays = {len({(n - 1) // TRAYS for n in line.ribbons}) for line in lines}
    assert trays == {1}


def test_few_ribbons_are_not_gathered() -> None:
    few = lines_of(example(fibres=48, closures=2), 1)
    assert gathered(few) == few


def test_worst_and_mean_are_those_of_the_rows(review: CableReview) -> None:
    line = lines_of(review, 1)[3]
    own: list[SpliceRow] = line.at(1310)
    known = [round(row.loss_db, 3) for row in own if row.loss_db is not None]
    figures, _ = line.figures(1310)
    assert len(known) == 12
    assert float(figures.largest_db or 0) == max(known)
    assert float(figures.mean_db or 0) == pytest.approx(sum(known) / 12, abs=0.0005)


@pytest.mark.parametrize(
    ("row", "language", "text"),
    [
        (PlanRow("1", ribbon_in="1", ribbon_out="1"), Language.ENGLISH, "straight"),
        (
            PlanRow("1", tube_in="1", ribbon_in="1", tube_out="4"),
            Language.ENGLISH,
            "straight, Tube 4",
        ),
        (PlanRow("1", ribbon_in="1", reversed=True), Language.ENGLISH, "turned over"),
        (PlanRow("1", ribbon_in="1", ribbon_out="1", cable_out="BR"), Language.ENGLISH, "→ BR 1"),
        (PlanRow("1", ribbon_in="1", express=True), Language.GERMAN, "geht durch"),
    ],
)
def test_what_is_planned_in_words(row: PlanRow, language: Language, text: str) -> None:
    (splice,) = SplicePlan.of([row], (), "C", 12).splices
    line = SheetLine((1,), splice.fibres, splice.place, splice, (), is_spliced=True)
    assert planned_text(line, Words(language)) == text


def test_a_bend_check_is_dated_once_all_splices_of_a_line_were_checked(
    review: CableReview,
) -> None:
    when = datetime(2026, 4, 9, 15, 0)
    rows = tuple(replace(r, bend_checked=None if r.fibre == 13 else when) for r in review.rows)
    dates = [line.bend_checked for line in lines_of(replace(review, rows=rows), 1)[:3]]
    assert dates == [when, None, when]
