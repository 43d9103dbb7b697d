"""The printed closeout, ``closeout.pdf``: what an owner's engineer signs, and the crew works by."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timezone
from pathlib import Path

from otdravg.cable.model import CableReview
from otdravg.closeout.attachments import Attached
from otdravg.closeout.pdf.closures import closure_sheets
from otdravg.closeout.pdf.exceptions import exception_list, exception_pages, exception_strips
from otdravg.closeout.pdf.front import contents, cover
from otdravg.closeout.pdf.job import Job
from otdravg.closeout.pdf.lists import print_listing, spans
from otdravg.closeout.pdf.maps import heat_maps
from otdravg.closeout.pdf.paper import Paper
from otdravg.closeout.pdf.ranking import ranking
from otdravg.closeout.pdf.tables import loss_table
from otdravg.closeout.pdf.worksheets import work_sheets
from otdravg.closeout.sketches import Sketches
from otdravg.closeout.template import Template
from otdravg.tables.lists import listings
from otdravg.tables.losses import loss_tables


def closeout_pdf(
    review: CableReview,
    sketches: Sketches,
    template: Template,
    evidence: str = "",
    attachments: Sequence[Attached] = (),
    folder: Path = Path(),
) -> bytes:
    """Return the printed closeout as a PDF file.

    Parameters
    ----------
    review : CableReview
        What was measured and judged.
    sketches : Sketches
        Pictures of the shots; a splice without one gets a page without.
    template : Template
        Whose paper it is, and in which language.
    evidence : str
        Hash of the list of traces, tables and results, for page one.
    attachments : sequence of Attached
        Files that belong to it: pictures stand on the sheet of their closure.
    folder : Path
        Of the closeout, where they lie; what does not is said to be missing.

    Returns
    -------
    bytes
        The same for the same arguments, if the template says when it was made.
    """
    words = template.words
    title = template.title or words["closeout"]
    names = ", ".join(review.cables)
    paper = Paper(
        title=f"{title}: {names}",
        author=template.company,
        subject=" – ".join(part for part in (template.project, template.owner) if part),
        footer=" – ".join(
            part for part in (title, names, template.project, template.revision) if part
        ),
        page_of=words["page_of"],
        language=template.language.value,
        made_at=template.made_at or datetime.now(timezone.utc),
        spelt_note=words["spelt_note"],
    )
    job = Job(paper, review, sketches.by_place(), words, loss_tables(review))
    cover(job, template, evidence)
    contents(job)
    exception_list(job)
    heat_maps(job)
    paper.chapter(words["sheet_splices"])
    for table in job.losses:
        loss_table(job, table)
    paper.chapter(words["ranked"])
    for table in job.losses:
        ranking(job, table.cable, table.wavelength_nm)
    spans(job)
    lists = listings(review, words)
    print_listing(job, lists.get("between"))
    (exception_pages if template.full else exception_strips)(job)
    for key in ("repairs", "changes", "patterns", "findings"):
        print_listing(job, lists.get(key))
    closure_sheets(job, folder, attachments)
    work_sheets(job)
    return paper.finish()
