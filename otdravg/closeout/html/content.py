"""What the page is filled with: rows of splices, maps, words, and the tables below them."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any

from markupsafe import Markup

from otdravg.cable.model import CableReview
from otdravg.system.printable import printable
from otdravg.tables.csv_file import Cell
from otdravg.tables.losses import loss_tables
from otdravg.tables.marks import Mark, State, mark_of, sign_of, state_of
from otdravg.tables.splices import splice_cells
from otdravg.words.headings import Words

#: Name and version of the data inside the page; the number rises when a column changes.
PAGE_FORMAT = "otdravg.page/1"

#: Columns whose texts repeat and that no other output is compared with: the rows hold a place
#: in a list.
_LISTED = (
    "colour",
    "kind",
    "coverage",
    "action",
    "taken",
    "file_ab",
    "file_ba",
    "mark",
    "sign",
    "state",
)

#: Columns of the list on the page, and which of them a narrow screen leaves out.
LIST_COLUMNS = (
    ("fibre", ""),
    ("ribbon", "minor"),
    ("colour", "minor"),
    ("closure", ""),
    ("wavelength_nm", "number"),
    ("loss_ab_db", "number minor"),
    ("loss_ba_db", "number minor"),
    ("loss_db", "number"),
    ("expanded_uncertainty_db", "number minor"),
    ("verdict", ""),
    ("action", "minor"),
)

#: Words that the scripts look up.
_SCRIPT_WORDS = (
    "between_closures",
    "both_shots",
    "console_no_unpack",
    "cursor",
    "empty_list",
    "half_difference",
    "half_sum",
    "in_every_row",
    "legend_no_splice",
    "list_of",
    "loss_between_closures",
    "loss_of_cell",
    "no",
    "no_trace",
    "ribbon_number",
    "shot_from_a",
    "shot_from_b",
    "yes",
)

PageCell = str | int | None


def _as_text(cell: Cell) -> PageCell:
    """A cell for the page: figures as text with the decimals that they are reported with."""
    if cell is None or isinstance(cell, int):  # yes and no among them
        return cell
    return f"{cell:%Y-%m-%d %H:%M}" if isinstance(cell, datetime) else printable(str(cell))


def splice_data(review: CableReview, words: Words) -> dict[str, Any]:
    """Return every splice: names of the columns, rows of cells, and texts that repeat.

    Figures are text with the decimals that every output reports, so nothing is rounded twice.
    """
    table = splice_cells(review, words.language)
    columns = [*table.names, "mark", "sign"]
    places: dict[str, dict[PageCell, int]] = {name: {} for name in _LISTED}
    folded: list[list[PageCell]] = []
    for row, known in zip(review.rows, table.rows, strict=True):
        texts = [*map(_as_text, known), mark_of(row).value, sign_of(row)]
        folded.append(
            [
                places[name].setdefault(cell, len(places[name]))
                if name in places and cell is not None
                else cell
                for name, cell in zip(columns, texts, strict=True)
            ]
        )
    lists = {name: list(known) for name, known in places.items()}
    return {"format": PAGE_FORMAT, "names": columns, "lists": lists, "rows": folded}


def word_data(words: Words) -> dict[str, Any]:
    """Return the words of the scripts, and how they write figures."""
    return {
        "words": {key: words[key] for key in _SCRIPT_WORDS},
        "decimalSign": words.decimal("."),
    }


def review_data(review: CableReview, words: Words, columns: Sequence[str]) -> dict[str, Any]:
    """Return what the scripts of the page work on, as plain values.

    ``columns`` are those of a splice in full, on paper and beside its picture.
    """
    table = splice_cells(review)
    fixed = {
        (column, text)
        for row in review.rows
        for column, text in (
            ("colour", row.colour),
            ("kind", row.kind.value),
            ("coverage", row.coverage.value),
            ("verdict", row.verdict.verdict.value),
            ("action", row.verdict.action.value),
            ("state", state_of(row).value),
        )
    } | {("state", State.NOT_SHOT.value)}
    return {
        **word_data(words),
        "columns": {name: words.heading(name) for name in columns if name in table.names},
        "figures": [
            name
            for name, *cells in zip(table.names, *table.rows, strict=True)
            if any(isinstance(cell, Decimal) for cell in cells)
        ],
        "values": {text: words.cell(column, text) for column, text in sorted(fixed)},
        "ribbonSize": review.ribbon_size,
        "maps": [
            {"cable": printable(cable), "wavelength_nm": nm}
            for cable, nm in sorted({(row.cable, row.wavelength_nm) for row in review.rows})
        ],
        "missing": [
            {
                "cable": printable(table.cable),
                "wavelength_nm": table.wavelength_nm,
                "fibre": fibre,
                "closures": [
                    closure.number
                    for closure in table.closures
                    if table.mark(fibre, closure) is Mark.MISSING
                ],
            }
            for table in loss_tables(review)
            for fibre in sorted(table.missing)
        ],
        "missingSign": State.NOT_SHOT.sign,
        "closures": [
            {
                "cable": printable(closure.cable),
                "number": closure.number,
                "name": printable(closure.name),
            }
            for closure in review.closures
        ],
    }


def as_script_text(value: object) -> Markup:
    """Write JSON so that no text in it can end the script element that holds it."""
    text = json.dumps(value, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return Markup(text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026"))
