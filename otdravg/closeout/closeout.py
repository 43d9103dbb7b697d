"""A closeout: everything that the packager hands to the owner, in one folder, in one go.

All outputs are made from the same review and the same template, in a hidden folder beside
the target that takes its place when everything is complete.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Collection
from concurrent.futures import Executor
from dataclasses import replace
from datetime import datetime, timezone
from itertools import repeat
from pathlib import Path

from otdravg.cable.model import CableReview
from otdravg.cable.run import Options, Progress, counted, silent
from otdravg.closeout import PARTS
from otdravg.closeout.attachments import Attachments, carry
from otdravg.closeout.json_file import Closeout, closeout_json
from otdravg.closeout.sketches import Sketches, pair_sketches
from otdravg.closeout.template import Template
from otdravg.closeout.traces import renamed, trace_pattern, write_traces
from otdravg.errors import BadSetting
from otdravg.findings import says
from otdravg.system.manifest import write_evidence, write_manifest
from otdravg.system.whole_folder import whole_folder
from otdravg.tables.csv_file import CellTable, csv_bytes, worded
from otdravg.tables.splices import cable_tables, splice_cells

_WITH_PICTURES = frozenset({"pdf", "html", "json"})

#: Writes what people read to a path, of a closeout and the hash of its evidence.
Paper = Callable[[Closeout, str, Path], None]


def chosen_parts(text: str) -> frozenset[str]:
    """Read a choice of parts: ``"csv,xlsx"``, or ``"all"``.

    Raises
    ------
    BadSetting
        Naming the part that is not known.
    """
    names = [name.strip().lower() for name in text.split(",")]
    if names == ["all"]:
        return frozenset(PARTS)
    for name in names:
        if name not in PARTS:
            raise BadSetting("parts", name, says("known-parts", known=", ".join(PARTS)))
    return frozenset(names)


def made_at() -> datetime:
    """Time that the closeout carries: ``SOURCE_DATE_EPOCH`` if it is set, else now; UTC.

    Raises
    ------
    BadSetting
        If ``SOURCE_DATE_EPOCH`` is not a number of seconds.

    References
    ----------
    .. [1] Reproducible Builds, *SOURCE_DATE_EPOCH specification*, 1.1.
    """
    text = os.environ.get("SOURCE_DATE_EPOCH", "")
    try:
        seconds = int(text) if text else int(time.time())
        return datetime.fromtimestamp(seconds, tz=timezone.utc)
    except (ValueError, OverflowError, OSError) as error:
        raise BadSetting("SOURCE_DATE_EPOCH", text, says("whole-seconds")) from error


def write_closeout(
    review: CableReview,
    out_dir: Path,
    *,
    only: Collection[str] = PARTS,
    template: Template | None = None,
    sketches: Sketches | None = None,
    options: Options | None = None,
    attached: Attachments | None = None,
    force: bool = False,
    progress: Progress = silent,
) -> None:
    """Write a closeout folder: complete, or nothing.

    Parameters
    ----------
    review : CableReview
    out_dir : Path
        Made if it is not there; its parent has to be.
    only : collection of str
        Out of :data:`PARTS`.
    template : Template, optional
        Names, language and columns.
    sketches : Sketches, optional
        Thinned shots, if they are known already; else the trace files are read for them.
    options : Options, optional
        What the review was made with, so that it can be made again.
    attached : Attachments, optional
        Files that belong to it: those that are as listed are copied, the others said to be missing.
    force : bool
        Whether an earlier closeout in the folder is replaced. A folder that holds anything
        else is never replaced.
    progress : callable
        Called with stage, done and total.

    Raises
    ------
    OutputRefused
        If the folder is in the way, or could not be written; what was there is then untouched.
    """
    inputs = {shot.location.path for shot in review.shots if shot.location.path}
    with whole_folder(out_dir, inputs=inputs, overwrite=force) as draft:
        fill_closeout(
            review,
            draft,
            only=only,
            template=template,
            sketches=sketches,
            options=options,
            attached=attached,
            progress=progress,
        )


def fill_closeout(
    review: CableReview,
    draft: Path,
    *,
    only: Collection[str] = PARTS,
    template: Template | None = None,
    sketches: Sketches | None = None,
    options: Options | None = None,
    zip_traces: bool = False,
    attached: Attachments | None = None,
    executor: Executor | None = None,
    progress: Progress = silent,
) -> None:
    """Write the files of a closeout into an empty folder, as :func:`write_closeout` does.

    For a caller that holds a :func:`~otdravg.system.whole_folder.whole_folder` already. Traces are
    one archive with ``zip_traces``, and are read for pictures in ``executor``.
    """
    template = template or Template()
    if template.made_at is None:
        template = replace(template, made_at=made_at())
    if sketches is None and _WITH_PICTURES & set(only):
        with counted("draw", len(review.fibres), progress) as done:
            sketches = pair_sketches(review, executor=executor, done=done)
    listed = attached.listed if attached else ()
    closeout = Closeout(
        review, sketches or Sketches(), template, options or Options(), listed, draft
    )
    for part in (part for part in PARTS if part in only and part in _EVIDENCE):
        with counted(f"write {part}", 1, progress):
            for name, content in _EVIDENCE[part](closeout).items():
                (draft / name).write_bytes(content)
    if "traces" in only:
        files = renamed(review.shots, trace_pattern(review, template.trace_name))
        zip_at = template.made_at if zip_traces else None
        with counted("copy traces", len(files), progress) as done:
            write_traces(draft, files, style=template.csv, zip_at=zip_at, done=done)
    if attached is not None:
        carry(attached, draft, template.csv, review.closures)
    evidence = write_evidence(draft)
    for name, write in papers(template, only).items():
        with counted(f"write {name}", 1, progress):
            write(closeout, evidence, draft / name)
    write_manifest(draft)


def tables_of(closeout: Closeout) -> dict[str, bytes]:
    """Return the CSV tables of a closeout by file name; one more if the template chooses columns.

    ``owner.csv`` has the columns of the workbook's list, its headings and its words.
    """
    template, words = closeout.template, closeout.template.words
    tables = cable_tables(closeout.review, template.csv, template.language)
    if template.is_list_chosen:
        own = template.chosen(splice_cells(closeout.review, template.language))
        rows = (tuple(map(worded, own.names, row, repeat(words))) for row in own.rows)
        headings = tuple(map(words.heading, own.names))
        tables["owner.csv"] = csv_bytes(CellTable(headings, tuple(rows)), template.csv)
    return tables


_EVIDENCE: dict[str, Callable[[Closeout], dict[str, bytes]]] = {
    "csv": tables_of,
    "json": lambda closeout: {"closeout.json": closeout_json(closeout)},
}

# Libraries for one output are loaded only when that output is made.


def _write_xlsx(closeout: Closeout, evidence: str, path: Path) -> None:
    from otdravg.closeout.xlsx.workbook import write_closeout_xlsx

    write_closeout_xlsx(closeout.review, closeout.template, path, evidence)


def _write_form(closeout: Closeout, evidence: str, path: Path) -> None:
    from otdravg.closeout.xlsx.form import filled_form

    path.write_bytes(filled_form(closeout.review, closeout.template, evidence))


def _write_pdf(closeout: Closeout, evidence: str, path: Path) -> None:
    from otdravg.closeout.pdf.book import closeout_pdf

    content = closeout_pdf(
        closeout.review, closeout.sketches, closeout.template, evidence, closeout.attachments,
        closeout.folder or path.parent,
    )  # fmt: skip
    path.write_bytes(content)


def _write_html(closeout: Closeout, evidence: str, path: Path) -> None:
    from otdravg.closeout.html import closeout_html

    content = closeout_html(closeout.review, closeout.sketches, closeout.template, evidence)
    path.write_bytes(content)


#: What people read, by file name: how it is written of a closeout and the hash of the evidence.
PAPERS: dict[str, Paper] = {
    "closeout.xlsx": _write_xlsx,
    "form.xlsx": _write_form,
    "closeout.pdf": _write_pdf,
    "closeout.html": _write_html,
}


def papers(template: Template, only: Collection[str] = PARTS) -> dict[str, Paper]:
    """Those of :data:`PAPERS` that belong to some parts; the form only where there is one."""
    return {
        name: write
        for name, write in PAPERS.items()
        if name.rpartition(".")[2] in only and (write is not _write_form or template.form)
    }
