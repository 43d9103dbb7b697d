"""The printed closeout, read back with pypdf: a library that has no part in writing it."""

from __future__ import annotations

import io
import re
from dataclasses import replace

import pytest
from printed_example import (
    HOSTILE_CABLE,
    HOSTILE_CLOSURE,
    LIMIT_DB,
    WAVELENGTHS_NM,
    example,
    pictures,
    template,
)
from pypdf import PdfReader

from otdravg.cable.model import CableReview, SpliceRow
from otdravg.closeout.pdf.book import closeout_pdf, write_closeout_pdf
from otdravg.closeout.pdf.lines import Scale, ticks
from otdravg.closeout.pdf.paper import drawable
from otdravg.closeout.sketches import Sketches
from otdravg.fit.reading import Coverage
from otdravg.quantities import Quantity, reported
from otdravg.verdict.decision import Action
from otdravg.words.headings import Language


def _reader(content: bytes) -> PdfReader:
    return PdfReader(io.BytesIO(content), strict=True)


@pytest.fixture(scope="module")
def review() -> CableReview:
    return example()


@pytest.fixture(scope="module")
def document(review: CableReview) -> PdfReader:
    return _reader(closeout_pdf(review, pictures(review), template()))


@pytest.fixture(scope="module")
def pages(document: PdfReader) -> list[str]:
    return [page.extract_text() for page in document.pages]


def _figure(row: SpliceRow) -> str:
    loss_db = reported(row.loss_db, Quantity.LOSS_DB)
    return "–" if loss_db is None else str(loss_db)


@pytest.mark.parametrize("wavelength_nm", WAVELENGTHS_NM)
def test_loss_table_has_every_true_loss_of_the_review(
    review: CableReview, pages: list[str], wavelength_nm: int
) -> None:
    text = next(t for t in pages if t.startswith(f"Splice loss at {wavelength_nm} nm, dB"))
    table = text.partition("U, dB\n")[2].partition("Closeout of the splices")[0]
    printed = re.findall(r"(?<![\d.])(?:-?\d\.\d{3}|–)(?= [!?*]|\s|$)", table)
    wanted = []
    for fibre in range(1, 25):
        own = [
            row
            for row in review.rows
            if (row.fibre, row.wavelength_nm) == (fibre, wavelength_nm) and row.closure
        ]
        largest = max(row.expanded_uncertainty_db or 0.0 for row in own)
        wanted += [_figure(row) for row in sorted(own, key=lambda row: row.distance_m)]
        wanted.append(str(reported(largest, Quantity.UNCERTAINTY_DB)))
    assert printed == wanted


def test_signs_of_the_legend_stand_behind_the_figures(pages: list[str]) -> None:
    text = next(t for t in pages if t.startswith("Splice loss at 1310 nm, dB"))
    assert "0.310 !" in text
    assert "0.199 ?" in text
    assert "– *" in text


def test_every_exception_has_a_page_with_its_numbers(review: CableReview, pages: list[str]) -> None:
    assert any(row.verdict.action is not Action.NONE for row in review.rows)
    for row in review.rows:
        heading = f"Fibre {row.fibre}, Closure {row.closure}, {row.wavelength_nm} nm\n"
        own = [text for text in pages if text.startswith(heading)]
        assert len(own) == (row.verdict.action is not Action.NONE)
        if own and row.loss_db is not None:
            expanded_db = reported(row.expanded_uncertainty_db, Quantity.UNCERTAINTY_DB)
            assert f"{_figure(row)} ± {expanded_db} dB" in own[0]
            assert str(reported(row.loss_ab_db, Quantity.LOSS_DB)) in own[0]
            assert str(reported(row.loss_ba_db, Quantity.LOSS_DB)) in own[0]
            assert row.file_ab in own[0]
            assert str(LIMIT_DB) in own[0]


def test_work_sheet_lists_the_whole_ribbon_with_colours_and_values_before(
    review: CableReview, pages: list[str]
) -> None:
    sheet = next(text for text in pages if "Closure C2 at" in text and "Work sheet" in text)
    assert "Ribbon 1" in sheet
    assert review.rows
    for row in review.rows:
        if row.closure == "C2" and row.ribbon == 1:
            assert re.search(rf"\b{row.colour}\b", sheet)
            assert _figure(row) in sheet
    for word in ("cut", "spliced", "in tray", "Initials", "Before, dB", "After, dB"):
        assert word in sheet


def test_pages_are_numbered_and_listed_in_the_outline(
    document: PdfReader, pages: list[str]
) -> None:
    assert pages
    for number, text in enumerate(pages, start=1):
        assert re.search(rf"Page {number} of\s+{len(pages)}\b", text)
    titles = [entry.title for entry in document.outline if not isinstance(entry, list)]
    assert titles == [
        "Cover", "Result", "Splice loss, closures × fibres", "Splices by loss", "All values",
        "Between closures", "Fibres as a whole", "Exceptions",
        "Before and after of repairs", "Findings", "Re-splice plan", "Cautions",
    ]  # fmt: skip


def test_fonts_are_embedded_and_metadata_is_there(document: PdfReader) -> None:
    fonts = {
        font.get_object()["/BaseFont"]: font.get_object()
        for page in document.pages
        for font in page["/Resources"]["/Font"].values()
    }
    for font in fonts.values():
        if font["/Subtype"] == "/TrueType":
            assert "/FontFile2" in font["/FontDescriptor"].get_object()
            assert "/ToUnicode" in font
    assert sum(font["/Subtype"] == "/TrueType" for font in fonts.values()) >= 2
    metadata = document.metadata
    assert metadata is not None
    assert metadata.title == "Closeout of the splices: SIM-1"
    assert metadata.author == "Simulated crew"
    assert metadata.creation_date is not None
    assert metadata.creation_date.isoformat() == "2024-05-17T08:30:00+00:00"
    assert document.trailer["/Root"]["/Lang"] == "en"


def test_same_review_gives_the_same_bytes(review: CableReview) -> None:
    small = replace(review, rows=review.rows[:80])
    first, again = (closeout_pdf(small, pictures(review), template()) for _ in range(2))
    assert first == again


def test_texts_from_outside_are_drawn_and_not_obeyed() -> None:
    review = example(fibres=12, cable=HOSTILE_CABLE, names=(HOSTILE_CLOSURE, "光"))
    document = _reader(closeout_pdf(review, Sketches(), template()))
    text = "\n".join(page.extract_text() for page in document.pages)
    assert HOSTILE_CLOSURE in text
    assert "\\u202e" in text
    assert "\u202e" not in text
    assert "\\u5149" in text  # the font lacks the character: its number is drawn
    assert "/JavaScript" not in str(document.trailer["/Root"])


def test_exception_without_shots_says_so() -> None:
    review = example(fibres=12)
    document = _reader(closeout_pdf(review, Sketches(), template()))
    texts = [page.extract_text() for page in document.pages]
    page = next(text for text in texts if text.startswith("Fibre 3, Closure C2, 1310 nm"))
    assert "No picture: the trace files were not at hand." in page


def test_exceptions_that_no_two_shots_show_stand_in_one_list() -> None:
    review = example(fibres=12)
    (lone,) = [row for row in review.rows if row.coverage is Coverage.ONLY_AB]
    document = _reader(closeout_pdf(review, Sketches(), template()))
    texts = [page.extract_text() for page in document.pages]
    assert not any(
        text.startswith(f"Fibre {lone.fibre}, Closure {lone.closure}, {lone.wavelength_nm} nm")
        for text in texts
    )
    (listed,) = [t for t in texts if t.startswith("Exceptions not measured from both ends")]
    assert lone.reason in " ".join(listed.split())
    assert str(reported(lone.loss_ab_db, Quantity.LOSS_DB)) in listed
    assert lone.file_ab in listed


def test_german_headings_and_decimal_comma() -> None:
    review = example(fibres=12)
    document = _reader(closeout_pdf(review, Sketches(), template(language=Language.GERMAN)))
    text = "\n".join(page.extract_text() for page in document.pages)
    assert "Seite 2 von" in text
    assert re.search(r"0,310 !", text)
    assert "Muffe" in text
    assert "Page " not in text


def test_many_closures_are_spread_over_pages() -> None:
    review = example(fibres=12, closures=40)
    document = _reader(closeout_pdf(review, Sketches(), template()))
    text = "\n".join(page.extract_text() for page in document.pages)
    assert all(re.search(rf"\bC{number}\b", text) for number in range(1, 41))


def test_empty_review_is_a_document_too(review: CableReview) -> None:
    empty = replace(review, rows=(), closures=(), fibres=(), findings=(), history=(), plan=None)
    document = _reader(closeout_pdf(empty, Sketches(), template()))
    text = "\n".join(page.extract_text() for page in document.pages)
    assert "No findings." in text
    assert "Nothing to splice again." in text


def test_existing_file_is_not_replaced_unasked(review: CableReview, tmp_path) -> None:
    from otdravg.errors import OutputRefused

    target = tmp_path / "closeout.pdf"
    target.write_text("mine")
    with pytest.raises(OutputRefused):
        write_closeout_pdf(review, Sketches(), template(), target)
    assert target.read_text() == "mine"


def test_missing_characters_and_controls_are_written_out() -> None:
    assert drawable("a\x1bb") == "a\\x1bb"
    assert drawable("±→−µ") == "±→−µ"
    assert drawable("光") == "\\u5149"


def test_ticks_are_round_and_inside() -> None:
    assert ticks(0.0, 1.0, 5) == pytest.approx((0.0, 0.2, 0.4, 0.6, 0.8, 1.0))
    assert ticks(1.0, 1.0, 5) == ()
    assert Scale(0.0, 2.0).high == 2.0
