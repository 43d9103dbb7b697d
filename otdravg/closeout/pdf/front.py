"""Page one, a verdict with what it rests on and room to sign; on page two contents and means."""

from __future__ import annotations

from collections.abc import Sequence

from otdravg import __version__
from otdravg.closeout.pdf.job import Column, Job, print_table
from otdravg.closeout.pdf.paper import BOLD, INK, PALE, PLAIN, QUIET, RULE, Area, Paper
from otdravg.closeout.template import Template
from otdravg.tables.scope import (
    EQUIPMENT_COLUMNS,
    equipment,
    facts,
    standing,
    tallies,
    worst,
)
from otdravg.tables.summary import summary_of

_LABEL_WIDTH = 104.0
_SIGNATURES = 104.0
_MOST_EQUIPMENT = 14
#: Lines of text that a fact on page one may take.
_MOST_OF_A_FACT = 4
_EQUIPMENT_SHARES = (6.8, 8.5, 17, 14, 6.5, 10.2, 6.5, 11, 9, 9.5, 7.5)


def cover(job: Job, template: Template, evidence: str) -> None:
    """Print the first page: accepted or not, of what, by which rules, and who signs."""
    paper, words, review = job.paper, job.words, job.review
    body = paper.page("", outline=words["result"])
    top = body.top + 44
    if template.logo is not None:
        paper.picture(template.logo.content, Area(body.right - 150, top - 34, 150, 40))
    title = template.title or words["closeout"]
    beside_logo = body.width - 170
    paper.text(body.left, top - 14, title, size=16, font=BOLD, within=beside_logo)
    cables = ", ".join(review.cables)
    paper.text(body.left, top - 30, cables, size=10, colour=QUIET, within=beside_logo)
    verdict, says = standing(review, words)
    box = Area(body.left, top - 92, body.width, 48)
    paper.box(box, fill=PALE, stroke=INK, width=1.2)
    paper.text(box.left + 12, box.bottom + 16, verdict.upper(), size=20, font=BOLD)
    shift = paper.width_of(verdict.upper(), 20, BOLD) + 30
    paper.paragraph(box.left + shift, box.bottom + 29, says, box.width - shift - 10, size=9, most=3)
    half = (body.width - 24) / 2
    right = body.left + half + 24
    headings, *counts = tallies(review, words)
    y = _table(job, Area(right, 0, half, box.bottom - 8), headings, counts, 0.13)
    y = _losses(job, Area(right, 0, half, y - 8))
    paper.text(right, y - 14, words["worst"], size=8.5, font=BOLD)
    y -= 27
    for name, figures in worst(review, words):
        paper.text(right, y, name, size=8, within=half * 0.52)
        paper.text(right + half, y, figures, size=8, align="right")
        paper.line(right, y - 3.5, right + half, y - 3.5, width=0.3, colour=RULE)
        y -= 13
    area = Area(
        body.left, body.bottom + _SIGNATURES, half, box.bottom - 16 - body.bottom - _SIGNATURES
    )
    own = facts(review, words, template.labels, template.made_on)
    left_over = _facts(paper, area, own)
    _facts(paper, Area(right, area.bottom, half, y - 6 - area.bottom), left_over)
    _signatures(job, Area(body.left, body.bottom + 12, body.width, _SIGNATURES - 14))
    if evidence:
        paper.text(body.left, body.bottom, f"{words['evidence_hash']}: {evidence}", size=7)


def _facts(paper: Paper, area: Area, lines: list[tuple[str, str]]) -> list[tuple[str, str]]:
    """Print labels and what belongs to them as far as there is room; return those left over."""
    y, width = area.top, area.width - _LABEL_WIDTH
    for number, (label, text) in enumerate(lines):
        deep = min(len(paper.wrapped(text, width, 8)), _MOST_OF_A_FACT)
        if y - 11.2 * (deep - 1) <= area.bottom:
            return lines[number:]
        paper.text(area.left, y, label, size=8, colour=QUIET, within=_LABEL_WIDTH - 6)
        left = area.left + _LABEL_WIDTH
        y = paper.paragraph(left, y, text, width, size=8, most=_MOST_OF_A_FACT) - 1.5
    return []


def _losses(job: Job, area: Area) -> float:
    """Print mean, median and largest of the true losses, a line per wavelength."""
    words = job.words
    headings = [words["statistics"], *(words[key] for key in ("mean", "median", "largest"))]
    rows = [
        (job.title(cable, nm), *(words.decimal(f) or "–" for f in
                                 (own.mean_db, own.median_db, own.largest_db)))
        for (cable, nm), own in summary_of(job.review).losses.items()
    ]  # fmt: skip
    return _table(job, area, headings, rows, 0.4)


def _table(
    job: Job, area: Area, headings: Sequence[str], rows: Sequence[Sequence[str]], first: float
) -> float:
    """Print a small table, its first column left and a share ``first`` wide; return the edge."""
    paper = job.paper
    # Every column as wide as its longest word, what is left shared: no word is broken.
    needed = [max(paper.width_of(w, 6, BOLD) for w in text.split()) for text in headings[1:]]
    left = (1 - first) * area.width - sum(needed)
    widths = [first * area.width, *(own + left / len(needed) for own in needed)]
    wrapped = [
        paper.wrapped(text, w - 3, 6, BOLD) for text, w in zip(headings, widths, strict=True)
    ]
    y = area.top - 8
    deepest = max(map(len, wrapped))
    x = area.left
    for place, (lines, width) in enumerate(zip(wrapped, widths, strict=True)):
        for line, text in enumerate(lines):
            down = 8 * (line + deepest - len(lines))
            _set(paper, place, x, y - down, width, text, 6, BOLD)
        x += width
    y -= 8 * deepest + 4
    for row in rows:
        x = area.left
        for place, (text, width) in enumerate(zip(row, widths, strict=True)):
            _set(paper, place, x, y, width, paper.fitted(text, width - 2, 8), 8, PLAIN)
            x += width
        paper.line(area.left, y - 3.5, area.right, y - 3.5, width=0.3, colour=RULE)
        y -= 13
    return y


def _set(
    paper: Paper, place: int, x: float, y: float, width: float, text: str, size: float, font: str
) -> None:
    """Set a cell: names of lines to the left, figures to the right."""
    if place == 0:
        paper.text(x, y, text, size=size, font=font)
    else:
        paper.text(x + width, y, text, size=size, font=font, align="right")


def _signatures(job: Job, area: Area) -> None:
    """Draw the block that people sign: three roles, each with name, date and signature."""
    paper, words = job.paper, job.words
    gap = 14.0
    width = (area.width - 2 * gap) / 3
    for index, role in enumerate(("measured_by", "reviewed_by", "accepted_by")):
        left = area.left + index * (width + gap)
        paper.box(Area(left, area.bottom, width, area.height), fill=PALE)
        paper.text(left + 8, area.top - 13, words[role], size=8.5, font=BOLD)
        for line, key in enumerate(("signed_by", "signed_on", "signature")):
            y = area.top - 34 - 23 * line
            paper.text(left + 8, y, words[key], size=7, colour=QUIET)
            paper.line(left + 66, y - 2, left + width - 8, y - 2, width=0.4)


def contents(job: Job) -> None:
    """Print what is where, who measured with what, how, and the cautions."""
    paper, words = job.paper, job.words
    body = paper.page(words["contents"], outline=words["contents"])
    paper.contents(Area(body.left, body.top - 210, body.width * 0.36, 210))
    left = body.left + body.width * 0.40
    y = body.top - 10
    made = f"{words['program']} otdravg {__version__}"
    cautions = (words["method_note"], words["caution"], words["site_caution"], made)
    defaults = (words["profile_default"],) if job.review.profile.is_default else ()
    for text in (*cautions, *defaults):
        y = paper.paragraph(left, y, text, body.right - left, size=8.5) - 5
    paper.free_below = min(y, body.top - 218) + 18
    rows = equipment(job.review, words)
    more = len(rows) - _MOST_EQUIPMENT
    columns = [
        Column(words[key], share)
        for key, share in zip(EQUIPMENT_COLUMNS, _EQUIPMENT_SHARES, strict=True)
    ]
    print_table(
        paper, words["equipment"], columns, rows[:_MOST_EQUIPMENT],
        remark=f"+ {more}: shots.csv" if more > 0 else "",
    )  # fmt: skip
    paper.free_below = None  # the exceptions begin a page
