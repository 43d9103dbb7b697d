"""Reports of pairs as CSV: one row per event, units in the column names."""

from __future__ import annotations

from otdravg.quantities import Quantity, reported
from otdravg.tables.csv_file import Column, csv_table
from otdravg.verdict.judge import Judged, PairReport
from otdravg.words.catalogue import told
from otdravg.words.statements import limit_statement

__all__ = ["pair_csv"]

#: What each column of a row shows: of a report, and of one event in it.
_COLUMNS: tuple[Column[tuple[PairReport, Judged]], ...] = (
    ("cable", lambda p: p[0].measurement.ab.identity.cable),
    ("fibre", lambda p: p[0].measurement.ab.identity.fibre),
    ("wavelength_nm", lambda p: p[0].measurement.ab.identity.nominal_wavelength_nm),
    ("number", lambda p: p[1].reading.number),
    ("kind", lambda p: p[1].reading.kind.value),
    ("distance_m", lambda p: reported(p[1].reading.distance_m, Quantity.DISTANCE_M)),
    ("distance_from_b_m", lambda p: reported(p[1].reading.distance_from_b_m, Quantity.DISTANCE_M)),
    ("loss_ab_db", lambda p: reported(p[1].reading.loss_ab_db, Quantity.LOSS_DB)),
    ("loss_ba_db", lambda p: reported(p[1].reading.loss_ba_db, Quantity.LOSS_DB)),
    ("loss_db", lambda p: p[1].reported_loss_db),
    (
        "expanded_uncertainty_db",
        lambda p: reported(p[1].reading.expanded_uncertainty_db, Quantity.UNCERTAINTY_DB),
    ),
    (
        "backscatter_step_db",
        lambda p: reported(p[1].reading.backscatter_step_db, Quantity.LOSS_DB),
    ),
    ("reflectance_db", lambda p: reported(p[1].reading.reflectance_db, Quantity.REFLECTANCE_DB)),
    ("limit_db", lambda p: p[1].limit_db),
    ("verdict", lambda p: p[1].verdict.value),
    ("near_limit", lambda p: p[1].near_limit),
    ("action", lambda p: p[1].action.value),
    ("reason", lambda p: told(p[1].reason)),
    ("limit_statement", lambda p: limit_statement(p[0])),
    ("rule", lambda p: p[0].limits.rule.value),
    ("file_ab", lambda p: p[0].measurement.ab.identity.path),
    ("sha256_ab", lambda p: p[0].measurement.ab.identity.sha256),
    ("file_ba", lambda p: p[0].measurement.ba.identity.path),
    ("sha256_ba", lambda p: p[0].measurement.ba.identity.sha256),
)


def pair_csv(*reports: PairReport) -> bytes:
    """Return the tables of one or more pairs as one CSV; see :func:`.csv_file.csv_bytes`."""
    return csv_table(
        _COLUMNS, [(report, judged) for report in reports for judged in report.splices]
    )
