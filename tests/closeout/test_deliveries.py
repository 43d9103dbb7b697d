"""One cable in several deliveries: what page one says of every fibre since the last."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import openpyxl
import pypdf
import pytest

from otdravg.cable import CableReview
from otdravg.cable.checks.earlier import change_findings, changes_since, read_splices
from otdravg.cable.model import SpliceRow
from otdravg.closeout.closeout import write_closeout
from otdravg.closeout.sketches import Sketches
from otdravg.closeout.template import Template
from otdravg.findings import says
from otdravg.fit.reading import Coverage
from otdravg.quantities import Quantity, reported
from otdravg.tables.csv_file import CsvStyle
from otdravg.tables.deliveries import SINCE, fibres_since
from otdravg.tables.lists import listings
from otdravg.tables.scope import facts
from otdravg.tables.splices import review_cells
from otdravg.verdict.decision import Action, Verdict
from otdravg.verdict.verdicts import SpliceVerdict
from otdravg.words.headings import Language, Words


def rows_of(
    review: CableReview, fibres: range, more_db: Callable[[SpliceRow], float] = lambda row: 0.0
) -> CableReview:
    """Return the review of some fibres, losses changed by so much."""
    rows = tuple(
        replace(row, loss_db=row.loss_db + more_db(row))
        for row in review.rows
        if row.fibre in fibres and row.loss_db is not None
    )
    assert rows
    return replace(review, rows=rows, changes=())


def delivered(review: CableReview, folder: Path, style: CsvStyle | None = None) -> None:
    template = Template(csv=style or CsvStyle())
    write_closeout(review, folder, only={"csv"}, template=template, sketches=Sketches())


def against(review: CableReview, folder: Path) -> CableReview:
    """Hold a review against an earlier delivery, as the review itself does."""
    changes = changes_since(read_splices(folder), review.rows)
    found = change_findings(changes, review.profile)
    return replace(review, changes=changes, findings=(*review.findings, *found))


def numbers(review: CableReview) -> dict[str, list[int]]:
    return {key: [one.fibre for one in fibres] for key, fibres in fibres_since(review).items()}


@pytest.fixture
def second(good_review: CableReview, tmp_path: Path) -> CableReview:
    """Fibres 1 to 8 of the first delivery but 7; 9 to 12 are new; 3 was repaired and reads worse.

    Fibre 5 was repaired too, and reads better.
    """
    delivered(rows_of(good_review, range(1, 9)), tmp_path / "first")

    def repaired(row: SpliceRow) -> float:
        return {(3, "2"): 0.08, (5, "2"): -0.06}.get((row.fibre, row.closure), 0.0)

    now = rows_of(good_review, range(1, 13), repaired)
    kept = tuple(row for row in now.rows if row.fibre != 7)
    return against(replace(now, rows=kept), tmp_path / "first")


def test_every_fibre_of_both_deliveries_is_named_once(second: CableReview) -> None:
    found = numbers(second)
    assert found == {
        "fibres_new": [9, 10, 11, 12],
        "fibres_changed": [3, 5],
        "fibres_unchanged": [1, 2, 4, 6, 8],
        "fibres_withdrawn": [7],
        "fibres_worse": [3],
    }
    assert sorted(fibre for key in SINCE for fibre in found[key]) == list(range(1, 13))


def test_the_third_is_held_against_the_second(second: CableReview, tmp_path: Path) -> None:
    delivered(second, tmp_path / "second")
    third = against(replace(second, changes=()), tmp_path / "second")
    assert numbers(third)["fibres_unchanged"] == [1, 2, 3, 4, 5, 6, 8, 9, 10, 11, 12]
    assert not numbers(third)["fibres_new"] + numbers(third)["fibres_withdrawn"]


def test_a_splice_that_was_accepted_and_reads_worse_is_asked_about(second: CableReview) -> None:
    worse = [f for f in second.findings if f.code == "worse-than-before" and f.fibre == 3]
    assert {(f.closure, f.wavelength_nm) for f in worse} == {("2", 1310), ("2", 1550)}
    assert all(finding.is_open for finding in worse)


def test_page_one_the_cover_and_the_page_say_which_fibres(
    second: CableReview, tmp_path: Path
) -> None:
    write_closeout(second, tmp_path / "out", only={"xlsx", "pdf", "html"}, sketches=Sketches())
    lines = {
        "New fibres": "4 (9–12)",
        "Changed fibres": "2 (3, 5)",
        "Unchanged fibres": "5 (1–2, 4, 6, 8)",
        "Withdrawn fibres": "1 (7)",
        "Worse than before": "1 (3)",
        "Compared": "with the earlier run: 32 new, 8 gone, 2 worse, 2 better, 52 same",
    }
    book = openpyxl.load_workbook(tmp_path / "out" / "closeout.xlsx")
    cover = {row[0]: row[1] for row in book["Cover"].iter_rows(values_only=True)}
    assert {label: cover[label] for label in lines} == lines
    paper = pypdf.PdfReader(tmp_path / "out" / "closeout.pdf").pages[0].extract_text()
    page = (tmp_path / "out" / "closeout.html").read_text("utf-8")
    for label, text in lines.items():
        assert label in paper
        assert text in " ".join(paper.split())
        assert text in page


def test_the_list_names_the_repaired_splices_and_nothing_that_stayed(second: CableReview) -> None:
    rows = listings(second, Words())["changes"].rows
    assert [(row[0], row[2], row[3]) for row in rows] == [
        ("worse", "3", "2"), ("worse", "3", "2"), ("better", "5", "2"), ("better", "5", "2"),
    ]  # fmt: skip
    for _, _, fibre, closure, nm, _, after_db, *_ in rows:
        key = (int(fibre), closure, int(nm))
        row = next(r for r in second.rows if (r.fibre, r.closure, r.wavelength_nm) == key)
        assert after_db == str(reported(row.loss_db, Quantity.LOSS_DB))


@pytest.mark.parametrize("style", [CsvStyle(";", decimal_comma=True), CsvStyle("\t")])
def test_an_earlier_delivery_for_a_spreadsheet_of_another_country_is_read(
    good_review: CableReview, tmp_path: Path, style: CsvStyle
) -> None:
    delivered(good_review, tmp_path / "comma", style)
    delivered(good_review, tmp_path / "plain")
    assert read_splices(tmp_path / "comma") == read_splices(tmp_path / "plain")


def test_nothing_is_said_where_nothing_was_compared(good_review: CableReview) -> None:
    assert fibres_since(good_review) == {}


def test_page_one_keeps_every_fact_however_many_there_are(
    second: CableReview, tmp_path: Path
) -> None:
    """What does not fit on the left goes on beside it: limits and rules are never dropped."""
    constants = {f"Label {n}": f"text {n} " * 12 for n in range(4)}
    columns = (*Template().columns, *constants)
    template = Template(
        company="C", owner="O", project="P", revision="B", columns=columns, constants=constants
    )
    out = tmp_path / "out"
    write_closeout(second, out, only={"pdf"}, template=template, sketches=Sketches())
    paper = pypdf.PdfReader(out / "closeout.pdf").pages[0].extract_text()
    stated = [label for label, _ in facts(second, Words(), template.labels, "2024-01-01 00:00")]
    assert len(stated) > 20
    assert [label for label in stated if label not in paper] == []
    assert "0.20 dB at 1310, 1550 nm" in paper


def judged_anew(row: SpliceRow) -> SpliceRow:
    """Another limit for fibre 2, another verdict for 4, a doubt at 6, a bend to dress at 8."""
    if row.closure != "2" or row.fibre not in (2, 4, 6, 8):
        return row
    changed = {
        2: {"limit_db": Decimal("0.300")},
        4: {"verdict": Verdict.NOT_GRADABLE, "action": Action.LOOK},
        6: {"near_limit": not row.verdict.near_limit},
        8: {"action": Action.RE_DRESS},
    }[row.fibre]
    return replace(row, verdict=replace(row.verdict, **changed))


def test_a_fibre_that_reads_the_same_and_was_judged_otherwise_has_changed(
    good_review: CableReview, tmp_path: Path
) -> None:
    before = rows_of(good_review, range(1, 9))
    delivered(before, tmp_path / "first")
    now = against(replace(before, rows=tuple(map(judged_anew, before.rows))), tmp_path / "first")
    found = numbers(now)
    assert found["fibres_changed"] == [2, 4, 6, 8]
    assert found["fibres_unchanged"] == [1, 3, 5, 7]
    assert found["fibres_worse"] == []
    table = review_cells(now)["changes"]
    lines = [dict(zip(table.names, row, strict=True)) for row in table.rows]
    assert {line["fibre"] for line in lines} == set(range(1, 9))
    for line in lines:
        is_anew = line["fibre"] in (2, 4, 6, 8) and line["closure"] == "2"
        assert line["change"] == ("judged otherwise" if is_anew else "same")
        assert line["before_db"] == line["after_db"]
        pairs = {
            name: (line[name], line[name.replace("before", "after")])
            for name in line
            if "before" in name and name != "before_db"
        }
        differing = {name for name, (was, is_) in pairs.items() if was != is_}
        assert differing == ({
            2: {"limit_before_db"}, 4: {"verdict_before", "action_before"},
            6: {"near_limit_before"}, 8: {"action_before"},
        }[line["fibre"]] if is_anew else set())  # fmt: skip
    shown = listings(now, Words())["changes"].rows
    assert {row[2] for row in shown} == {"2", "4", "6", "8"}


def test_another_limit_for_all_is_a_line_for_each_closure_and_wavelength(
    good_review: CableReview, tmp_path: Path
) -> None:
    before = rows_of(good_review, range(1, 9))
    delivered(before, tmp_path / "first")
    rows = tuple(
        replace(row, verdict=replace(row.verdict, limit_db=Decimal("0.300"), near_limit=False))
        for row in before.rows
    )
    now = against(replace(before, rows=rows), tmp_path / "first")
    german = Words(Language.GERMAN)
    lines = listings(now, german)["changes"].rows
    assert {(row[0], row[9], row[-1]) for row in lines} == {("anders beurteilt", "0,300", "nein")}
    assert tuple(sorted({row[2] for row in lines if "–" in row[2]}))[::-1] == ("1–8", "1–2, 4–8")
    places = {(row.closure, row.wavelength_nm) for row in before.rows}
    assert len(lines) == len(places) + 2 < len(rows) / 4  # two: the splice over its limit


def test_a_fibre_shot_from_one_end_before_has_changed_and_is_not_new(
    good_review: CableReview, tmp_path: Path
) -> None:
    before = rows_of(good_review, range(1, 3))
    one_way = SpliceVerdict(Verdict.ONE_WAY, says("no-shot"), Action.SHOOT_AGAIN)
    half = tuple(
        replace(row, loss_db=None, loss_ba_db=None, coverage=Coverage.ONLY_AB, verdict=one_way)
        if row.fibre == 2 else row
        for row in before.rows
    )  # fmt: skip
    delivered(replace(before, rows=half), tmp_path / "first")
    assert numbers(against(before, tmp_path / "first"))["fibres_changed"] == [2]
    delivered(before, tmp_path / "second")
    back = against(replace(before, rows=half), tmp_path / "second")
    assert numbers(back)["fibres_changed"] == numbers(back)["fibres_worse"] == [2]
