"""What the page is filled with: rows of splices, maps, words, and the tables below them."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from otdravg.cable.model import CableReview, SpliceRow
from otdravg.quantities import Quantity, reported
from otdravg.system.printable import printable
from otdravg.tables.losses import loss_tables
from otdravg.tables.marks import SIGNS, Mark, mark_of, sign_of
from otdravg.words.closeout import PageWords

__all__ = ["LIST_COLUMNS", "PAGE_FORMAT", "as_script_text", "review_data", "splice_data"]

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
    "coverage",
    "decision",
    "distance_m",
    "expanded_uncertainty_db",
    "file_ab",
    "file_ba",
    "kind",
    "limit_db",
    "loss_ab_db",
    "loss_ba_db",
    "loss_db",
    "missing_because",
    "more_than_at_shortest_db",
    "position",
    "reason",
    "reflectance_db",
    "ribbon",
    "taken",
    "action",
    "attempt",
    "backscatter_step_db",
    "between_closures",
    "both_shots",
    "colour",
    "console_no_unpack",
    "cursor",
    "empty_list",
    "half_difference",
    "half_sum",
    "not_measured",
    "not_shot",
    "one_way",
    "legend_no_splice",
    "list_of",
    "loss_between_closures",
    "loss_of_cell",
    "no_trace",
    "ribbon_number",
    "shot_from_a",
    "shot_from_b",
)

Cell = str | int | None


def _text(value: object) -> str | None:
    """A figure as text with the decimals it is reported with; None stays None."""
    return None if value is None else str(value)


def _row(row: SpliceRow, words: PageWords) -> dict[str, Cell]:
    """One splice: figures as text, rounded as every other output rounds them."""
    loss = Quantity.LOSS_DB
    return {
        "cable": printable(row.cable),
        "fibre": row.fibre,
        "ribbon": row.ribbon,
        "position": row.position,
        "colour": row.colour,
        "wavelength_nm": row.wavelength_nm,
        "closure": printable(row.closure),
        "closure_number": row.closure_number,
        "distance_m": _text(reported(row.distance_m, Quantity.DISTANCE_M)),
        "loss_ab_db": _text(reported(row.loss_ab_db, loss)),
        "loss_ba_db": _text(reported(row.loss_ba_db, loss)),
        "loss_db": _text(reported(row.loss_db, loss)),
        "expanded_uncertainty_db": _text(
            reported(row.expanded_uncertainty_db, Quantity.UNCERTAINTY_DB)
        ),
        "backscatter_step_db": _text(reported(row.backscatter_step_db, loss)),
        "limit_db": _text(row.verdict.limit_db),
        "reflectance_db": _text(reported(row.reflectance_db, Quantity.REFLECTANCE_DB)),
        "more_than_at_shortest_db": _text(reported(row.bend_db, loss)),
        "kind": row.kind.value,
        "coverage": row.coverage.value,
        "verdict": row.verdict.verdict.value,
        "action": row.verdict.action.value,
        "attempt": row.attempt,
        "reason": printable(words.told(row.verdict.reason)),
        "missing_because": printable(words.told(row.missing)),
        "decision": printable(words.told(row.decided)),
        "taken": None if row.taken is None else f"{row.taken:%Y-%m-%d %H:%M}",
        "file_ab": printable(row.file_ab),
        "file_ba": printable(row.file_ba),
        "mark": mark_of(row).value,
        "sign": sign_of(row),
    }


def splice_data(review: CableReview, words: PageWords) -> dict[str, Any]:
    """Return every splice: names of the columns, rows of cells, and texts that repeat.

    Figures are text with the decimals that every output reports, so nothing is rounded twice.
    """
    rows = [_row(row, words) for row in review.rows]
    columns = list(rows[0]) if rows else []
    places: dict[str, dict[Cell, int]] = {name: {} for name in _LISTED if name in columns}
    folded: list[list[Cell]] = []
    for row in rows:
        cells: list[Cell] = []
        for name in columns:
            cell = row[name]
            if name in places and cell is not None:
                cell = places[name].setdefault(cell, len(places[name]))
            cells.append(cell)
        folded.append(cells)
    lists = {name: list(known) for name, known in places.items()}
    return {"format": PAGE_FORMAT, "names": columns, "lists": lists, "rows": folded}


def word_data(words: PageWords) -> dict[str, Any]:
    """Return the words of the scripts, and how they write figures."""
    return {
        "words": {key: words[key] for key in _SCRIPT_WORDS},
        "decimalSign": words.decimal("."),
    }


def review_data(review: CableReview, words: PageWords) -> dict[str, Any]:
    """Return what the scripts of the page work on, as plain values."""
    fixed = {
        (column, text)
        for row in review.rows
        for column, text in (
            ("colour", row.colour),
            ("kind", row.kind.value),
            ("coverage", row.coverage.value),
            ("verdict", row.verdict.verdict.value),
            ("action", row.verdict.action.value),
        )
    }
    return {
        **word_data(words),
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
        "missingSign": SIGNS[Mark.MISSING],
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


@dataclass(frozen=True, slots=True)
class Part:
    """A table below the list, or a sentence where there is nothing to show."""

    anchor: str
    heading: str
    headings: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    remark: str = ""
