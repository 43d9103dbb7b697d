"""The workbook, read with openpyxl, which shares nothing with the writer."""

from __future__ import annotations

import statistics
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from closeout_example import NASTY

from otdravg.cable import CableReview
from otdravg.closeout.template import Template
from otdravg.closeout.xlsx.workbook import write_closeout_xlsx
from otdravg.system.printable import printable
from otdravg.verdict.decision import Action, Verdict
from otdravg.words.headings import Language

Book = Any  # openpyxl has no types of its own


@pytest.fixture
def book(bad_review: CableReview, template: Template, tmp_path: Path) -> Book:
    path = tmp_path / "closeout.xlsx"
    write_closeout_xlsx(bad_review, template, path)
    return openpyxl.load_workbook(path)


def records(sheet: Any) -> Iterator[dict[str, Any]]:
    rows = sheet.iter_rows(values_only=True)
    names = next(rows)
    for row in rows:
        yield dict(zip(names, row, strict=True))


def test_sheets_are_there_in_order(book: Book) -> None:
    assert book.sheetnames == [
        "Cover",
        "Loss 1310 nm",
        "Loss 1550 nm",
        "All values",
        "Exceptions",
        "Re-splice plan",
        "Findings",
        "Fibres",
        "Closures",
        "Ribbons",
        "Cables",
        "Shots",
        "Identity",
        *(["Patterns"] if "Patterns" in book.sheetnames else []),
        "Attempts",
        "Changes",
        "Decisions",
    ]


def test_no_cell_is_a_formula_whatever_its_text_begins_with(book: Book) -> None:
    texts = set()
    for sheet in book:
        for row in sheet.iter_rows():
            for cell in row:
                assert cell.data_type != "f", (sheet.title, cell.coordinate)
                if isinstance(cell.value, str):
                    texts.add(cell.value)
    assert {printable(text) for text in NASTY} <= texts
    assert not any("\x1b" in text or "\u202e" in text for text in texts)


def test_every_splice_is_there_with_numbers_as_numbers(book: Book, bad_review: CableReview) -> None:
    found = list(records(book["All values"]))
    assert len(found) == len(bad_review.rows)
    for record, row in zip(found, bad_review.rows, strict=True):
        assert record["Fibre"] == row.fibre
        loss = record["Splice loss, dB"]
        if row.loss_db is None:
            assert loss is None
        else:
            assert isinstance(loss, int | float)
            assert loss == pytest.approx(row.loss_db, abs=0.00051)


def test_loss_tables_and_their_totals_agree_with_the_list(
    book: Book, bad_review: CableReview
) -> None:
    """Count, mean and largest of each closure, recomputed from the cells of another sheet."""
    everything = list(records(book["All values"]))
    for nm in (1310, 1550):
        sheet = book[f"Loss {nm} nm"]
        rows = list(sheet.iter_rows(values_only=True))
        heading = rows[3]
        columns = {
            str(name).removeprefix("Closure "): place
            for place, name in enumerate(heading)
            if str(name).startswith("Closure ")
        }
        assert len(columns) == len(bad_review.closures)
        labels = {row[0]: row for row in rows if isinstance(row[0], str)}
        for closure, column in columns.items():
            losses = {
                r["Fibre"]: r["Splice loss, dB"]
                for r in everything
                if r["Closure"] == closure and r["Wavelength, nm"] == nm
            }
            shown = {row[3]: row[column] for row in rows[4:] if isinstance(row[3], int)}
            assert losses
            signs = {f: text for f, text in shown.items() if isinstance(text, str)}
            assert set(signs.values()) <= {"→", "–", "×"}
            assert {**shown, **dict.fromkeys(signs)} == dict.fromkeys(shown) | losses
            known = [loss for loss in losses.values() if loss is not None]
            assert labels["Measured both ways"][column] == len(known)
            assert labels["Mean, dB"][column] == pytest.approx(statistics.fmean(known), abs=0.00051)
            assert labels["Largest, dB"][column] == max(known)


def test_cover_counts_are_those_of_the_list(book: Book) -> None:
    everything = list(records(book["All values"]))
    cover = {row[0]: row[1] for row in book["Cover"].iter_rows(values_only=True)}
    counts = Counter(r["Verdict"] for r in everything)
    assert {verdict: cover[verdict] for verdict in counts} == counts
    assert cover["Splices judged"] == len(everything)
    for nm in (1310, 1550):
        (label,) = {f"{r['Cable']}, {nm} nm" for r in everything}
        losses = [r["Splice loss, dB"] for r in everything if r["Wavelength, nm"] == nm]
        assert cover[label] == sum(loss is not None for loss in losses)


def test_exceptions_are_exactly_the_splices_that_ask_for_something(
    book: Book, bad_review: CableReview
) -> None:
    wanted = [r for r in bad_review.rows if r.verdict.action is not Action.NONE]
    found = list(records(book["Exceptions"]))
    assert [(r["Fibre"], r["Wavelength, nm"], r["Distance from A, m"]) for r in found] == [
        (r.fibre, r.wavelength_nm, pytest.approx(r.distance_m, abs=0.051)) for r in wanted
    ]


def test_marks_say_the_verdict_without_colour(book: Book, bad_review: CableReview) -> None:
    """The sign is in the number format: the cell is still a number."""
    over = next(r for r in bad_review.rows if r.verdict.verdict is Verdict.OVER)
    within = next(
        r
        for r in bad_review.rows
        if r.verdict.verdict is Verdict.WITHIN and r.closure_number and not r.verdict.near_limit
    )
    for row, sign, is_bold in ((over, "!", True), (within, "!", False)):
        sheet = book[f"Loss {row.wavelength_nm} nm"]
        column = next(c.column for c in sheet[4] if c.value == f"Closure {row.closure}")
        line = next(c.row for c in sheet["D"] if c.value == row.fibre)
        cell = sheet.cell(line, column)
        assert (sign in cell.number_format) is is_bold
        assert bool(cell.font.b) is is_bold


def test_a_cell_is_filled_as_its_row_was_judged(
    good_review: CableReview, template: Template, tmp_path: Path
) -> None:
    """A limit of a stage or a fallback judged: nothing is compared again in the sheet."""
    rows = list(good_review.rows)
    number = next(n for n, r in enumerate(rows) if r.verdict.verdict is Verdict.OVER)
    own = replace(
        rows[number].verdict,
        verdict=Verdict.ACCEPTED,
        action=Action.NONE,
        limit_db=Decimal("0.50"),
        rule="splice.attempts.fallback_db",
        near_limit=False,
    )
    rows[number] = replace(rows[number], verdict=own)
    path = tmp_path / "book.xlsx"
    write_closeout_xlsx(replace(good_review, rows=tuple(rows)), template, path)
    row, book = rows[number], openpyxl.load_workbook(path)
    sheet = book[f"Loss {row.wavelength_nm} nm"]
    column = next(c.column for c in sheet[4] if c.value == f"Closure {row.closure}")
    line = next(c.row for c in sheet["D"] if c.value == row.fibre)
    assert sheet.cell(line, column).fill.fgColor.rgb != "FF1D2329"
    assert not list(sheet.conditional_formatting)
    assert sheet["B2"].value == pytest.approx(0.20)
    assert sheet["C2"].value == pytest.approx(0.50)
    cover = [cell.value for line in book["Cover"].iter_rows() for cell in line]
    assert "0.50 dB at 1310 nm: 1 splice (splice.attempts.fallback_db)" in cover


def test_headings_stay_in_view_and_on_every_page(book: Book) -> None:
    for name in ("All values", "Exceptions", "Findings", "Shots"):
        sheet = book[name]
        assert sheet.freeze_panes is not None
        assert sheet.auto_filter.ref
        assert sheet.print_title_rows == "$1:$1"
        assert sheet.print_area
        assert sheet.columns
        for column in sheet.columns:
            letter = openpyxl.utils.get_column_letter(column[0].column)
            assert 5 < sheet.column_dimensions[letter].width < 90
    assert book["Loss 1310 nm"].freeze_panes == "E5"


def test_same_input_gives_the_same_bytes(
    bad_review: CableReview, template: Template, tmp_path: Path
) -> None:
    paths = [tmp_path / name for name in ("one.xlsx", "two.xlsx")]
    for path in paths:
        write_closeout_xlsx(bad_review, template, path)
    assert paths[0].read_bytes() == paths[1].read_bytes()
    assert openpyxl.load_workbook(paths[0]).properties.created == template.made_at.replace(
        tzinfo=None
    )


def test_german_workbook_has_the_same_numbers_under_german_headings(
    bad_review: CableReview, template: Template, tmp_path: Path, book: Book
) -> None:
    path = tmp_path / "german.xlsx"
    write_closeout_xlsx(bad_review, replace(template, language=Language.GERMAN), path)
    german = openpyxl.load_workbook(path)
    here = list(records(book["All values"]))
    there = list(records(german["Alle Werte"]))
    assert [r["Mittlere Spleißdämpfung, dB"] for r in there] == [r["Splice loss, dB"] for r in here]
    assert {r["Urteil"] for r in there} >= {"eingehalten", "überschritten"}
    assert "over limit" not in {r["Urteil"] for r in there}


def test_chosen_columns_stand_in_the_chosen_order(
    bad_review: CableReview, template: Template, tmp_path: Path
) -> None:
    path = tmp_path / "few.xlsx"
    columns = ("loss_db", "fibre", "wavelength_nm", "distance_m", "verdict")
    write_closeout_xlsx(bad_review, replace(template, columns=columns), path)
    sheet = openpyxl.load_workbook(path)["All values"]
    assert [cell.value for cell in sheet[1]] == [
        "Splice loss, dB",
        "Fibre",
        "Wavelength, nm",
        "Distance from A, m",
        "Verdict",
    ]


def test_decimals_shown_are_those_reported(book: Book) -> None:
    sheet = book["All values"]
    column = next(c.column for c in sheet[1] if c.value == "Splice loss, dB")
    cells = [sheet.cell(row, column) for row in range(2, sheet.max_row + 1)]
    assert {cell.number_format for cell in cells if cell.value is not None} == {"0.000"}
    for cell in cells:
        if cell.value is not None:
            assert Decimal(str(cell.value)) == round(Decimal(str(cell.value)), 3)


def test_chances_of_a_remake_are_those_of_its_sentence(book: Book) -> None:
    units = list(records(book["Re-splice plan"]))
    assert units
    for unit in units:
        failing, all_pass = unit["Failure rate of one fibre"], unit["Chance that all pass"]
        chances = f"a chance of {100 * all_pass:.0f} % at {100 * failing:.1f} % failing each"
        assert failing == round(failing, 3)
        assert chances in unit["Choice"] or "spliced again" not in unit["Choice"]


def test_rows_are_as_high_as_their_wrapped_texts(bad_review: CableReview, tmp_path: Path) -> None:
    """Not every program makes them so by itself: texts stood on top of each other."""
    long = tuple(replace(closure, name="光缆接头 " * 9) for closure in bad_review.closures)
    write_closeout_xlsx(replace(bad_review, closures=long), Template(), tmp_path / "out.xlsx")
    book = openpyxl.load_workbook(tmp_path / "out.xlsx")
    seen = set()
    for sheet in book.worksheets[1:]:
        for row in sheet.iter_rows():
            for cell in row:
                if not (isinstance(cell.value, str) and cell.alignment.wrap_text):
                    continue
                width = next(
                    own.width
                    for own in sheet.column_dimensions.values()
                    if own.min <= cell.column <= own.max
                )
                broad = sum(2 if ord(sign) > 0x2E80 else 1 for sign in cell.value)
                lines = min(-(-broad // (1.3 * width)), 30)
                height = sheet.row_dimensions[cell.row].height or 15
                assert height >= 12 * lines, (sheet.title, cell.coordinate)
                seen |= {sheet.title} if lines > 1 else set()
    assert len(seen) > 3
