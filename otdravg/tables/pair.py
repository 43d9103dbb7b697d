"""Reports of pairs as CSV: one row per event, units in the column names."""

from __future__ import annotations

from typing import NamedTuple

from otdravg.quantities import Quantity, reported
from otdravg.shot.settings import Identity
from otdravg.tables.csv_file import Column, cell_table, csv_bytes, named
from otdravg.verdict.judge import Judged, PairReport
from otdravg.words.statements import limit_statement


class _Row(NamedTuple):
    """One event of a report."""

    report: PairReport
    ab: Identity
    ba: Identity
    judged: Judged


#: What each column of a row shows: of one event.
_COLUMNS: tuple[Column[_Row], ...] = (
    *named("ab.cable", "ab.fibre"),
    ("wavelength_nm", lambda r: r.ab.nominal_wavelength_nm),
    *named(
        "judged.reading.number", "judged.reading.kind", "judged.reading.distance_m",
        "judged.reading.distance_from_b_m", "judged.reading.loss_ab_db",
        "judged.reading.loss_ba_db", "judged.reading.loss_db",
        "judged.reading.expanded_uncertainty_db", "judged.reading.backscatter_step_db",
    ),
    (
        "reflectance_db",
        lambda r: reported(r.judged.reading.reflectance_db, Quantity.REFLECTANCE_DB),
    ),
    *named(
        "judged.limit_db", "judged.verdict", "judged.near_limit", "judged.action", "judged.reason",
    ),
    ("limit_statement", lambda r: limit_statement(r.report)),
    ("rule", lambda r: r.report.limits.rule),
    ("file_ab", lambda r: r.ab.path),
    ("sha256_ab", lambda r: r.ab.sha256),
    ("file_ba", lambda r: r.ba.path),
    ("sha256_ba", lambda r: r.ba.sha256),
)  # fmt: skip


def pair_csv(*reports: PairReport) -> bytes:
    """Return the tables of one or more pairs as one CSV; see :func:`.csv_file.csv_bytes`."""
    shots = [(one, one.measurement.ab.identity, one.measurement.ba.identity) for one in reports]
    rows = [_Row(*own, judged) for own in shots for judged in own[0].splices]
    return csv_bytes(cell_table(_COLUMNS, rows))
