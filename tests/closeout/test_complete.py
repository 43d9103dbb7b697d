"""Every fibre that was expected stands in every table and map, and page one counts it."""

from __future__ import annotations

import io
import json
import re
from collections import Counter
from dataclasses import replace
from datetime import datetime, timezone
from pathlib import Path

import openpyxl
import pytest
import state_table
from pypdf import PdfReader

from otdravg.cable import CableReview
from otdravg.cable.model import FibreKey, ShotUse
from otdravg.closeout.html import closeout_html
from otdravg.closeout.pdf.book import closeout_pdf
from otdravg.closeout.sketches import Sketches
from otdravg.closeout.template import Template
from otdravg.closeout.xlsx.workbook import write_closeout_xlsx
from otdravg.fit.reading import Coverage
from otdravg.tables.exceptions import exception_groups, missing_of
from otdravg.tables.losses import loss_tables
from otdravg.tables.marks import CLOSE, Mark, State, sign_of, state_of
from otdravg.tables.splices import splice_cells
from otdravg.tables.summary import Standing, between_closures, summary_of
from otdravg.trade import numbers_text
from otdravg.verdict.decision import Action, Verdict


@pytest.fixture(scope="module")
def gone(good_review: CableReview) -> CableReview:
    """The cable without any shot of fibre 5, and without fibre 7 at 1550 nm."""

    def is_gone(key: FibreKey | None, nm: int | None) -> bool:
        return key is not None and (key.fibre == 5 or (key.fibre == 7 and nm == 1550))

    return replace(
        good_review,
        rows=tuple(r for r in good_review.rows if not is_gone(r.key, r.wavelength_nm)),
        fibres=tuple(f for f in good_review.fibres if not is_gone(f.key, f.wavelength_nm)),
        shots=tuple(
            s for s in good_review.shots if not is_gone(s.taken_for.key, s.taken_for.wavelength_nm)
        ),
    )


def text_of(pages: object) -> list[str]:
    return [page.extract_text() for page in pages]  # type: ignore[attr-defined]


def test_a_fibre_without_shots_has_its_line_and_its_cells(gone: CableReview) -> None:
    tables = loss_tables(gone)
    assert [table.wavelength_nm for table in tables] == [1310, 1550]
    assert [sorted(table.missing) for table in tables] == [[5], [5, 7]]
    for table in tables:
        assert [fibre.fibre for fibre in table.fibres] == list(range(1, 13))
        assert len(table.closures) == 4
        for closure in table.closures:
            assert table.mark(5, closure) is Mark.MISSING
            assert table.sign(5, closure) == "×"
            assert table.mark(6, closure) is not Mark.MISSING
    tallies = summary_of(gone).tallies.values()
    assert sum(tally.states[State.NOT_SHOT] for tally in tallies) == 3 * 4
    assert [(m.fibres, m.wavelengths_nm) for m in missing_of(gone)] == [
        ((5,), (1310, 1550)),
        ((7,), (1550,)),
    ]


def test_a_stated_count_makes_more_expected(gone: CableReview) -> None:
    more = replace(gone, fibre_count=14)
    assert [len(table.fibres) for table in loss_tables(more)] == [14, 14]
    assert summary_of(more).fibres_expected == 14
    assert numbers_text((5, 13, 14)) == "5, 13–14"


def test_every_output_shows_it(gone: CableReview, template: Template, tmp_path: Path) -> None:
    pages = text_of(PdfReader(io.BytesIO(closeout_pdf(gone, Sketches(), template))).pages)
    assert "11 of 12 expected" in pages[0]
    assert "fibres 5: no shot at 1310, 1550 nm" in " ".join(pages[2].split())
    table = next(text for text in pages if text.startswith("Splice loss at 1550 nm"))
    assert table.count("×") == 2 * 4 + 1  # and one in the legend
    write_closeout_xlsx(gone, template, tmp_path / "book.xlsx")
    book = openpyxl.load_workbook(tmp_path / "book.xlsx")
    line = next(row for row in book["Loss 1550 nm"].iter_rows(values_only=True) if row[3] == 5)
    assert line[4:8] == ("×",) * 4
    assert "11 of 12 expected" in [cell.value for row in book["Cover"].iter_rows() for cell in row]
    page = closeout_html(gone, Sketches(), template).decode("utf-8")
    found = re.search(r'id="review-data">(.*?)</script>', page)
    assert found is not None
    data = json.loads(found[1])
    assert [(m["wavelength_nm"], m["fibre"], m["closures"]) for m in data["missing"]] == [
        (1310, 5, [1, 2, 3, 4]),
        (1550, 5, [1, 2, 3, 4]),
        (1550, 7, [1, 2, 3, 4]),
    ]
    assert "11 of 12 expected" in page


def clean(review: CableReview) -> CableReview:
    """The same review with nothing left to do."""
    rows = tuple(
        replace(r, verdict=replace(r.verdict, verdict=Verdict.WITHIN, action=Action.NONE))
        for r in review.rows
    )
    return replace(review, rows=rows, findings=())


def test_accepted_only_if_all_is_there_and_nothing_is_open(
    good_review: CableReview, gone: CableReview
) -> None:
    assert summary_of(good_review).standing is Standing.NOT_ACCEPTED
    assert summary_of(clean(good_review)).standing is Standing.ACCEPTED
    assert summary_of(clean(gone)).standing is Standing.NOT_COMPLETE
    one_way = replace(clean(good_review).rows[0], loss_db=None, coverage=Coverage.ONLY_AB)
    rows = (one_way, *clean(good_review).rows[1:])
    assert summary_of(replace(clean(good_review), rows=rows)).standing is Standing.NOT_COMPLETE
    assert summary_of(replace(good_review, rows=())).standing is Standing.NOT_COMPLETE


def test_counts_add_up_to_what_is_expected(gone: CableReview, bad_review: CableReview) -> None:
    for review in (gone, bad_review):
        tallies = summary_of(review).tallies.values()
        assert tallies
        for t in tallies:
            assert t.measured <= t.expected
    # Every fibre at every closure, whatever became of it; what lies between is no splice due.
    tables = loss_tables(gone)
    assert tables
    for table in tables:
        tally = summary_of(gone).tallies[table.cable, table.wavelength_nm]
        assert tally.expected == len(table.fibres) * len(table.closures)
    between = replace(gone, rows=(*gone.rows, replace(gone.rows[0], closure_number=None)))
    assert summary_of(between).tallies == summary_of(gone).tallies
    assert between_closures(between).total() == between_closures(gone).total() + 1


def test_a_clock_that_is_off_by_years_is_set_apart(good_review: CableReview) -> None:
    shots = list(good_review.shots)
    number = next(n for n, s in enumerate(shots) if s.use is ShotUse.USED)
    identity = shots[number].identity
    assert identity is not None
    taken = datetime(2010, 1, 1, tzinfo=timezone.utc)
    shots[number] = replace(shots[number], identity=replace(identity, taken=taken))
    found = summary_of(replace(good_review, shots=tuple(shots)))
    assert found.taken is not None
    assert found.taken[0].year > 2010
    assert found.clock_off == (shots[number],)
    assert summary_of(good_review).clock_off == ()


def test_what_is_wrong_with_a_fibre_is_said_once(bad_review: CableReview) -> None:
    groups = exception_groups(bad_review.rows)
    rows = [row for group in groups for row in group.rows]
    asking = [row for row in bad_review.rows if row.verdict.needs_work]
    assert sorted(map(id, rows)) == sorted(map(id, asking))
    assert len(groups) < len(asking)
    over = [g for g in groups if g.first.verdict.verdict is Verdict.OVER]
    assert groups[: len(over)] == over


def test_one_state_has_one_sign(bad_review: CableReview) -> None:
    signs = [*(state.sign for state in State), CLOSE[1]]
    assert len(set(signs)) == len(signs) == 7
    without = [row for row in bad_review.rows if row.loss_db is None]
    assert without
    for row in without:
        assert sign_of(row) == state_of(row).sign


def test_every_output_has_the_same_word_and_sign_for_a_state(good_review: CableReview) -> None:
    """What the docs show is what is declared, and a cover adds up to what its tables hold."""
    assert state_table.in_page() == state_table.table()
    tallies = summary_of(good_review).tallies
    table = splice_cells(good_review)
    place = table.names.index("state")
    at_closures = [
        cells[place]
        for cells, row in zip(table.rows, good_review.rows, strict=True)
        if row.closure_number is not None
    ]
    counts = Counter(at_closures)
    assert counts
    assert {
        state.value: sum(tally.states[state] for tally in tallies.values())
        for state in State
        if state.value in counts
    } == dict(counts)


def test_the_instrument_stands_in_full_on_page_two(good_review: CableReview) -> None:
    long = "a reflectometer whose maker gave it a name of very many words, second edition"
    shots = tuple(
        shot if shot.identity is None
        else replace(shot, identity=replace(shot.identity, instrument=long))
        for shot in good_review.shots
    )  # fmt: skip
    content = closeout_pdf(replace(good_review, shots=shots), Sketches(), Template())
    page = " ".join(PdfReader(io.BytesIO(content)).pages[1].extract_text().split())
    assert [word for word in long.split() if f" {word}" not in page] == []
    assert "…" not in page
