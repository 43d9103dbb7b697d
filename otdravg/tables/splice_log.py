"""The splice log as tables: each splice beside its measurement, wear of tools, machines."""

from __future__ import annotations

from otdravg.cable.log.model import LoggedSplice, Machine, SpliceLog, Wear
from otdravg.quantities import Quantity, reported
from otdravg.tables.csv_file import Cell, CellTable, Column, cell_table

__all__ = ["log_cells"]


def _db(loss_db: float | None) -> Cell:
    return reported(loss_db, Quantity.LOSS_DB)


def _below(splice: LoggedSplice) -> Cell:
    estimated_db = splice.last.estimated_db
    if estimated_db is None or splice.measured_db is None:
        return None
    return _db(estimated_db - splice.measured_db)


_SPLICES: tuple[Column[LoggedSplice], ...] = (
    ("cable", lambda s: s.cable),
    ("closure", lambda s: s.last.closure),
    ("ribbon", lambda s: s.unit),
    ("spliced", lambda s: s.last.when),
    ("tries", lambda s: s.tries),
    ("log_lines", lambda s: " ".join(str(line.line) for line in s.lines)),
    ("splicer", lambda s: s.last.splicer),
    ("cleaver", lambda s: s.last.cleaver),
    ("blade_position", lambda s: s.last.blade),
    ("person", lambda s: s.last.person),
    ("estimated_highest_db", lambda s: _db(s.last.estimated_db)),
    ("measured_highest_db", lambda s: _db(s.measured_db)),
    ("estimate_less_measured_db", _below),
    ("remark", lambda s: " | ".join(line.remark for line in s.lines if line.remark)),
)

_WEAR: tuple[Column[Wear], ...] = (
    ("tool", lambda w: w.tool.value),
    ("name", lambda w: w.name),
    ("blade_position", lambda w: w.blade),
    ("fibres_since_new", lambda w: w.fibres_now),
    ("rise_db_per_1000_fibres", lambda w: _db(w.rise_db)),
    (
        "expanded_uncertainty_db",
        lambda w: reported(2 * w.u_rise_db, Quantity.UNCERTAINTY_DB),
    ),
    ("rise_until_now_db", lambda w: _db(w.now_db)),
    ("chance_of_luck", lambda w: f"{w.chance:.2g}"),
)

_MACHINES: tuple[Column[Machine], ...] = (
    ("splicer", lambda m: m.splicer),
    ("ribbons", lambda m: m.ribbons),
    ("estimate_less_measured_db", lambda m: _db(m.bias_db)),
    (
        "expanded_uncertainty_db",
        lambda m: reported(2 * m.u_bias_db, Quantity.UNCERTAINTY_DB),
    ),
    ("scatter_db", lambda m: _db(m.scatter_db)),
)


def log_cells(log: SpliceLog) -> dict[str, CellTable]:
    """Return the tables of a splice log by name; none without a log."""
    if not log.splices:
        return {}
    return {
        "splice_log": cell_table(_SPLICES, log.splices),
        "wear": cell_table(_WEAR, log.wear),
        "machines": cell_table(_MACHINES, log.machines),
    }
