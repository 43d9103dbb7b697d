"""Lists of the printed closeout: fibres as a whole, findings, repairs, patterns, events between."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import zip_longest

from otdravg.cable.model import FibreResult, SpliceRow
from otdravg.closeout.pdf.job import Column, Job, loss_figure, print_table
from otdravg.quantities import Quantity, reported
from otdravg.tables.lists import (
    CHANGE_COLUMNS,
    FINDING_COLUMNS,
    PATTERN_COLUMNS,
    REPAIR_COLUMNS,
    change_rows,
    finding_rows,
    pattern_rows,
    repair_remark,
    repair_rows,
)
from otdravg.words.headings import Words

__all__ = ["between_closures", "changes", "findings", "patterns", "repairs", "spans"]

#: Rows of one line that surely fit on a page, and columns that fit twice beside each other.
_ROWS_ON_A_PAGE, _MOST_TWICE = 36, 9
#: Columns of figures, printed flush right.
_FIGURES = frozenset({"fibre", "wavelength_nm", "attempt", "loss_db", "expanded_uncertainty_db",
                      "before_db", "after_db", "combined_uncertainty_db"})  # fmt: skip


def findings(job: Job) -> None:
    """Print every finding with its evidence and what to do."""
    rows = finding_rows(job.review, job.words)
    remark = "" if rows else job.words["no_findings"]
    shares = (9, 18, 9, 6, 7, 38, 32, 26)
    _listed(job, "findings", FINDING_COLUMNS, shares, rows, remark)


def _listed(
    job: Job,
    heading: str,
    keys: Sequence[str],
    shares: Sequence[float],
    rows: Sequence[Sequence[str]],
    remark: str = "",
) -> None:
    """Print a list that the page has too."""
    words = job.words
    columns = [
        Column(words[key], share, "right" if key in _FIGURES else "left")
        for key, share in zip(keys, shares, strict=True)
    ]
    print_table(job.paper, words[heading], columns, rows, remark=remark, outline=words[heading])


def spans(job: Job) -> None:
    """Print every fibre as a whole, wavelengths side by side; verdicts where there are rules."""
    words = job.words
    wavelengths = sorted({fibre.wavelength_nm for fibre in job.review.fibres})
    own = {(fibre.key, fibre.wavelength_nm): fibre for fibre in job.review.fibres}
    judged = any(fibre.verdict is not None for fibre in job.review.fibres)
    several = len(job.review.cables) > 1
    columns = [
        *([Column(words["cable"], 12)] if several else []),
        Column(words["fibre"], 7, "right"),
    ]
    for nm in wavelengths:
        columns += [
            Column(f"{nm} nm: {words['span_length']}", 13, "right"),
            Column(words["attenuation"], 10, "right"),
            Column(words["splice_count"], 8, "right"),
            Column(words["span_mean"], 12, "right"),
            *([Column(words["verdict"], 20)] if judged else []),
        ]
    rows = []
    for key in sorted({key for key, _ in own}):
        cells = [*([key.cable] if several else []), str(key.fibre)]
        for nm in wavelengths:
            cells += _span(words, own.get((key, nm)), judged=judged)
        rows.append(cells)
    if not judged and len(columns) <= _MOST_TWICE and len(rows) > _ROWS_ON_A_PAGE:
        columns = [*columns, *columns]
        rows = _twice(rows)
    if rows:
        print_table(job.paper, words["spans"], columns, rows, outline=words["spans"])


def _twice(rows: Sequence[list[str]]) -> list[list[str]]:
    """Put two rows beside each other, so that a page reads down its left half first."""
    blank = [""] * len(rows[0])
    doubled: list[list[str]] = []
    for start in range(0, len(rows), 2 * _ROWS_ON_A_PAGE):
        here = rows[start : start + 2 * _ROWS_ON_A_PAGE]
        middle = (len(here) + 1) // 2
        left, right = here[:middle], here[middle:]
        doubled += [a + b for a, b in zip_longest(left, right, fillvalue=blank)]
    return doubled


def _span(words: Words, fibre: FibreResult | None, *, judged: bool) -> list[str]:
    if fibre is None:
        return ["–"] * (4 + judged)
    cells = [
        words.decimal(reported(fibre.length_m, Quantity.DISTANCE_M)),
        words.decimal(reported(fibre.attenuation_db_per_km, Quantity.ATTENUATION_DB_PER_KM)),
        str(fibre.splice_count),
        loss_figure(words, fibre.span_mean_db),
    ]
    if judged:
        cells.append(words.value(fibre.verdict.verdict.value) if fibre.verdict else "")
    return cells


def between_closures(job: Job) -> None:
    """Print events that stand at no closure: the loss tables have no column for them."""
    words = job.words
    rows = [_between(job, row) for row in job.review.rows if row.closure_number is None]
    if not rows:
        return
    columns = (
        Column(words["cable"], 10),
        Column(words["fibre"], 6, "right"),
        Column(words["wavelength_nm"], 11, "right"),
        Column(words["distance_m"], 10, "right"),
        Column(words["loss_db"], 8, "right"),
        Column(words["expanded_uncertainty_db"], 8, "right"),
        Column(words["kind"], 10),
        Column(words["verdict"], 14),
        Column(words["reason"], 40),
    )
    heading = words["between_closures"]
    heading = heading[:1].upper() + heading[1:]
    print_table(job.paper, heading, columns, rows, outline=heading)


def _between(job: Job, row: SpliceRow) -> tuple[str, ...]:
    words = job.words
    return (
        row.cable,
        str(row.fibre),
        str(row.wavelength_nm),
        words.decimal(reported(row.distance_m, Quantity.DISTANCE_M)),
        loss_figure(words, row.loss_db),
        words.decimal(reported(row.expanded_uncertainty_db, Quantity.UNCERTAINTY_DB)),
        words.value(row.kind.value),
        words.value(row.verdict.verdict.value),
        words.told(row.verdict.reason),
    )


def repairs(job: Job) -> None:
    """Print every attempt at the splices that read otherwise since a repair."""
    remark = repair_remark(job.review, job.words)
    if remark:
        shares = (10, 6, 10, 11, 7, 13, 8, 8, 25, 25)
        rows = repair_rows(job.review, job.words)
        _listed(job, "repairs", REPAIR_COLUMNS, shares, rows, remark)


def changes(job: Job) -> None:
    """Print what changed since the run that this one was held against."""
    rows = change_rows(job.review, job.words)
    if rows:
        _listed(job, "sheet_changes", CHANGE_COLUMNS, (14, 10, 6, 10, 11, 10, 10, 10), rows)


def patterns(job: Job) -> None:
    """Print what stands out over the whole cable, with where to look."""
    rows = pattern_rows(job.review, job.words)
    if rows:
        _listed(job, "patterns", PATTERN_COLUMNS, (10, 11, 60, 40), rows)
