"""The closeout as a workbook: cover, loss tables, every value, exceptions, plan, findings, shots.

Figures are numbers with a number format, texts are texts whatever they begin with, and the
workbook holds no formula. Colours follow the limit, signs and lines the verdict: both say
the same in black and white.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from datetime import datetime, timezone
from pathlib import Path
from typing import Any

from xlsxwriter.worksheet import Worksheet

from otdravg import __version__
from otdravg.cable.model import CableReview
from otdravg.closeout.template import Template
from otdravg.closeout.xlsx.book import Book, put, write_cell, write_list
from otdravg.closeout.xlsx.losses import write_loss_sheets
from otdravg.tables.csv_file import Cell
from otdravg.tables.scope import limit_lines, scope, standing, tallies, worst
from otdravg.tables.splices import review_cells
from otdravg.tables.summary import (
    Summary,
    asks_for_work,
    decisions_state,
    summary_of,
)
from otdravg.verdict.describe import described

_LISTS = (
    ("resplice", "no_resplice"),
    ("findings", "no_findings"),
    ("fibres", ""),
    ("closures", ""),
    ("ribbons", ""),
    ("cables", ""),
    ("shots", ""),
    ("identity", ""),
    ("patterns", ""),
    ("splice_log", ""),
    ("wear", ""),
    ("machines", ""),
    ("attempts", ""),
    ("changes", ""),
    ("decisions", ""),
    ("route", ""),
    ("power", ""),
)
_LOGO_HEIGHT_PX = 64
_LOGO_WIDTH_PX = 260


def write_closeout_xlsx(
    review: CableReview, template: Template, path: Path, evidence: str = ""
) -> None:
    """Write the workbook.

    Parameters
    ----------
    review : CableReview
    template : Template
        Cover, language, and the columns of the sheets with all values and exceptions.
    path : Path
        Written over if it exists: call it on a draft.
    evidence : str
        Hash of the list of traces, tables and results, for the cover.
    """
    words = template.words
    tables = review_cells(review, template.language)
    title = template.title or words["closeout"]
    made_at = template.made_at or datetime(1980, 1, 1, tzinfo=timezone.utc)
    book = Book(str(path), words, title=title, author=template.company, made_at=made_at)
    _cover(book, review, template, title, evidence)
    write_loss_sheets(book, review)
    splices = template.chosen(tables["splices"])
    frozen = _frozen(splices.names)
    to_do = [number for number, row in enumerate(review.rows) if asks_for_work(row)]
    sheet = book.sheet(words["sheet_splices"])
    write_list(book, sheet, splices.names, splices.rows, frozen_columns=frozen, bold=set(to_do))
    rows, empty = [splices.rows[number] for number in to_do], words["no_exceptions"]
    sheet = book.sheet(words["sheet_exceptions"])
    write_list(book, sheet, splices.names, rows, frozen_columns=frozen, empty=empty)
    for name, empty in _LISTS:
        if name in tables:
            table = tables[name]
            sheet = book.sheet(words[f"sheet_{name}"])
            write_list(book, sheet, table.names, table.rows, empty=words[empty] if empty else "")
    book.close()


def _frozen(columns: Sequence[str]) -> int:
    """Columns that stay in view: up to the fibre, if it stands near the front."""
    fibre = columns.index("fibre")
    return fibre + 1 if fibre <= 2 else 0


class _Cover:
    """The cover, written line by line: a label, and what belongs to it."""

    def __init__(self, book: Book, sheet: Worksheet) -> None:
        self._book = book
        self._sheet = sheet
        self._row = 0
        sheet.set_column(0, 0, 34)
        sheet.set_column(1, 5, 16)
        sheet.set_column(6, 8, 10)

    def _put(self, column: int, text: str, **look: Any) -> None:
        put(self._sheet, self._row, column, text, self._book.form(**look))

    def title(self, text: str, height: float) -> None:
        self._sheet.set_row(self._row, height)
        self._put(0, text, bold=True, font_size=18, valign="vcenter")
        self._row += 1

    def section(self, text: str) -> None:
        self._row += 1
        for column in range(6):
            self._put(column, text if column == 0 else "", bold=True, font_size=11, bottom=1)
        self._row += 1

    def line(self, label: str, *cells: Cell, **look: Any) -> None:
        self._put(0, label, **(look or {"font_color": "#444A50"}))
        for column, cell in enumerate(cells, start=1):
            left = {"align": "left"} | look
            write_cell(self._book, self._sheet, self._row, column, "", cell, **left)
        self._row += 1

    def paragraph(self, text: str) -> None:
        lines = -(-len(text) // 105)
        self._sheet.set_row(self._row, 14 * lines + 2)
        self._sheet.merge_range(self._row, 0, self._row, 5, "", self._book.form(text_wrap=True))
        self._put(0, text, text_wrap=True)
        self._row += 1

    def boxes(self, label: str) -> None:
        """A line to sign on."""
        self._sheet.set_row(self._row, 26)
        self._put(0, label, valign="bottom")
        for column in range(1, 6):
            self._put(column, "", bottom=1)
        self._row += 1

    def finish(self) -> None:
        self._sheet.print_area(0, 0, self._row, 8)


def _cover(book: Book, review: CableReview, template: Template, title: str, evidence: str) -> None:
    words, summary = book.words, summary_of(review)
    sheet = book.sheet(words["sheet_cover"], landscape=False)
    sheet.hide_gridlines(2)
    cover = _Cover(book, sheet)
    logo = template.logo
    if logo is not None:
        scale = min(_LOGO_HEIGHT_PX / logo.height, _LOGO_WIDTH_PX / logo.width)
        options = {
            "image_data": io.BytesIO(logo.content), "x_scale": scale, "y_scale": scale,
            "description": template.company or logo.name, "object_position": 3,
        }  # fmt: skip
        sheet.insert_image(0, 4, logo.name, options)
    cover.title(title, 54 if logo is not None else 30)
    verdict, says = standing(review, words)
    cover.title(verdict.upper(), 28)
    cover.paragraph(says)
    for label, text in template.labels:
        if text:
            cover.line(label, text)
    if template.made_at is not None:
        cover.line(words["made_at"], template.made_at)
    _result(cover, book, review, summary)
    _scope(cover, book, review, summary)
    _profile(cover, book, review)
    cover.section(words["method"])
    cover.paragraph(words["method_note"])
    cover.section(words["cautions"])
    cover.paragraph(words["caution"])
    cover.section(words["signatures"])
    cover.line("", words["signed_by"], "", words["signed_on"], words["signature"])
    for key in ("measured_by", "reviewed_by", "accepted_by"):
        cover.boxes(words[key])
    cover.line(words["program"], f"otdravg {__version__}")
    if evidence:
        cover.line(words["evidence_hash"], evidence)
    if state := decisions_state(review, words):
        cover.line(words["decisions"], state)
    cover.finish()


def _scope(cover: _Cover, book: Book, review: CableReview, summary: Summary) -> None:
    words = book.words
    cover.section(words["scope"])
    cover.line(words["cables"], ", ".join(summary.cables))
    cover.line(words["ribbon_size"], review.ribbon_size or words["loose_tube"])
    for label, text in scope(review, words):
        if text:
            cover.line(label, text)
    if summary.taken is not None:
        cover.line(words["taken"], *summary.taken)


def _result(cover: _Cover, book: Book, review: CableReview, summary: Summary) -> None:
    words = book.words
    cover.section(words["result"])
    headings, *lines = tallies(review, words)
    cover.line(*headings, bold=True, text_wrap=True)
    for name, *counts in lines:
        cover.line(name, *map(int, counts))
    cover.line(words["worst"], bold=True)
    for name, figures in worst(review, words):
        cover.line(name, figures)
    cover.line(words["verdict_counts"], words["count"], bold=True)
    for verdict, count in summary.verdicts.items():
        cover.line(words.value(verdict.value), count)
    cover.line(words["splices_total"], sum(summary.verdicts.values()), top=1)
    cover.line(words["finding_counts"], words["count"], bold=True)
    for severity, count in summary.findings.items():
        cover.line(words.value(severity.value), count)
    columns = ("number_measured", "mean", "median", "largest")
    cover.line(words["statistics"], *(words[key] for key in columns), bold=True, text_wrap=True)
    for (cable, nm), own in summary.losses.items():
        cover.line(f"{cable}, {nm} nm", own.measured, own.mean_db, own.median_db, own.largest_db)


def _profile(cover: _Cover, book: Book, review: CableReview) -> None:
    words, profile = book.words, review.profile
    cover.section(words["profile"])
    cover.line(words["profile"], profile.name)
    if profile.title:
        cover.line("", profile.title)
    cover.line(words["profile_source"], profile.source)
    if profile.is_default:
        cover.paragraph(words["profile_default"])
    for line in limit_lines(review, words):
        cover.line(words["limits_in_force"], line)
    for label, sentence in described(profile, words.language):
        cover.line(label, sentence)
