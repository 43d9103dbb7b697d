"""The splice log as tables: each splice beside its measurement, wear of tools, machines."""

from __future__ import annotations

from otdravg.cable.log.model import LoggedSplice, Machine, SpliceLog, Wear
from otdravg.quantities import Quantity, reported
from otdravg.tables.csv_file import CellTable, Column, cell_table, named
from otdravg.verdict.decision import expanded


def _below(splice: LoggedSplice) -> float | None:
    estimated_db = splice.last.estimated_db
    if estimated_db is None or splice.measured_db is None:
        return None
    return estimated_db - splice.measured_db


_SPLICES: tuple[Column[LoggedSplice], ...] = (
    *named("cable", "last.closure"),
    ("ribbon", lambda s: s.unit),
    ("spliced", lambda s: s.last.when),
    *named("tries"),
    ("log_lines", lambda s: " ".join(str(line.line) for line in s.lines)),
    *named("last.splicer", "last.cleaver"),
    ("blade_position", lambda s: s.last.blade),
    *named("last.person"),
    ("estimated_highest_db", lambda s: s.last.estimated_db),
    ("measured_highest_db", lambda s: s.measured_db),
    ("estimate_less_measured_db", _below),
    ("remark", lambda s: " | ".join(line.remark for line in s.lines if line.remark)),
)

_WEAR: tuple[Column[Wear], ...] = (
    *named("tool", "name"),
    ("blade_position", lambda w: w.blade),
    ("fibres_since_new", lambda w: w.fibres_now),
    ("rise_db_per_1000_fibres", lambda w: reported(w.rise_db, Quantity.LOSS_DB)),
    ("expanded_uncertainty_db", lambda w: expanded(w.u_rise_db)),
    ("rise_until_now_db", lambda w: w.now_db),
    ("chance_of_luck", lambda w: f"{w.chance:.2g}"),
)

_MACHINES: tuple[Column[Machine], ...] = (
    *named("splicer", "ribbons"),
    ("estimate_less_measured_db", lambda m: m.bias_db),
    ("expanded_uncertainty_db", lambda m: expanded(m.u_bias_db)),
    *named("scatter_db"),
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
