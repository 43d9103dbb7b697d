"""Cover, summary with signatures, and cautions of the printed closeout."""

from __future__ import annotations

from collections import Counter

from otdravg import __version__
from otdravg.closeout.pdf.job import Job
from otdravg.closeout.pdf.paper import BOLD, INK, PALE, QUIET, RULE, Area
from otdravg.closeout.template import Template
from otdravg.tables.marks import Mark, mark_of
from otdravg.tables.scope import made_on, result_sentence, rules, scope
from otdravg.tables.summary import summary_of

__all__ = ["cautions", "cover", "summary"]

_LABEL_WIDTH = 150.0


def cover(job: Job, template: Template, evidence: str) -> None:
    """Print the first page: whose cable, what was asked, what came out."""
    paper, words, review = job.paper, job.words, job.review
    body = paper.page("", outline=words["sheet_cover"])
    top = body.top + 20
    if template.logo is not None:
        paper.picture(template.logo.content, Area(body.right - 180, top - 60, 180, 60))
    title = template.title or words["closeout"]
    y = top - 24
    y = paper.paragraph(body.left, y, title, body.width - 220, size=24, font=BOLD, most=2)
    y = paper.paragraph(
        body.left, y, ", ".join(review.cables), body.width - 220, size=13, colour=QUIET, most=2
    )
    y -= 4
    paper.line(body.left, y, body.right, y, width=1.2)
    y -= 24
    y = paper.paragraph(
        body.left, y, result_sentence(job.review, words), body.width, size=13, font=BOLD
    )
    y -= 12
    for label, text in (
        (words["project"], template.project),
        (words["owner"], template.owner),
        (words["company"], template.company),
        *scope(review, words),
        *rules(review, words),
        (words["made_at"], made_on(template)),
        (words["evidence_hash"], evidence),
    ):
        if text:
            paper.text(body.left, y, label, size=9, colour=QUIET)
            y = paper.paragraph(
                body.left + _LABEL_WIDTH, y, text, body.width - _LABEL_WIDTH, size=9, most=2
            )
            y -= 3
    y = body.bottom + 26
    y = paper.paragraph(body.left, y, words["method_note"], body.width, size=8, colour=QUIET)
    made = f"{words['program']} otdravg {__version__}"
    paper.paragraph(body.left, y, made, body.width, size=8, colour=QUIET)


def summary(job: Job) -> None:
    """Print counts, figures by wavelength, and the block of signatures."""
    paper, words = job.paper, job.words
    body = paper.page(words["result"], result_sentence(job.review, words), outline=words["result"])
    half = (body.width - 30) / 2
    counts = Counter(words.value(row.verdict.verdict.value) for row in job.review.rows)
    y = _list(job, body.left, body.top - 8, half, words["verdict_counts"], counts)
    found = Counter(words.value(finding.severity.value) for finding in job.review.findings)
    _list(job, body.left, y - 14, half, words["finding_counts"], found)
    _figures(job, Area(body.left + half + 30, body.bottom, half, body.height))
    _signatures(job, Area(body.left, body.bottom, body.width, 128))


def _list(
    job: Job, left: float, y: float, width: float, heading: str, counts: Counter[str]
) -> float:
    """Write counts one below the other; return the next base line."""
    paper = job.paper
    paper.text(left, y, heading, size=9.5, font=BOLD)
    y -= 16
    for name, count in sorted(counts.items(), key=lambda item: (-item[1], item[0])):
        paper.text(left, y, name, size=8.5)
        paper.text(left + width, y, str(count), size=8.5, align="right")
        paper.line(left, y - 4, left + width, y - 4, width=0.3, colour=RULE)
        y -= 15
    return y


def _figures(job: Job, area: Area) -> None:
    """Mean, median, largest and number of true losses, a column per wavelength."""
    paper, words = job.paper, job.words
    y = area.top - 8
    paper.text(area.left, y, words["statistics"], size=9.5, font=BOLD)
    y -= 16
    headings = [words[key] for key in ("number_measured", "mean", "median", "largest")]
    widths = (0.30, 0.28, 0.14, 0.14, 0.14)
    rows = [["", *headings]]
    for (cable, nm), own in summary_of(job.review).losses.items():
        figures = [words.decimal(f) for f in (own.mean_db, own.median_db, own.largest_db)]
        rows.append([job.title(cable, nm), str(own.measured), *figures])
    for index, row in enumerate(rows):
        x = area.left
        for place, (text, share) in enumerate(zip(row, widths, strict=True)):
            width = share * area.width
            colour = QUIET if index == 0 else INK
            if place == 0:
                paper.text(x, y, paper.fitted(text, width - 4, 8.5), size=8.5, colour=colour)
            else:
                shown_text = paper.fitted(text, width - 4, 7 if index == 0 else 8.5)
                size = 7 if index == 0 else 8.5
                paper.text(x + width, y, shown_text, size=size, colour=colour, align="right")
            x += width
        paper.line(area.left, y - 4, area.right, y - 4, width=0.3, colour=RULE)
        y -= 15
    over = sum(mark_of(row) is Mark.OVER for row in job.review.rows)
    look = sum(mark_of(row) is Mark.LOOK for row in job.review.rows)
    y -= 10
    for name, count in ((words["cell_over"], over), (words["cell_look"], look)):
        paper.text(area.left, y, name, size=8.5)
        total = len(job.review.rows)
        text = words["cutting"].format(count=count, total=total)
        paper.text(area.right, y, text, size=8.5, align="right")
        y -= 15


def _signatures(job: Job, area: Area) -> None:
    """Draw the block that people sign: three roles, each with name, date and signature."""
    paper, words = job.paper, job.words
    paper.text(area.left, area.top - 8, words["signatures"], size=9.5, font=BOLD)
    gap = 18.0
    width = (area.width - 2 * gap) / 3
    for index, role in enumerate(("measured_by", "reviewed_by", "accepted_by")):
        left = area.left + index * (width + gap)
        paper.box(Area(left, area.bottom, width, area.height - 20), fill=PALE)
        paper.text(left + 8, area.top - 34, words[role], size=8.5, font=BOLD)
        for line, key in enumerate(("signed_by", "signed_on", "signature")):
            y = area.top - 58 - 23 * line
            paper.text(left + 8, y, words[key], size=7, colour=QUIET)
            paper.line(left + 70, y - 2, left + width - 8, y - 2, width=0.4)


def cautions(job: Job) -> None:
    """Print the cautions as a page of their own at the end."""
    paper, words = job.paper, job.words
    body = paper.page(words["cautions"], outline=words["cautions"])
    y = paper.paragraph(body.left, body.top - 10, words["caution"], 560, size=11)
    y = paper.paragraph(body.left, y - 8, words["site_caution"], 560, size=11)
    if job.review.profile.is_default:
        paper.paragraph(body.left, y - 8, words["profile_default"], 560, size=11)
