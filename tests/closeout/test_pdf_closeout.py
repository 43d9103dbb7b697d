"""The printed closeout, read back with pypdf: a library that has no part in writing it."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from decimal import Decimal

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

from otdravg.cable.model import CableReview, Change, ChangeKind, FibreKey, Judged, SpliceRow
from otdravg.cable.resplice.plan import plan_resplices
from otdravg.closeout.pdf.book import closeout_pdf
from otdravg.closeout.pdf.lines import Scale, ticks
from otdravg.closeout.pdf.paper import drawable
from otdravg.closeout.sketches import Sketches
from otdravg.findings import says
from otdravg.fit.reading import Coverage
from otdravg.quantities import Quantity, reported
from otdravg.verdict import SpliceVerdict
from otdravg.verdict.decision import Action, Verdict
from otdravg.words.headings import Language, Words


def _reader(content: bytes) -> PdfReader:
    return PdfReader(io.BytesIO(content), strict=True)


@pytest.fixture(scope="module")
def review() -> CableReview:
    return example()


@pytest.fixture(scope="module")
def document(review: CableReview) -> PdfReader:
    return _reader(closeout_pdf(review, pictures(review), template()))


@pytest.fixture(scope="module")
def full_pages(review: CableReview) -> list[str]:
    content = closeout_pdf(review, pictures(review), template(full=True))
    return [page.extract_text() for page in _reader(content).pages]


@pytest.fixture(scope="module")
def pages(document: PdfReader) -> list[str]:
    return [page.extract_text() for page in document.pages]


def _figure(row: SpliceRow) -> str:
    loss_db = reported(row.loss_db, Quantity.LOSS_DB)
    return "→" if loss_db is None else str(loss_db)


@pytest.mark.parametrize("wavelength_nm", WAVELENGTHS_NM)
def test_loss_table_has_every_true_loss_of_the_review(
    review: CableReview, pages: list[str], wavelength_nm: int
) -> None:
    text = next(t for t in pages if t.startswith(f"Splice loss at {wavelength_nm} nm, dB"))
    table = text.partition("U, dB\n")[2].partition("Closeout of the splices")[0]
    printed = re.findall(r"(?<![\d.])(?:-?\d\.\d{3}|→)(?= [!?*]|\s|$)", table)
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
    assert "→ one direction only" in " ".join(text.split())


def test_page_one_is_a_verdict_with_what_it_rests_on(pages: list[str]) -> None:
    text = " ".join(pages[0].split())
    assert "NOT ACCEPTED" in text
    assert "187 of 192 splices are within their limits; 3 over, 1 open, 1 not measured" in text
    for word in ("Measured", "Reviewed", "Accepted for the owner", "Signature"):
        assert word in text
    # The three worst, the largest against its limit first.
    assert text.index("Fibre 3, closure C2, 1310 nm") < text.index("Fibre 14, closure C1, 1550 nm")
    assert "0.310 ± 0.002 dB (Limit 0.20 dB)" in text


def test_contents_name_the_pages(document: PdfReader, pages: list[str]) -> None:
    assert pages[1].startswith("Contents")
    entries = [entry for entry in document.outline if not isinstance(entry, list)]
    assert entries
    for entry in entries:
        number = document.get_destination_page_number(entry) + 1
        assert re.search(rf"{re.escape(entry.title)}\s+{number}\b", pages[1])


def test_exceptions_stand_in_one_list_before_the_tables(
    review: CableReview, pages: list[str]
) -> None:
    text = " ".join(pages[2].split())
    assert text.startswith("Exceptions")
    rows = [row for row in review.rows if row.verdict.action is not Action.NONE]
    assert len(rows) == 5
    for row in rows:
        if row.loss_db is not None:
            u_db = reported(row.expanded_uncertainty_db, Quantity.UNCERTAINTY_DB)
            assert f"{row.wavelength_nm}: {_figure(row)} ± {u_db}" in text


def test_a_strip_for_every_place_and_a_page_for_every_splice_in_full(
    review: CableReview, pages: list[str], full_pages: list[str]
) -> None:
    rows = [r for r in review.rows if r.verdict.action is not Action.NONE and r.loss_db is not None]
    assert rows
    (strips,) = [text for text in pages if text.startswith("Splices that ask for something")]
    for row in rows:
        heading = f"Fibre {row.fibre}, Closure {row.closure}, {row.wavelength_nm} nm\n"
        (own,) = [text for text in full_pages if text.startswith(heading)]
        u_db = reported(row.expanded_uncertainty_db, Quantity.UNCERTAINTY_DB)
        assert f"{_figure(row)} ± {u_db} dB" in own
        ab, ba = (
            reported(loss_db, Quantity.LOSS_DB) for loss_db in (row.loss_ab_db, row.loss_ba_db)
        )
        assert f"A→B {ab}, B→A {ba}" in strips
        assert str(ab) in own
        assert str(ba) in own
        assert row.file_ab in own
        assert str(LIMIT_DB) in own
    assert not any(text.startswith("Fibre 3, Closure C2") for text in pages)


def test_the_limit_shown_is_the_one_that_judged(review: CableReview) -> None:
    rows = list(review.rows)
    rows[0] = replace(
        rows[0],
        verdict=replace(
            rows[0].verdict,
            verdict=Verdict.ACCEPTED,
            action=Action.NONE,
            limit_db=Decimal("0.45"),
            rule="splice.attempts.fallback_db",
            figure=Decimal("0.400"),
        ),
    )
    content = closeout_pdf(replace(review, rows=tuple(rows)), Sketches(), template())
    text = " ".join(_reader(content).pages[0].extract_text().split())
    assert "0.45 dB at 1310 nm: 1 splice (splice.attempts.fallback_db)" in text


@pytest.mark.parametrize(("fibres", "most"), [(48, 25), (864, 120)])
def test_a_good_cable_is_short(fibres: int, most: int) -> None:
    """At one exception in a hundred splices, each in a ribbon of its own."""
    found = example(fibres=fibres, closures=10)
    one_way = {id(row) for row in found.rows if row.loss_db is None}
    rows = [row for row in found.rows if id(row) not in one_way]
    chosen = {(f, 1 + f // 12 % 10) for f in range(5, fibres, 10)}
    over = SpliceVerdict(
        Verdict.OVER, says("as-found", text="over"), Action.RE_SPLICE, limit_db=LIMIT_DB
    )
    rows = [
        replace(row, loss_db=0.31, verdict=over)
        if (row.fibre, row.closure_number) in chosen
        else row
        for row in rows
    ]
    plan = plan_resplices(rows, found.closures, found.fibres, found.profile)
    review = replace(found, rows=tuple(rows), plan=plan, history=())
    exceptions = sum(row.verdict.needs_work for row in rows)
    assert exceptions >= 0.01 * len(rows)
    document = _reader(closeout_pdf(review, Sketches(), template()))
    assert len(document.pages) <= most


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


def test_a_bend_is_dressed_again_and_nothing_is_cut(review: CableReview, pages: list[str]) -> None:
    sheet = next(text for text in pages if "Closure C3 at" in text and "Work sheet" in text)
    assert "re-dressed" in sheet
    assert "spliced" not in sheet.split()
    assert "violet" in sheet
    assert "blue" not in sheet


def test_pages_are_numbered_and_listed_in_the_outline(
    document: PdfReader, pages: list[str]
) -> None:
    assert pages
    for number, text in enumerate(pages, start=1):
        assert re.search(rf"Page {number} of\s+{len(pages)}\b", text)
    titles = [entry.title for entry in document.outline if not isinstance(entry, list)]
    assert titles == [
        "Result", "Contents", "Exceptions", "Splice loss, closures × fibres", "All values",
        "Splices by loss", "Fibres as a whole", "Between closures",
        "Splices that ask for something", "Before and after of repairs",
        "Findings", "Closure by closure", "Re-splice plan",
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
    page = next(text for text in texts if text.startswith("Splices that ask for something"))
    assert "No picture: the trace files were not at hand." in page


def test_exceptions_without_a_loss_have_a_line_and_no_picture() -> None:
    review = example(fibres=12)
    (lone,) = [row for row in review.rows if row.coverage is Coverage.ONLY_AB]
    document = _reader(closeout_pdf(review, Sketches(), template(full=True)))
    texts = [page.extract_text() for page in document.pages]
    assert not any(
        text.startswith(f"Fibre {lone.fibre}, Closure {lone.closure}, {lone.wavelength_nm} nm")
        for text in texts
    )
    assert "one direction only" in texts[2]
    assert "A reading from one end is not the loss." in " ".join(texts[2].split())


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


def test_missing_characters_and_controls_are_written_out() -> None:
    assert drawable("a\x1bb") == "a\\x1bb"
    assert drawable("±→−µ") == "±→−µ"
    assert drawable("光") == "\\u5149"


def test_ticks_are_round_and_inside() -> None:
    assert ticks(0.0, 1.0, 5) == pytest.approx((0.0, 0.2, 0.4, 0.6, 0.8, 1.0))
    assert ticks(1.0, 1.0, 5) == ()
    assert Scale(0.0, 2.0).high == 2.0


@pytest.mark.parametrize("name", ["שלום", "كابل", "光纜", "Kabel 🧵"])
def test_a_name_that_cannot_be_set_is_spelt_and_the_paper_says_so(name: str) -> None:
    """Letters from the right would stand in the wrong order, others as empty boxes."""
    review = example(names=(name,))
    document = _reader(closeout_pdf(review, Sketches(), template()))
    pages = [page.extract_text() for page in document.pages]
    text = "".join(pages)
    assert f"\\u{ord(max(name)):04x}" in text
    assert name not in text
    assert Words()["closeout"] in pages[0]
    assert "written as their numbers" in " ".join(pages[1].split())
    plain = _reader(closeout_pdf(example(), Sketches(), template())).pages
    assert "written as their numbers" not in " ".join(plain[1].extract_text().split())


def test_short_lists_follow_each_other_on_a_page(pages: list[str]) -> None:
    both = ("Fibres as a whole", "Between closures")
    together = [page for page in pages[2:] if all(name in page for name in both)]
    assert len(together) == 1


def test_paper_names_its_revision_and_what_changed_since_the_last() -> None:
    key = FibreKey("SIM-1", 3)
    judged = Judged(Verdict.WITHIN, Action.NONE, Decimal("0.245"), near_limit=False)
    changed = Change(ChangeKind.WORSE, key, 1550, "C2", 0.1, 0.234, 0.01, judged, judged)
    review = replace(example(), changes=(changed,))
    content = closeout_pdf(review, Sketches(), template(revision="B of 2024-06"))
    pages = [page.extract_text() for page in _reader(content).pages]
    assert "B of 2024-06" in pages[0]
    assert any(
        all(text in page for text in ("Changes", "0.234", "0.245", "within limit"))
        for page in pages[2:]
    )
