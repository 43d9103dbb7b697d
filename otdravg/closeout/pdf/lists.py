"""Lists of the printed closeout: what the page lists too, and fibres as a whole."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import zip_longest

from otdravg.closeout.pdf.job import Column, Job, print_table
from otdravg.tables.lists import SPANS, Listing, texts

#: Rows of one line that surely fit on a page, and columns that fit twice beside each other.
_ROWS_ON_A_PAGE, _MOST_TWICE = 36, 9
#: Widths of the columns of a fibre at one wavelength, set against each other.
_SPAN_SHARES = (13, 10, 8, 12, 20)


def print_listing(job: Job, own: Listing | None) -> None:
    """Print a list that the page has too; nothing where there is none."""
    if own is None:
        return
    columns = [
        Column(heading, share, "right" if is_figure else "left")
        for heading, share, is_figure in zip(own.headings, own.shares, own.figures, strict=True)
    ]
    print_table(job.paper, own.heading, columns, own.rows, remark=own.remark, outline=own.heading)


def spans(job: Job) -> None:
    """Print every fibre as a whole, wavelengths side by side; verdicts where there are rules."""
    words, fibres = job.words, job.review.fibres
    wavelengths = sorted({fibre.wavelength_nm for fibre in fibres})
    judged = any(fibre.verdict is not None for fibre in fibres)
    whole = SPANS[3:] if judged else SPANS[3:-1]
    own = {
        (fibre.key, fibre.wavelength_nm): cells
        for fibre, cells in zip(fibres, texts(whole, fibres, words), strict=True)
    }
    several = len(job.review.cables) > 1
    columns = [
        *([Column(words["cable"], 12)] if several else []),
        Column(words["fibre"], 7, "right"),
    ]
    for nm in wavelengths:
        first, *others = (words[name] for name, _ in whole)
        headings = (f"{nm} nm: {first}", *others)
        columns += [
            Column(heading, share, "left" if share == _SPAN_SHARES[-1] else "right")
            for heading, share in zip(headings, _SPAN_SHARES, strict=False)
        ]
    unknown = ("–",) * len(whole)
    rows = [
        [*([key.cable] if several else []), str(key.fibre),
         *(cell for nm in wavelengths for cell in own.get((key, nm), unknown))]
        for key in sorted({key for key, _ in own})
    ]  # fmt: skip
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
