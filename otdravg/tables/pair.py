"""Reports of pairs as CSV: one row per event, units in the column names."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from decimal import Decimal

from otdravg.quantities import Quantity, reported
from otdravg.system.printable import printable
from otdravg.verdict.judge import Judged, PairReport
from otdravg.words.catalogue import told
from otdravg.words.statements import limit_statement

__all__ = ["pair_csv"]

#: A spreadsheet takes a text that begins with one of these for a formula to run.
_FORMULA_SIGNS = ("=", "+", "-", "@")

Cell = str | int | bool | Decimal | None

_COLUMNS: tuple[tuple[str, Callable[[PairReport, Judged], Cell]], ...] = (
    ("cable", lambda r, j: r.measurement.ab.identity.cable),
    ("fibre", lambda r, j: r.measurement.ab.identity.fibre),
    ("wavelength_nm", lambda r, j: r.measurement.ab.identity.nominal_wavelength_nm),
    ("number", lambda r, j: j.reading.number),
    ("kind", lambda r, j: j.reading.kind.value),
    ("distance_m", lambda r, j: reported(j.reading.distance_m, Quantity.DISTANCE_M)),
    ("distance_from_b_m", lambda r, j: reported(j.reading.distance_from_b_m, Quantity.DISTANCE_M)),
    ("loss_ab_db", lambda r, j: reported(j.reading.loss_ab_db, Quantity.LOSS_DB)),
    ("loss_ba_db", lambda r, j: reported(j.reading.loss_ba_db, Quantity.LOSS_DB)),
    ("loss_db", lambda r, j: j.reported_loss_db),
    (
        "expanded_uncertainty_db",
        lambda r, j: reported(j.reading.expanded_uncertainty_db, Quantity.UNCERTAINTY_DB),
    ),
    (
        "backscatter_step_db",
        lambda r, j: reported(j.reading.backscatter_step_db, Quantity.LOSS_DB),
    ),
    ("reflectance_db", lambda r, j: reported(j.reading.reflectance_db, Quantity.REFLECTANCE_DB)),
    ("limit_db", lambda r, j: j.limit_db),
    ("verdict", lambda r, j: j.verdict.value),
    ("near_limit", lambda r, j: j.near_limit),
    ("action", lambda r, j: j.action.value),
    ("reason", lambda r, j: told(j.reason)),
    ("limit_statement", lambda r, j: limit_statement(r)),
    ("rule", lambda r, j: r.limits.rule.value),
    ("file_ab", lambda r, j: r.measurement.ab.identity.path),
    ("sha256_ab", lambda r, j: r.measurement.ab.identity.sha256),
    ("file_ba", lambda r, j: r.measurement.ba.identity.path),
    ("sha256_ba", lambda r, j: r.measurement.ba.identity.sha256),
)


def pair_csv(*reports: PairReport) -> bytes:
    """Return the tables of one or more pairs as one UTF-8 CSV after RFC 4180.

    Numbers stand bare, with the decimals that the other outputs show; not measured is an
    empty cell. Text that a spreadsheet could run as a formula gets an apostrophe in front,
    and line breaks inside a text are written out.
    """
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\r\n")
    writer.writerow(name for name, _ in _COLUMNS)
    writer.writerows(
        [_cell_text(value_of(report, judged)) for _, value_of in _COLUMNS]
        for report in reports
        for judged in report.splices
    )
    return stream.getvalue().encode("utf-8")


def _cell_text(value: Cell) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        text = printable(value)
        return f"'{text}" if text.lstrip().startswith(_FORMULA_SIGNS) else text
    return str(value)
